"""The first screen: five lines that answer, the doubt that decides before them, nothing twice, no machine's words."""

import dataclasses
import re

import numpy as np
import pytest
from limit_words import in_own_units_alone
from results import reported, result_of

import flatscan as fs
from flatscan import jobs, report
from flatscan.core.notes import note
from flatscan.core.quantity import Quantity, metres
from flatscan.jobs.doubts import doubts_of, hangs_on_readings
from flatscan.report.say import say

KEYS = re.compile(r"\w+_(mm|m|m2|l|kg|deg)\b|\.json|\bu\(|\bk = |capture\.|\bu\b")
# along the wall: metres with two decimals, and no millimetres over what a coat is thick
LONG = re.compile(r"\b\d{3,}(\.\d)? mm")


def screen(found, units="mm"):
    return report.first_screen(result_of(found), units)


def table(rows, head="units, mm\nsense, big = hollow\nwidth, 2.2 m\nheight, 2.7 m\ncontrol, 80, 80\n"):
    """A laser grid of five heights at 0.1, 0.6, 1.1, 1.6, 2.1 m."""
    lines = [f"{y}, {', '.join(row)}" for y, row in zip((2.6, 2.0, 1.3, 0.7, 0.1), rows, strict=True)]
    return head + "\n, 0.1, 0.6, 1.1, 1.6, 2.1\n" + "\n".join(lines) + "\n"


def read(tmp_path, text):
    path = tmp_path / "wall.csv"
    path.write_text(text)
    return fs.relief(path)


FLAT = [["80", "81", "80", "79", "80"]] * 5


@pytest.mark.parametrize("units", ["mm", "in"])
def test_five_lines_and_then_nothing(anything, units):
    made = reported(anything)
    said = screen(anything, units)
    assert len(made.first) <= 5
    assert max(map(len, said.splitlines())) <= 79
    assert not KEYS.search(said), said
    assert not LONG.search(said), said
    assert units == "mm" or not re.search(r"\d mm|\d m\b", in_own_units_alone(said).replace("3 points", ""))


def test_a_survey_says_thickness_order_cut_and_doubt(survey):
    lines = screen(survey).splitlines()
    # by hand: 6 litres less and 10 more than 134, as it was built
    assert lines[1].startswith("Thickness          5 to ")
    assert "(134 litres; 128 to 144 likely)" in lines[1]
    assert lines[2] == "Order              5 bags gypsum undercoat, 1 bag finish"
    said = " ".join(screen(survey).split())
    # by hand: 16.3 and 13.0 minutes
    assert "H1 at 0.80 / 1.70 m, 4.2 mm: saves 34 litres; all 2 save 42, about 29 minutes' work" in said
    assert said.index("old coatings tested") < said.index("H1 at")
    assert "Doubt none found that moves the answer" in said


def test_a_price_stands_beside_the_order(survey):
    order = dataclasses.replace(survey.take_off, price=412.3)
    assert "1 bag finish; price 412" in screen(dataclasses.replace(survey, take_off=order))


def test_a_check_says_asked_decided_gap_ends_and_what_was_left_out(check):
    said = " ".join(screen(check).split())
    order = [said.index(word) for word in ("3 mm under a 1.8 m", "Decision", "Gap", "Balanced", "Not")]
    assert order == sorted(order)
    assert "Flatness outside the limit as entered" in said
    assert "step, corner" in said


def test_a_check_of_plumb_alone_speaks_of_no_gap(tmp_path):
    """Flatness was not asked for: what was judged stands under its own name."""
    checked = fs.check(read(tmp_path, table(FLAT)), tolerance="nf-dtu-25-41-plumb")
    said = report.first_screen(checked)
    assert re.search(r"^Plumb +\d", said, re.MULTILINE)
    assert not re.search(r"^(Gap|Balanced)", said, re.MULTILINE)
    # 5 mm against a limit of 5: a plumb line says more of a lean, a straightedge nothing
    leaning = table([[str(80 - 2 * k)] * 5 for k in (2.5, 1.9, 1.2, 0.6, 0)])
    unsure = " ".join(report.first_screen(fs.check(read(tmp_path, leaning), tolerance="nf-dtu-25-41-plumb")).split())
    assert unsure.startswith("UNDECIDED until a plumb line or laser readings are added: 5.")


