"""Jobs with more than a capture and a limit: several criteria, readings by hand, rates, walls planned together."""

from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from flatscan import jobs
from flatscan.plan.rates import TEMPLATE
from flatscan.plan.screeds import SetOutOptions
from flatscan.report.say import say

SAMPLES = Path(__file__).parents[2] / "sample_clouds"
WALL = (SAMPLES / "wall.ply", "--capture-type", "scanner")
ROOM = (SAMPLES / "room.ply", "--capture-type", "scanner")
pytestmark = pytest.mark.usefixtures("few_sheets")


def test_each_criterion_is_judged_by_itself(flatscan, truth):
    limits = ("--limit", "30mm", "--plumb-limit", "1mm", "--step-limit", "20mm", "--corner-limit", "20mm")
    verdict = flatscan("check", *ROOM, "--wall", "3", *limits, "--json").document["verdict"]
    made = {one["name"]: one for one in verdict["criteria"]}
    assert list(made) == ["flatness", "plumb", "step", "corner"]
    assert not set(verdict["not_judged"]) & set(made)
    assert "the wall behind the skirting, 100 mm high" in verdict["not_judged"]
    lean = abs(truth["room.ply"]["lean_mm_per_m"]) * truth["room.ply"]["height_mm"] / 1000
    assert_allclose(made["plumb"]["value_mm"], lean, atol=0.6)
    assert made["plumb"]["decision"] == "outside"
    assert made["corner"]["decision"] == "within"
    assert verdict["decision"] == "outside"


def test_several_tolerances_are_each_named(flatscan):
    ran = flatscan(
        "check", *WALL, "--tolerance", "nf-dtu-25-41-flatness", "--tolerance", "din-18202-2019-plumb", "--json"
    )
    names = [one["name"] for one in ran.document["verdict"]["criteria"]]
    assert names == ["flatness (nf-dtu-25-41-flatness)", "plumb (din-18202-2019-plumb)"]
    assert ran.code == 3


def test_a_tolerance_gives_the_same_decision_as_its_rule_and_limit(flatscan):
    by_name = flatscan("check", *WALL, "--tolerance", "nf-dtu-25-41-flatness", "--json").document
    rule = ("--rule", "2m", "--limit", "5mm", "--method", "resting", "--json")
    by_hand = flatscan("check", *WALL, *rule).document
    assert by_name["flatness"] == by_hand["flatness"]
    assert by_name["verdict"]["decision"] == by_hand["verdict"]["decision"] == "outside"
    assert by_name["verdict"]["tolerance"] == "nf-dtu-25-41-flatness"
    assert by_hand["verdict"]["tolerance"] is None


def test_a_tolerance_read_in_one_place_gives_numbers_until_somebody_accepts_it(flatscan):
    asked = ("check", *WALL, "--tolerance", "uk-plaster-3mm-1.8m", "--json")
    ran = flatscan(*asked)
    assert ran.code == 4
    assert "one place only" in " ".join(ran.document["verdict"]["reasons"])
    assert not ran.document["verdict"]["restricted"]
    accepted = flatscan(*asked, "--accept-source")
    assert accepted.code == 3
    assert "read in one place only" in accepted.document["verdict"]["restricted"][0]
    assert {"name": "accept_source", "value": "yes", "default": "no"} in accepted.document["settings"]


def test_a_tolerance_from_memory_gives_numbers_and_no_decision(flatscan):
    ran = flatscan("check", *WALL, "--tolerance", "gb-50210-ordinary", "--json")
    assert ran.code == 4
    assert "from memory" in " ".join(ran.document["verdict"]["reasons"])
    assert ran.document["verdict"]["criteria"][0]["value_mm"] > 4


@pytest.mark.parametrize("beside", [("--limit", "3mm"), ("--plumb-limit", "3mm"), ("--rule", "3m")], ids="".join)
def test_a_limit_beside_a_tolerance_is_refused(flatscan, beside):
    ran = flatscan("check", *WALL, "--tolerance", "uk-plaster-3mm-1.8m", *beside)
    assert ran.code == 1
    assert beside[0] in ran.err


def test_readings_by_hand_stand_beside_the_scan(flatscan, tmp_path):
    (tmp_path / "hand.csv").write_text("units, mm\nrule, 1.8 m\n\nx, y, direction, gap\n0.87, 1.75, along, 6.5\n")
    ran = flatscan("check", *WALL, "--limit", "3mm", "--hand", "hand.csv", "--json")
    (row,) = ran.document["hand"]
    assert row["agrees"] == "yes"
    assert_allclose(row["scan_mm"], 6.5, atol=1.0)


def test_rates_make_a_quote_whose_lines_add_up(once, flatscan, tmp_path):
    rates = TEMPLATE.replace("m2 = 0 ", "m2 = 12 ", 1).replace("bag = 0", "bag = 9", 1)
    (tmp_path / "rates.toml").write_text(rates)
    document = flatscan("survey", *WALL, "--rates", "rates.toml", "--json").document
    lines, total = document["quote"][:-1], document["quote"][-1]["amount"]
    assert_allclose(sum(line["quantity"] * line["rate"] for line in lines), total, atol=0.02)
    assert_allclose(total, 12 * document["wall"]["area_m2"] + 9 * document["material"]["bags"], atol=0.02)
    assert document["material"]["price"] == total
    assert once("survey", *WALL, "--json").document["material"]["price"] is None


