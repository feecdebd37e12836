"""Rows: the same numbers in every format, sums that must hold, heads with their units."""

import csv
import dataclasses
import io

import numpy as np
import pytest
from results import document, drawings, reported

from flatscan.report import exchange
from flatscan.report.say import say


def table(findings, name):
    """A table of the report by its name."""
    every = (t for s in reported(findings).sections for t in (*s.tables, *((s.listed,) if s.listed else ())))
    return next(found for found in every if found.name == name)


def facts(findings, name):
    """Facts of a section of the report, by their keys."""
    return {fact.key: say(fact.text) for fact in reported(findings).section(name).facts}


def test_headings_carry_the_unit_where_the_cells_do_not(survey):
    hacks = table(survey, "hacking")
    assert hacks.headings("mm") == [
        "from left, mm",
        "up, mm",
        "cut, mm",
        "area, m²",
        "saves so far, litres",
        "bags saved so far",
        "minutes' work",
        "rubble, litres",
        "if all are cut, mm",
    ]
    assert hacks.headings("in")[:5] == ["from left", "up", "cut", "area, sq ft", "saves so far, US gal"]
    assert hacks.texts("mm")[0] == ["800", "1700", "4.2", "0.05", "33.5", "0.9", "16", "0.3", "4.2"]
    # 0.8 m are 31.496 in and 1.7 m 66.929 in (exact inch of 25.4 mm)
    assert hacks.texts("in")[0][:3] == ["2 ft 7 1/2 in", "5 ft 6 15/16 in", "3/16 in"]
    # 33.5 L are 8.85 US gal of 3.785 411 784 L (NIST Handbook 44, appendix C)
    assert float(hacks.texts("in")[0][4]) == pytest.approx(33.5 / 3.785411784, abs=0.06)


def test_a_table_is_the_documents_list(anything):
    made = document(anything)
    for name in ("patches", "hacking", "lows"):
        if name in made:
            listed = table(anything, name)
            rows = [dict(zip([c.key for c in listed.columns], row, strict=True)) for row in listed.rows]
            assert [list(row) for row in made[name]] == [list(row) for row in rows]
            assert [row["x_mm"] for row in made[name]] == [round(row["x_mm"] * 1000, 3) for row in rows]


def test_whole_bags_are_shown_whole_and_unknown_ones_by_a_dash(survey):
    assert [row[-2] for row in table(survey, "order").texts("mm")] == ["5", "1"]
    bare = dataclasses.replace(survey.take_off.coats[0], bags=None)
    order = dataclasses.replace(survey.take_off, coats=(bare,))
    assert table(dataclasses.replace(survey, take_off=order), "coats").texts("mm")[0][3] == "-"


def test_a_bag_is_called_by_the_kg_printed_on_it_on_every_sheet(survey):
    bags = table(survey, "order")
    assert [row[1] for row in bags.texts("in")] == [row[1] for row in bags.texts("mm")] == ["25 kg bag"] * 2
    # what it holds in all is in the units of the sheet: 105.8 kg are 233 lb of 0.453 592 37 kg
    assert bags.headings("in")[2] == "with waste, lb"
    assert bags.texts("in")[0][2] == "233"


def test_a_dots_uncertainty_stands_once_and_on_paper_as_its_expanded_one(findings_for):
    findings = findings_for("setout")
    (screed, *_), listed = document(findings)["setout"]["screeds"], table(findings, "dots")
    at = [column.key for column in listed.columns].index("u_packing_mm")
    # k = 1 in the document, k = 2 on paper, rounded up: never less than there is
    u = screed["dots"][0]["u_packing_mm"]
    assert u == listed.rows[0][at] * 1000
    assert (listed.headings("mm")[at], listed.headings("in")[at]) == ("±, mm", "±")
    assert 2 * u <= float(listed.texts("mm")[0][at]) < 2 * u + 0.1
    # 2.4 mm are 1.5 sixteenths of an inch of 25.4 mm
    assert listed.texts("in")[0][at] == "1/8 in"
    assert screed["x_mm"] == listed.rows[0][1] * 1000
    assert len(listed.rows) == sum(len(one["dots"]) for one in document(findings)["setout"]["screeds"])