def test_a_reading_that_its_neighbours_deny_stands_first(tmp_path):
    rows = [list(row) for row in FLAT]
    rows[2][2] = "140"
    seen = read(tmp_path, table(rows))
    found = fs.survey(seen)
    made = report.report_of(found)
    assert made.doubts[0].decides
    other = " ".join(report.first_screen(fs.set_out(seen)).split())
    assert other.startswith(
        "NOT TO BE SET OUT until it is read again, or accepted with --accept: the reading 140 mm at 1.10 /"
    )
    said = " ".join(report.first_screen(found).split())
    assert said.startswith("NOT QUOTABLE until the reading 140 mm at x 1.100 m, y 1.300 m is read again. As typed")
    assert "Until then:" in said
    # the notes, on paper and in the document too, begin with it
    assert "140 mm" in say(made.notes[0], "mm")
    assert report.document(found)["notes"][0]["code"] == made.notes[0].code
    # what leads is not told a second time beside it
    assert not any("140 mm" in say(text, "mm") for text in made.beside(shown=True, more=True))
    assert any("140 mm" in say(text, "mm") for text in made.beside(shown=False, more=False))


def test_a_laser_that_moved_leads(tmp_path):
    moved = table(FLAT, "units, mm\nsense, big = hollow\nwidth, 2.2 m\nheight, 2.7 m\ncontrol, 80, 83\n")
    seen = read(tmp_path, moved)
    for job, words in ((fs.survey, "NOT QUOTABLE"), (fs.set_out, "NOT TO BE SET OUT"), (fs.lows, "NOT TO BE FILLED")):
        said = " ".join(report.first_screen(job(seen)).split())
        assert said.startswith(f"{words} until every station is read again: the laser moved by 3.0 mm")


def test_half_the_stations_unread_leads(tmp_path):
    rows = [[cell if k % 2 else "-" for k, cell in enumerate(row)] for row in FLAT]
    said = " ".join(report.first_screen(fs.survey(read(tmp_path, table(rows)))).split())
    assert said.startswith("NOT QUOTABLE until they are read: 15 of 25 stations were not read")
    # one of them is no reason to wait
    rows = [list(row) for row in FLAT]
    rows[1][3] = "-"
    few = doubts_of(found := fs.survey(read(tmp_path, table(rows))), report.report_of(found).notes)
    assert "doubt.unread" not in [doubt.said.code for doubt in few]


# the least that trade texts print for a system (flatscan/plan/systems); 5 mm is what is asked for where nobody said
@pytest.mark.parametrize(("system", "needs"), [("lime", "8 mm"), ("sand-cement-outside", "15 mm")])
def test_a_cover_too_thin_for_the_material_leads(tmp_path, system, needs):
    """Five millimetres of outside render were quoted, with the need for 15 on the fourth page alone."""
    seen = read(tmp_path, table(FLAT))
    for job, words in ((fs.survey, "NOT QUOTABLE"), (fs.set_out, "NOT TO BE SET OUT")):
        said = " ".join(report.first_screen(job(seen, plan=fs.Plan.by(system=system))).split())
        assert said.startswith(f"{words} until the face moves out (--least at {needs} or more): {system[:4]}")
        assert f"needs {needs}, and the thinnest place gets" in said
        thick = " ".join(report.first_screen(job(seen, plan=fs.Plan.by(system=system, least=needs))).split())
        assert f"needs {needs}" not in thick
    # the title block of the sheets says the same as their lead
    cells = report.report_of(fs.survey(seen, plan=fs.Plan.by(system=system))).cells
    assert (say(cells[-1].big), say(cells[-1].small)) == ("more cover", f"the material needs {needs}")


def test_a_wall_54_per_cent_measured_leads(findings_for):
    """The right 46 % of the wall hidden, by the width that is left."""
    whole = findings_for("survey", cell=0.05)
    blind = whole.relief.offset.copy()
    blind[:, round(0.54 * blind.shape[1]) :] = np.nan
    found = dataclasses.replace(whole, relief=dataclasses.replace(whole.relief, offset=blind))
    said = " ".join(screen(found).split())
    share = np.isfinite(blind)[whole.relief.inside].mean()
    assert said.startswith(f"NOT QUOTABLE until the rest is measured: only {share * 100:.0f} % of the wall is measured")
    assert not doubts_of(result_of(whole), ())[:1]


@pytest.mark.parametrize(("high", "leads"), [(0.150, False), (0.260, False), (0.290, True)])
def test_litres_that_may_be_twice_as_many_are_no_quote(survey, high, leads):
    built = dataclasses.replace(survey.build_up, volume=Quantity(0.134, 0.05, "m3"), high=high)
    said = screen(dataclasses.replace(survey, build_up=built))
    assert said.startswith("NOT QUOTABLE until") == leads
    assert ("may be" in said) == (high > 1.15 * 0.134)


