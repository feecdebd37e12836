"""The contract of methods/record 4, key by key."""

import dataclasses
import json
import re

import numpy as np
import pytest
from results import document

from flatscan import report
from flatscan.verdict import Criterion, Verdict

CAPTURE = {"file", "sha256", "reader", "file_unit", "points", "type", "u_point_mm", "u_common_mm", "warnings"}
WALL = {
    "number",
    "up_from",
    "facing_from",
    "width_mm",
    "height_mm",
    "area_m2",
    "gross_area_m2",
    "covered_share",
    "cell_mm",
    "openings",
}
PLUMB = {"lean_mm_per_m", "lean_mm", "u_lean_mm_per_m", "known_from"}
SHAPE = {"belly_along_mm", "belly_up_mm", "range_mm", "rms_mm"}
PATCH = {"kind", "x_mm", "y_mm", "width_mm", "height_mm", "deviation_mm", "area_m2"}
FLATNESS = {
    "rule_mm",
    "method",
    "gap_mm",
    "balanced_end_gap_mm",
    "equal_offset_mm",
    "u_gap_mm",
    "smallest_feature_mm",
    "x_mm",
    "y_mm",
    "upper_mm",
    "from",
    "to",
    "positions",
    "coverage",
    "directions_deg",
}
VERDICT = {
    "decision",
    "limit_mm",
    "tolerance",
    "confidence",
    "reasons",
    "criteria",
    "not_judged",
    "check_by_hand",
}
CRITERION = {"name", "decision", "value_mm", "upper_mm", "limit_mm"}
MATERIAL = {
    "system",
    "least_mm",
    "mean_mm",
    "most_mm",
    "volume_l",
    "u_volume_l",
    "plane",
    "coats",
    "bags",
    "waste_share",
    "days",
    "price",
    "stops",
}
COAT = {"name", "thickness_mm", "kg", "bags"}
HACK = {"x_mm", "y_mm", "cut_mm", "area_m2", "saves_l", "saves_bags"}
LOW = {"x_mm", "y_mm", "depth_mm", "area_m2", "litres"}


def test_every_command_carries_its_wall(anything):
    made = document(anything)
    assert made["schema"] == 1
    assert made["command"] == anything.command
    assert set(made["capture"]) >= CAPTURE
    assert set(made["wall"]) >= WALL
    assert set(made["plumb"]) >= PLUMB
    assert set(made["shape"]) >= SHAPE
    assert all(set(patch) >= PATCH for patch in made["patches"])
    assert made["files"] == []


def test_check_carries_flatness_and_verdict(check):
    made = document(check)
    assert set(made["flatness"]) >= FLATNESS
    assert set(made["verdict"]) >= VERDICT
    assert all(set(row) >= CRITERION for row in made["verdict"]["criteria"])
    assert all(set(row) == {"x_mm", "y_mm"} for row in made["verdict"]["check_by_hand"])
    assert made["flatness"]["gap_mm"] == 6.4
    assert made["flatness"]["directions_deg"] == [15.0 * k for k in range(12)]
    assert made["verdict"]["limit_mm"] == 3.0
    assert made["verdict"]["criteria"][1] == {
        "name": "plumb",
        "decision": "undecided",
        "value_mm": 5.04,
        "lower_mm": None,
        "upper_mm": None,
        "limit_mm": 8.0,
    }


def test_survey_carries_material_and_hacking(survey):
    made = document(survey)
    assert set(made["material"]) >= MATERIAL
    assert set(made["material"]["plane"]) == {"lean_mm_per_m", "turn_mm_per_m", "at_left_foot_mm"}
    assert all(set(coat) >= COAT for coat in made["material"]["coats"])
    assert all(set(hack) >= HACK for hack in made["hacking"])
    # by hand: 0.0335 m3 are 33.5 L
    assert made["hacking"][0] == {
        "x_mm": 800.0,
        "y_mm": 1700.0,
        "cut_mm": 4.2,
        "area_m2": 0.05,
        "saves_l": 33.5,
        "saves_bags": 0.9,
        "minutes": 16.3,
        "rubble_l": 0.315,
        "cut_all_mm": 4.2,
    }
    assert "flatness" in made


