"""A hall read by laser, with two humps in the plane's way, a window and a chase: cuts and chases from list to price."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan import jobs
from flatscan.plan.cutting import Cut
from flatscan.plan.screeds import SetOutOptions
from flatscan.report.paper.sheets import Sheet, set_out_list
from flatscan.report.reporting import report_of
from flatscan.report.say import say
from flatscan.report.sections.first_lines import ordered
from flatscan.report.sections.hacking_section import hacking
from flatscan.report.sections.plan_section import order_section

HALL = """units, mm
sense, big = hollow
width, 4.2 m
height, 2.6 m
opening, 1.6, 0.9, 2.7, 2.1
pocket, 3.42, 0, 3.52, 2.6

, 0.1, 0.55, 1.0, 1.45, 1.9, 2.35, 2.8, 3.25, 3.7, 4.1
2.5, 145, 144, 143, 143, 143, 144, 145, 144, 145, 144
2.2, 144, 143, 142, 143, 143, 143, 143, 137, 143, 143
1.85, 144, 143, 142, 142, -, -, 143, 142, 142, 143
1.5, 143, 143, 133, 142, -, -, 141, 141, 141, 141
1.15, 142, 142, 142, 143, -, -, 140, 140, 140, 139
0.8, 142, 143, 142, 142, 141, 140, 140, 139, 131, 139
0.45, 141, 137, 143, 142, 141, 139, 139, 137, 137, 137
0.1, 140, 141, 142, 141, 140, 139, 138, 137, 136, 136
"""
RATES = """currency = "EUR"
basis = "area"
day = 320
m2 = 22
allowance_mm = 10
extra_mm_m2 = 1.5
hack = 35
bag = 11
call_out = 40
"""
BOTH = ("--cut", "H1", "--cut", "H2")


@pytest.fixture
def hall(flatscan, tmp_path):
    """The answer to a command on the hall, at rates that a test may change."""
    (tmp_path / "hall.csv").write_text(HALL)

    def ask(*options, command="survey", rates=RATES):
        (tmp_path / "rates.toml").write_text(rates)
        ran = flatscan(command, "hall.csv", "--rates", "rates.toml", "--json", *options)
        assert ran.code == 0, ran.err
        return ran.document

    return ask


def surveyed(folder, job=jobs.survey, **finish):
    """The result of a job on the hall."""
    (folder / "hall.csv").write_text(HALL)
    (folder / "rates.toml").write_text(RATES)
    more = (SetOutOptions(rule=1.8),) if job is jobs.set_out else ()
    asked = jobs.Finishing(rates=folder / "rates.toml", **finish)
    return job(folder / "hall.csv", jobs.Capturing(), jobs.Requirement(), asked, *more)


def lines(document):
    return {line["what"]: line for line in document["quote"]}


def test_planned_cuts_are_charged(hall):
    charged = lines(hall(*BOTH))
    assert_allclose(charged["humps cut"]["amount"], 2 * 35)
    sums = [line["amount"] for what, line in charged.items() if not what.startswith("in all")]
    total = next(line["amount"] for what, line in charged.items() if what.startswith("in all"))
    assert_allclose(total, sum(sums), atol=0.01)


def test_by_the_day_cutting_is_in_the_hours_and_not_charged_again(hall):
    assert "humps cut" not in lines(hall(*BOTH, rates=RATES.replace('"area"', '"day"')))


def test_a_depth_without_its_unit_is_refused_and_a_place_is_not(flatscan, hall):
    ran = flatscan("survey", "hall.csv", "--cut", "3.7,0.8,5")
    assert ran.code == 2
    assert "number with its unit" in ran.err
    assert hall("--cut", "3.7,0.8,5mm")["plan"]["cut"] == [{"x_mm": 3700, "y_mm": 800, "cut_mm": 5}]


def test_a_cut_asked_for_deeper_than_the_hump_is_said(hall):
    """131 among readings of which the lowest beside it is 140: 9 mm is all that stands there."""
    found = hall("--cut", "3.7,0.8,30mm", "--hack-most", "20mm")
    assert_allclose(found["plan"]["cut"][0]["cut_mm"], 9)
    assert any(it["code"] == "plan.cut-less" and "30.0 mm asked" in it["text"] for it in found["notes"])


def test_a_hump_that_is_left_out_as_an_object_is_none_to_cut(tmp_path, monkeypatch):
    """Planned once more without what may be an object, the hump at 3.7 m: the cut on it is no error there."""
    from flatscan.jobs import surveying

    def both_ways(found, again):
        offset = found.seen.relief.offset.copy()
        offset[np.isclose(found.seen.relief.places[0], 3.7) & np.isclose(found.seen.relief.places[1], 0.8)] = np.nan
        others.append(again(replace(found.seen, relief=replace(found.seen.relief, offset=offset))))
        return found

    others = []
    monkeypatch.setattr(surveying, "planned_both_ways", both_ways)
    found = surveyed(tmp_path, cut=("H1", "H2"))
    assert {(one.x, one.y) for one in found.plan.cuts} == {(1.0, 1.5), (3.7, 0.8)}
    assert [(one.x, one.y) for one in others[0].plan.cuts] == [(1.0, 1.5)]


def test_a_fixed_point_off_the_wall_is_refused(flatscan, hall):
    hall("--fix", "4.24m,1m,160mm")
    ran = flatscan("survey", "hall.csv", "--fix", "5m,1m,12mm")
    assert ran.code == 1
    assert "x 5.000 m, y 1.000 m is off the wall; needed: 0 to 4.2 m from the left, 0 to 2.6 m up" in ran.err


def test_strips_that_set_the_plane_leave_nothing_to_cut(hall):
    """With strips of 8 mm both humps saved -7 litres and -1: the strips hold the face where it stands."""
    found = hall("--strip", "8mm")
    assert found["hacking"] == []
    assert any(it["code"] == "plan.hacking-held" for it in found["notes"])
    # what is cut is filled again, and nothing else changes
    cut = hall("--strip", "8mm", "--cut", "H1")
    assert 0 <= cut["material"]["volume_l"] - found["material"]["volume_l"] < 1


def test_what_the_list_says_of_each_hump_is_what_its_cut_takes(hall):
    """H1 stands 2 mm over H2, and both 5 and 3 over the rest: 2 alone, then 5 and 3."""
    listed = hall()["hacking"]
    alone, both = hall("--cut", "H1")["plan"]["cut"], hall(*BOTH)["plan"]["cut"]
    assert_allclose([it["cut_mm"] for it in listed], [alone[0]["cut_mm"], both[1]["cut_mm"]])
    assert_allclose([it["cut_all_mm"] for it in listed], [it["cut_mm"] for it in both])
    assert_allclose([alone[0]["cut_mm"], both[0]["cut_mm"]], [2, 5])


def test_planned_cuts_stand_first_in_the_list_with_their_work(tmp_path):
    """Both planned: no word of no hump worth cutting, and their minutes add up to the cutting in the labour."""
    found = surveyed(tmp_path, cut=("H1", "H2"))
    section = hacking(found.plan)
    rows = section.tables[0].texts("mm")
    assert [row[:2] for row in rows] == [["H1", "planned"], ["H2", "planned"]]
    assert [row[4] for row in rows] == ["5.0", "3.0"]
    assert_allclose(sum(found.plan.cut_minutes) / 60, found.plan.take_off.labour.hacking, rtol=1e-9)
    assert section.listed.rows == ()
    said = " ".join(say(one) for one in section.headline)
    assert "Cut first, as planned: H1 by 5.0 mm; H2 by 3.0 mm" in said
    assert "no further hump is worth cutting" in said


def test_a_hump_offered_beside_planned_cuts_is_only_possible(tmp_path):
    """A cut of H1 by hand, and deeper than H2 asks for, leaves H2 in the way."""
    rows = hacking(surveyed(tmp_path, cut=(Cut(3.7, 0.8, 0.005),)).plan).tables[0].texts("mm")
    assert [row[:2] for row in rows] == [["H1", "planned"], ["H2", "also possible"]]


def test_the_order_of_work_begins_with_the_cuts(tmp_path, monkeypatch):
    """Boxes of the set-out list, with cuts planned and without."""
    boxes = []
    monkeypatch.setattr(Sheet, "tick", lambda self, codes: boxes.append(codes))
    for cut in (("H1",), ()):
        found = surveyed(tmp_path, job=jobs.set_out, cut=cut)
        set_out_list(report_of(found), "mm", "a4")
    assert boxes[0][:2] == ("sheet.read-cautions", "sheet.cut-humps")
    assert "sheet.cut-humps" not in boxes[-1]


def test_a_chase_that_was_not_read_is_no_wall_and_is_said(hall):
    """10.92 m2 less a window of 1.1 x 1.2 m and a chase of 0.1 x 2.6 m; nothing was read in the chase."""
    found = hall()
    assert_allclose(lines(found)["wall up to 10 mm"]["quantity"], 4.2 * 2.6 - 1.1 * 1.2 - 0.1 * 2.6, atol=1e-3)
    steps = [step["code"] for step in found["day"]["steps"]]
    assert steps[0] == "pockets"
    assert any(it["code"] == "plan.chase-unread" for it in found["notes"])


def test_no_plaster_is_missing_from_the_steps(hall):
    """As cut 14 mm at most, 2 of them finish: 12 of undercoat, and 1 mm beyond a pass of 11 is no step of its own."""
    found = hall(*BOTH)
    material = found["material"]
    laid = next(step for step in found["day"]["steps"] if step["code"] == "lay")
    assert_allclose(laid["amounts"]["most_mm"], material["most_mm"] - 2)
    assert (
        [it["name"] for it in material["labour"]] == [it["name"] for it in material["coats"]] == ["undercoat", "finish"]
    )
    assert_allclose(sum(coat["thickness_mm"] for coat in material["coats"]), material["mean_mm"], atol=0.002)


def test_a_set_out_is_priced_as_the_survey_is(tmp_path):
    prices = [surveyed(tmp_path, job=job, cut=("H1",)).plan.take_off.price for job in (jobs.survey, jobs.set_out)]
    assert prices[0] is not None
    assert_allclose(prices[1], prices[0], rtol=1e-12)


def test_order_and_coats_agree_with_each_other(tmp_path):
    """What is wanted in all is the sum of the rows; kilograms and bags of 25 kg are of one basis; beads are in it."""
    found = surveyed(tmp_path)
    order, coats = (next(t for t in order_section(found.plan).tables if t.name == name) for name in ("order", "coats"))
    take = found.plan.take_off
    rows = [row for row in order.texts("mm") if row[1].endswith("kg bag")]
    assert_allclose(take.bags_range, [sum(float(row[k]) for row in rows) for k in (3, 4)], atol=1e-9)
    for line in take.order:
        assert line.span[0] <= line.low <= line.wanted <= line.high <= line.span[1]
        assert line.order - 1 < line.wanted <= line.order
    assert [row[0] for row in order.texts("mm")][-1] == "corner bead"
    assert "corner bead" in say(ordered(found.plan))
    assert_allclose([row[2] for row in coats.rows], [25 * row[3] for row in coats.rows], rtol=1e-9)


def test_every_document_of_a_job_lists_the_humps_cut_whatever_command_it_is_of(flatscan, tmp_path):
    """By number in the plan they stand by place, as a survey has them, and it is one plan with one fingerprint."""
    (tmp_path / "hall.csv").write_text(HALL)
    (tmp_path / "plan.toml").write_text('cut = ["H1", "H2"]\n')

    def plan(command, *options):
        document = flatscan(command, "hall.csv", "--plan", "plan.toml", "--json", *options).document
        return {key: document["plan"][key] for key in ("cut", "fingerprint")}, document["notes"]

    (survey, _), (lows, said) = plan("survey"), plan("lows")
    assert [cut["x_mm"] for cut in survey["cut"]] == [3700, 1000]
    assert lows == survey
    assert not any("the plan cuts" in one["text"] for one in said)


@pytest.mark.parametrize("command", ["survey", "setout", "check", "lows", "compare"])
def test_a_hump_that_no_longer_matches_ends_what_is_planned_by_it_and_is_said_by_what_looks_again(
    command, flatscan, tmp_path
):
    (tmp_path / "hall.csv").write_text(HALL)
    (tmp_path / "again.csv").write_text(HALL)
    (tmp_path / "plan.toml").write_text('cut = ["H9"]\n')
    limit = ("--rule", "1.8m", "--limit", "3mm") if command == "check" else ()
    captures = ("hall.csv", "again.csv", "--confirm", "copy") if command == "compare" else ("hall.csv",)
    done = flatscan(command, *captures, *limit, "--plan", "plan.toml", "--json")
    if command in ("survey", "setout"):
        assert done.code == 1
        assert "no hump is called H9" in done.err
    else:
        assert done.code in (0, 3, 4)
        assert any("the plan cuts H9" in one["text"] for one in done.document["notes"])
        assert done.document["plan"]["cut"] == []