def test_an_error_larger_than_the_deepest_gap_leads(findings_for):
    lows = findings_for("lows")
    worst = dataclasses.replace(lows.gaps.worst, u=0.004)
    found = dataclasses.replace(lows, gaps=dataclasses.replace(lows.gaps, worst=worst))
    assert screen(found).startswith("NOT TO BE FILLED until")
    assert not screen(lows).startswith("NOT")


def test_a_stop_sign_stands_before_all_quantities(survey):
    order = dataclasses.replace(survey.take_off, stops=(note("stop.damp"),))
    lines = screen(dataclasses.replace(survey, take_off=order)).splitlines()
    assert lines[0].startswith("STOP")
    assert not any(line.startswith("Cut first") for line in lines)


def test_the_doubts_that_decide_come_first_in_their_order(tmp_path):
    rows = [[cell if k % 2 else "-" for k, cell in enumerate(row)] for row in FLAT]
    moved = table(rows, "units, mm\nsense, big = hollow\nwidth, 2.2 m\nheight, 2.7 m\ncontrol, 80, 83\n")
    found = fs.survey(read(tmp_path, moved))
    doubts = report.report_of(found).doubts
    assert [doubt.said.code for doubt in doubts[:2]] == ["doubt.laser-moved", "doubt.unread"]
    assert [doubt.decides for doubt in doubts] == sorted((doubt.decides for doubt in doubts), reverse=True)


def test_what_changes_the_work_and_stands_in_no_line_is_said_beside_it(check):
    side = note("wall.facing-assumed", off=metres(2.0))
    made = reported(dataclasses.replace(check, warnings=(side, note("capture.last-row-cut", row="1 2"))))
    assert [said.code for said in made.beside(shown=True, more=False)] == ["wall.facing-assumed"]
    assert len(made.beside(shown=True, more=True)) >= 2


def test_nothing_is_said_twice_and_quiet_says_nothing(capsys, tmp_path, monkeypatch):
    from flatscan.cli import run

    monkeypatch.chdir(tmp_path)
    (tmp_path / "wall.csv").write_text(
        table(FLAT, "units, mm\nsense, big = hollow\nwidth, 2.2 m\nheight, 2.7 m\ncontrol, 80, 83\n")
    )
    assert run(["lows", "wall.csv", "--out", "a", "--more"]) == 0
    out, err = capsys.readouterr()
    assert out == ""
    assert " ".join(err.split()).count("laser moved") == 1
    assert run(["lows", "wall.csv", "--out", "b", "--quiet"]) == 0
    out, err = capsys.readouterr()
    assert (out, err) == ("", "")


def test_what_is_set_out_from_readings_says_what_the_laser_reads(tmp_path):
    """A face that is plumb and parallel to the laser plane is one reading everywhere: the smallest less the cover."""
    found = jobs.set_out_seen(read(tmp_path, table(FLAT)), jobs.Requirement(), jobs.Finishing(), options_of(1.8))
    reading = {round(dot.reading, 6) for screed in found.screeds.screeds for dot in screed.dots}
    (one,) = reading
    assert f"all dots read {metres(one).value * 1000:.1f} mm on the laser" in " ".join(
        report.first_screen(found).split()
    )


def options_of(rule):
    from flatscan.plan.screeds import SetOutOptions

    return SetOutOptions(rule=rule)


def test_a_hump_that_one_reading_shows_is_swept_before_it_is_cut_and_stops_nothing(tmp_path):
    rows = [list(row) for row in FLAT]
    rows[2][2] = "67"
    path = tmp_path / "wall.csv"
    path.write_text(table(rows))
    found = jobs.survey(path, jobs.Capturing(), jobs.Requirement(), jobs.Finishing())
    said = " ".join(report.first_screen(found).split())
    assert "H1 at 1.10 / 1.30 m" in said
    assert "only one reading shows H1: sweep before cutting" in said
    doubt = next(one for one in report.document(found)["doubts"] if one["code"] == "doubt.one-reading")
    assert doubt["quotable"]
    assert not hangs_on_readings(found)


def test_a_long_name_stands_whole(survey):
    name = "drying room, north wall, read by the plasterer before quoting, and once more after the electrician"
    made = dataclasses.replace(reported(survey), name=name)
    first = dataclasses.replace(made.first[0], label=name)
    lines = report.first_screen(dataclasses.replace(made, first=(first, *made.first[1:]))).splitlines()
    assert name in " ".join(" ".join(lines).split())
    assert max(map(len, lines)) <= 79