def test_setout_and_lows_carry_their_own(findings_for):
    laid = document(findings_for("setout"))["setout"]
    assert laid["rule_mm"] == 1800.0
    assert all({"x_mm", "dots"} <= set(screed) for screed in laid["screeds"])
    assert all({"y_mm", "packing_mm"} <= set(dot) for screed in laid["screeds"] for dot in screed["dots"])
    lows = document(findings_for("lows"))["lows"]
    assert all(set(low) >= LOW for low in lows)
    # 0.00092 m3 are 0.92 L
    assert [low["litres"] for low in lows] == [0.06, 0.92]


def test_lists_without_entries_are_empty_and_not_null(findings_for):
    made = document(findings_for("survey", hacks=(), patches=()))
    assert made["hacking"] == []
    assert made["patches"] == []
    assert document(findings_for("lows", lows=()))["lows"] == []


def nulls(made, path=""):
    """Paths of all nulls in a document, list positions left out."""
    if made is None:
        yield path
    elif isinstance(made, dict):
        for key, value in made.items():
            yield from nulls(value, f"{path}.{key}" if path else key)
    elif isinstance(made, list):
        for value in made:
            yield from nulls(value, path)


def test_every_null_has_its_word(anything):
    made = document(anything)
    said = made["capture"]["warnings"]
    for path in nulls(made):
        assert any(warning.startswith(f"{path} is null: ") for warning in said), path


def test_every_known_null_has_a_word_of_its_own(stations_for):
    """Only paths nobody foresaw fall back on the general word."""
    nothing = Verdict("undecided", 0.95, (Criterion("flatness", "undecided", None, None, 0.003),), (), (), ())
    poor = stations_for("survey", u_point=None, verdict=nothing, hacks=None)
    poor = dataclasses.replace(poor, origin=dataclasses.replace(poor.origin, sha256=""))
    said = document(poor)["capture"]["warnings"]
    assert not [word for word in said if "cannot be known from this capture" in word]
    assert len(said) > 10


def test_stations_have_no_cells_and_no_gap(stations):
    made = document(stations)
    assert made["wall"]["cell_mm"] is None
    assert made["flatness"]["gap_mm"] is None
    assert made["flatness"]["from"] is None
    assert any("no straightedge could be laid" in warning for warning in made["capture"]["warnings"])


def test_warnings_are_said_once_and_first(findings_for):
    made = document(findings_for("check", warnings=("3 points repeat others.", "The laser moved 1.4 mm.")))
    assert made["capture"]["warnings"][:2] == ["3 points repeat others.", "The laser moved 1.4 mm."]


def test_text_is_strict_json_and_the_same_bytes_again(anything, findings_for):
    first = report.text(document(anything))
    assert first == report.text(document(anything))
    json.loads(first, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    assert first.endswith("}\n")


def test_numbers_are_rounded_to_a_thousandth(findings_for):
    made = report.text(document(findings_for("survey")))
    assert not re.search(r"\d\.\d{4,}", made)
    assert not re.search(r"-0\.0\b", made)


def test_a_value_that_is_not_finite_is_null_with_a_word(findings_for):
    built = findings_for("survey").build_up
    made = document(findings_for("survey", build_up=dataclasses.replace(built, most=np.nan)))
    assert made["material"]["most_mm"] is None
    assert any(warning.startswith("material.most_mm is null") for warning in made["capture"]["warnings"])


def test_words_of_any_script_stay_as_they_are(findings_for):
    title = 'Nordwand <b>"größte"</b> \u6f22 \U0001f9f1'
    made = document(findings_for("check", title=title))
    assert json.loads(report.text(made))["wall"]["title"] == title