def test_empty_tables_have_their_word(findings_for):
    made = reported(findings_for("survey", patches=(), hacks=()))
    for found in (found for section in made.sections for found in section.tables):
        assert found.rows or found.empty


@pytest.mark.parametrize("command", ["survey", "check"])
def test_bands_add_up_to_the_measured_wall(findings_for, command):
    findings = findings_for(command)
    relief = findings.relief
    found = drawings(findings)["contour"].shares("mm")
    assert sum(area for _, area, _ in found) == pytest.approx(relief.area[relief.valid].sum(), rel=1e-12)
    if findings.build_up is not None:
        # the litres of all bands are the litres of the wall
        assert sum(volume for _, _, volume in found) == pytest.approx(findings.build_up.volume.value, rel=1e-12)


def test_a_cell_on_a_bands_edge_belongs_above_it(stations_for):
    flat = stations_for("check")
    residual = np.where(flat.relief.valid, 0.002, np.nan)
    residual[0, 0] = 0.0039
    edged = dataclasses.replace(flat, shape=dataclasses.replace(flat.shape, residual=residual))
    found = drawings(edged)["contour"].shares("mm")
    assert [say(band.words) for band, _, _ in found] == ["2 to 3 mm proud", "3 to 4 mm proud"]


def test_spots_are_apart_and_numbered_by_weight(findings_for):
    patch = findings_for("check").patches[0]
    crowd = tuple(
        dataclasses.replace(patch, x=0.8 + dx, deviation=height)
        for dx, height in ((0.0, 0.004), (0.1, 0.009), (0.2, 0.006), (1.5, 0.005))
    )
    found = drawings(findings_for("check", patches=crowd))["contour"].spots
    assert [(spot.mark, spot.x, spot.value) for spot in found] == [("H1", 0.9, 0.009), ("H2", 2.3, 0.005)]


def test_lows_of_a_survey_are_where_the_coat_is_thickest(survey):
    lows = [spot for spot in reported(survey).spots if spot.mark[0] == "L"]
    assert lows[0].value == pytest.approx(np.nanmax(survey.build_up.thickness))
    assert [spot.value for spot in lows] == sorted((spot.value for spot in lows), reverse=True)
    apart = [np.hypot(a.x - b.x, a.y - b.y) for a in lows for b in lows if a is not b]
    assert min(apart) > 0.6


def test_gaps_well_under_the_limit_get_no_number(check):
    assert [spot.mark for spot in drawings(check)["gaps"].spots] == ["G1", "G2"]
    loose = tuple(dataclasses.replace(c, limit=0.009) for c in check.verdict.criteria)
    wide = dataclasses.replace(check, verdict=dataclasses.replace(check.verdict, criteria=loose))
    assert [spot.mark for spot in drawings(wide)["gaps"].spots] == ["G1"]


def test_excess_in_millimetres_per_cent_and_area(check):
    found = facts(check, "flatness")
    # by hand: 6.4 - 3.0 = 3.4 mm, 113 % of 3.0 mm; its interval is that of the gap, less the limit
    assert found["excess"] == "3.4 mm ± 0.7 mm, 113 % of the limit"
    over = check.relief.area[np.nan_to_num(check.gaps.deepest) > 0.003].sum()
    assert found["area-over"].startswith(f"{over:.1f} m² (")
    fine = dataclasses.replace(check.gaps.worst, value=0.002)
    gaps = dataclasses.replace(check.gaps, worst=fine, lower=0.0013, upper=0.0026)
    below = dataclasses.replace(check, gaps=gaps)
    assert facts(below, "flatness")["excess"] == "none by the most likely gap, 2.0 mm (1.3 to 2.6)"


def test_spots_csv_is_read_by_a_csv_reader(survey):
    rows = [row for row in csv.DictReader(io.StringIO(exchange.spots(reported(survey)))) if row["mark"] != "!"]
    at = {"mark": "H1", "x_mm": "800.0", "y_mm": "1700.0"}
    assert rows[0] == {**at, "value_mm": "4.2", "what": "cut", "once_all_mm": ""}


def test_facts_say_what_is_not_known(stations):
    assert facts(stations, "wall")["belly"] == "not known"
    assert facts(stations, "flatness")["largest"] == "could not be measured"