def test_rates_with_a_missing_line_are_refused_by_name(flatscan, tmp_path):
    (tmp_path / "rates.toml").write_text(TEMPLATE.replace("bag = 0", "# bag = 0", 1))
    ran = flatscan("survey", *WALL, "--rates", "rates.toml")
    assert ran.code == 1
    assert "bag" in ran.err


def test_choices_of_plane_are_always_listed(once):
    choices = once("survey", *WALL, "--json").document["choices"]
    assert choices[0]["name"] == "plumb and parallel"
    assert len(choices) == 4
    assert all(one["volume_l"] <= choices[0]["volume_l"] + 0.01 for one in choices)


def test_old_plaster_that_comes_off_makes_a_range_and_says_so_first(flatscan):
    ran = flatscan("survey", *WALL, "--surface", "comes-off", "--old-plaster", "10mm,20mm", "--out", "s")
    assert "Range only" in " ".join(ran.err.split())


def test_walls_planned_together_have_one_order(flatscan):
    ran = flatscan("survey", *ROOM, "--together", "3,4", "--cut", "3:h1", "--start", "7:30", "--json")
    documents = ran.document
    assert [one["wall"]["number"] for one in documents] == [3, 4]
    assert documents[0]["order_together"] == documents[1]["order_together"]
    alone = [sum(1 for _ in one["material"]["coats"]) for one in documents]
    assert min(alone) >= 2
    low = {row["product"]: row["low"] for row in documents[0]["order_together"]}
    assert all(value > 0 for value in low.values())
    assert [len(one["plan"]["cut"]) for one in documents] == [1, 0]
    # one person's days, on both walls: no coat is laid while another one is, and each wall's steps are in both
    steps = documents[0]["day_together"]["steps"]
    assert steps == documents[1]["day_together"]["steps"]
    assert len(steps) == sum(len(one["day"]["steps"]) for one in documents)
    assert steps[0]["wall"] == "wall 3"
    assert steps[0]["code"] == "cut"
    busy = sorted(
        (one["from_h"], one["to_h"]) for one in steps if one["code"] in ("cut", "fill", "dots", "lay", "finish")
    )
    assert len(busy) >= 6
    assert all(a[1] <= b[0] + 1e-3 for a, b in zip(busy, busy[1:], strict=False))


def test_walls_that_cannot_be_planned_together_are_refused(flatscan):
    assert flatscan("survey", *ROOM, "--together", "3").code == 1
    assert flatscan("survey", *ROOM, "--together", "three").code == 2
    bare = flatscan("survey", *ROOM, "--together", "3,4", "--cut", "H1")
    assert (bare.code, "a hump with its wall, one of 3, 4, such as 3:H1" in bare.err) == (1, True)
    assert flatscan("survey", *WALL[:1], "--together", "1,2").code == 1


def test_face_square_to_another_wall(flatscan):
    square = flatscan("survey", *ROOM, "--wall", "3", "--square-to", "4", "--json").document
    # the room was made square: its walls' own lines differ by what a belly of 4 mm and noise do to them
    assert 0 < abs(square["material"]["plane"]["turn_mm_per_m"]) < 1
    assert flatscan("survey", *ROOM, "--wall", "3", "--square-to", "9").code == 1


def test_lows_written_down_by_hand(flatscan, tmp_path):
    (tmp_path / "lows.csv").write_text("x_m,y_m,depth_mm,width_mm,height_mm\n0.5,1.2,4,300,400\n1.5,0.4,1,200,200\n")
    document = flatscan("lows", "--by-hand", "lows.csv", "--json").document
    (low,) = document["lows"]
    # an elliptic bowl: pi / 8 x depth x width x height
    assert_allclose(low["litres"], 3.14159265 / 8 * 4 * 0.3 * 0.4, atol=1e-3)
    assert document["wall"] is None
    assert flatscan("lows").code == 2
    answer = flatscan("lows", "--by-hand", "lows.csv")
    # the whole of it in a few lines, each warning once; the rest on request
    assert len(answer.err.splitlines()) <= 6
    fill = "gloves, goggles, mask at the bag; then L1 at 0.50 / 1.20 m, 4.0 mm deep, 0.2 litres"
    assert fill in " ".join(answer.err.split())
    assert "Doubt" in answer.err
    assert [one["code"] for one in document["doubts"]] == ["doubt.bowls"]
    assert "Not examined" in flatscan("lows", "--by-hand", "lows.csv", "--more").err
    off = flatscan("lows", "--by-hand", "lows.csv", "--width", "1.4m")
    assert (off.code, "x 1.50 m lies off the wall; needed: 0 to 1.40 m" in off.err) == (1, True)


def test_the_stages_of_a_job_are_told_as_notes_with_words():
    def stages(job, file, *more):
        told = []
        job(SAMPLES / file, jobs.Capturing(), jobs.Requirement.by(limit=0.003), *more, lambda *it: told.append(it))
        assert all(share is None or 0 <= share <= 1 for _, share in told)
        return [say(stage) for stage, _ in told]

    read = stages(jobs.check, "laser_grid.csv")
    assert (read[0], read[-1]) == ("reading", "laying the straightedge")
    by_scan = stages(jobs.set_out, "wall.ply", jobs.Finishing(), SetOutOptions(rule=1.8))
    assert "measuring points" in by_scan
    assert by_scan[-1] == "setting out"
