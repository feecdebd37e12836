"""A wall of 77 laser readings with a window, a pipe chase and four humps, worked by hand.

4.2 m x 2.6 m; columns at 0.1, 0.5 ... 4.1 m, rows at 0.1, 0.5 ... 2.5 m. It reads 120 mm everywhere but 150 mm down the
chase (x 3.3 m, 100 mm wide) and less at four humps. The window is 1.2 m x 1.2 m, six stations lie in it. By hand:

    net area  4.2 x 2.6 - 1.44 = 9.48 m2, of which the chase is 0.26: the wall's coat lies on 9.22 m2
    face      the highest reading is 111 mm, the cover 5 mm: the face reads 106 mm, 14 mm before the wall
    humps     own 0.4 x 0.4 = 0.16 m2, and beside the chase (0.2 + 0.4 - 0.05) x 0.4 = 0.22 m2; that at 2.9, 1.7 owns
              as well what no station in the window takes, 0.1 x 0.4 less a corner of 0.1 x 0.1 / 2: 0.255 m2
    coat      9.22 x 14 - (9 x 0.16 + 7 x 0.255 + 6 x 0.16 + 8 x 0.22) = 129.08 - 5.945 = 123.135 litres
    chase     0.26 x 30 = 7.8 litres, and more by what humps beside it raise the wall around it
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

import flatscan as fs
from flatscan import report

COLUMNS, ROWS = np.round(np.arange(11) * 0.4 + 0.1, 1), np.round(np.arange(7) * 0.4 + 0.1, 1)
WINDOW, CHASE = "opening, 1.4, 0.9, 2.6, 2.1", "pocket, 3.25, 0, 3.35, 2.6"
HUMPS = {(0.9, 0.5): 9, (2.9, 1.7): 7, (0.5, 2.1): 6, (3.7, 0.5): 8}
NET, COAT = 9.48, 123.135


def wall(head=(WINDOW, CHASE), *, base=120, changed=None, units="mm", control="120, 120.5"):
    """The table as it is typed, highest row first; ``changed`` are readings at places (x, y)."""
    lines = [f"units, {units}", "sense, big = hollow", "width, 4.2 m", "height, 2.6 m", f"control, {control}", *head]
    lines += ["", ", " + ", ".join(map(str, COLUMNS))]
    for y in ROWS[::-1]:
        row = []
        for x in COLUMNS:
            reading = base + (30 if x == 3.3 else 0) - HUMPS.get((x, y), 0)
            in_window = 1.4 < x < 2.6 and 0.9 < y < 2.1
            row.append("-" if in_window else str((changed or {}).get((x, y), reading)))
        lines.append(f"{y}, " + ", ".join(row))
    return "\n".join(lines) + "\n"


@pytest.fixture
def survey(flatscan, tmp_path):
    def run(text, *options, name="wall.csv"):
        (tmp_path / name).write_text(text)
        ran = flatscan("survey", name, "--json", *options)
        return ran.code, ran.document if ran.out else ran.err

    return run


def volume(document):
    return document["material"]["volume_l"]


def test_window_and_chase_of_the_table_are_those_worked_by_hand(survey):
    code, found = survey(wall())
    material, seen = found["material"], found["wall"]
    assert code == 0
    assert_allclose([seen["area_m2"], seen["gross_area_m2"]], [NET, 10.92], atol=1e-3)
    assert_allclose([material["least_mm"], material["most_mm"]], [5, 14], atol=0.02)
    assert_allclose([material["volume_l"], material["mean_mm"]], [COAT, COAT / 9.22], atol=0.02)
    assert material["stops"] == []
    (pocket,) = material["pockets"]
    # the plane around a reading leans on eight stations, two of them humps of 7 and 8 mm at three of the seven rows
    assert_allclose(pocket["litres"], 7.8, atol=0.26 * 8 * 3 / 7)
    assert pocket["litres"] > 7.8
    # over the filled chase goes the coat of the wall beside it: 0.26 m2 under 14 mm and less
    assert_allclose(pocket["coat_litres"], 0.26 * 14, atol=0.26 * 8 * 3 / 7)
    assert_allclose([seen["openings"][0][key] for key in ("left_mm", "width_mm")], [1400, 1200])
    assert seen["openings"][0]["from"] == "given"


def test_the_same_by_options(survey):
    by_table = survey(wall())[1]
    by_hand = survey(wall(()), "--opening", "1.4,0.9,2.6,2.1", "--pocket", "3.25,0,3.35,2.6")[1]
    assert by_hand["material"]["pockets"] == by_table["material"]["pockets"]
    assert by_hand["material"]["volume_l"] == by_table["material"]["volume_l"]
    assert by_hand["wall"]["openings"] == by_table["wall"]["openings"]


def test_without_the_window_its_area_is_plastered_too(survey):
    """Six stations are missing then, and their area goes to neighbours of 14 mm, but for the hump at 2.9, 1.7."""
    found = survey(wall((CHASE,)))[1]
    assert_allclose(found["wall"]["area_m2"], 10.92, atol=1e-3)
    assert COAT + 1.44 * 14 - 7 * 0.3 < volume(found) <= COAT + 1.44 * 14


def test_a_part_that_is_not_plastered_leaves_the_net_area(survey):
    """0.4 m x 0.4 m at the upper left corner, with the station in it: its neighbours own what is left of its ground."""
    found = survey(wall((WINDOW, CHASE, "skip, 0, 2.2, 0.4, 2.6")))[1]
    assert_allclose(found["wall"]["area_m2"], NET - 0.16, atol=1e-3)
    # a hump of 6 mm at 0.5, 2.1 may own as much as 0.03 m2 more or less
    assert_allclose(volume(found), COAT - 0.16 * 14, atol=6 * 0.03)
    assert found["wall"]["skips"][0]["width_mm"] == 400


def test_a_chase_that_nobody_named_is_told_by_its_run_of_readings(survey):
    code, found = survey(wall((WINDOW,)))
    named = survey(wall())[1]
    assert code == 0
    assert found["material"]["stops"] == []
    (pocket,) = found["material"]["pockets"]
    assert pocket["named"] == "no"
    # one line of stations tells no width: taken as 100 mm, which here it is
    assert pocket["litres"] == named["material"]["pockets"][0]["litres"]
    assert pocket["u_litres"] > 0.3 * pocket["litres"]
    assert volume(found) == volume(named)
    assert any("looks like a chase" in text and "'pocket, 3.250 m" in text for text in found["capture"]["warnings"])


def test_deep_readings_that_are_accepted_are_wall(survey):
    """Then the chase's column owns 0.4 m: 44 mm of coat, over 40 mm on 1.04 m2, and that is a stop sign."""
    accept = [option for y in ROWS for option in ("--accept", f"3.3,{y}")]
    code, found = survey(wall((WINDOW,)), *accept)
    assert code == 0
    assert found["material"]["pockets"] == []
    assert_allclose(found["material"]["most_mm"], 44, atol=0.02)
    assert len(found["material"]["stops"]) == 1


def test_a_fixed_point_of_the_table_is_a_point_of_the_face(survey):
    """The lining reads 100 mm: the face stands 20 mm before the wall, so 6 mm more than by the highest hump."""
    found = survey(wall((WINDOW, CHASE, "fixed, 2, 0.9, 100, window lining")))[1]
    assert_allclose(found["material"]["plane"]["at_left_foot_mm"], -100, atol=0.02)
    assert_allclose(volume(found), COAT + 9.22 * 6, atol=0.05)
    # big = proud turns readings and fixed points alike
    turned = wall((WINDOW, CHASE, "fixed, 2, 0.9, -100")).replace("hollow", "proud").replace("120, 120.5", "-120, -120")
    body = turned.partition("\n\n")
    rows = [line.split(", ") for line in body[2].splitlines()]
    flipped = [rows[0], *([row[0], *("-" if cell == "-" else f"-{cell}" for cell in row[1:])] for row in rows[1:])]
    text = body[0] + "\n\n" + "\n".join(", ".join(row) for row in flipped) + "\n"
    assert_allclose(volume(survey(text)[1]), COAT + 9.22 * 6, atol=0.05)


@pytest.mark.parametrize(
    ("base", "typed", "meant"), [(140, "14", 140), (133, "113", 133), (144, "154", 144)], ids=("14", "113", "154")
)
def test_a_slip_stops_the_quote_and_gives_both_answers(survey, base, typed, meant):
    """At 1.3, 0.5: a digit left out, a wrong digit proud of the wall, a wrong digit hollow of it."""
    control = f"{base}, {base}.5"
    sound = survey(wall(base=base, control=control))[1]
    text = wall(base=base, control=control, changed={(1.3, 0.5): typed})
    code, found = survey(text)
    assert code == 4
    (without,) = found["material"]["without"]
    assert_allclose([without[key] for key in ("x_mm", "y_mm")], [1300, 500])
    assert_allclose([without["reading_mm"], without["meant_mm"]], [float(typed), meant])
    assert_allclose([without["volume_l"], without["order_l"]], [volume(sound), sound["material"]["order_l"]], atol=1e-3)
    # as typed: the hump or hollow owns 0.16 m2, and a hump over the highest moves the face for all
    deep = (float(typed) - base) * 0.16
    moved = max(0.0, base - 9 - float(typed)) * 9.22
    assert_allclose(volume(found), COAT + moved + deep, atol=0.05)
    assert found["notes"][0]["code"] in ("jobs.stop-hangs", "grid.station")
    assert found["material"]["stops"] == []
    assert any(f"{meant} mm" in text for text in found["capture"]["warnings"])
    # the true humps are left alone, and once accepted so is the reading
    code, accepted = survey(text, "--accept", "1.3,0.5")
    assert code == 0
    assert accepted["material"]["without"] == []
    assert accepted["material"]["volume_l"] == volume(found)
    assert any("accepted as right" in text for text in accepted["capture"]["warnings"])


def test_not_quotable_leads_the_screen(tmp_path):
    (tmp_path / "wall.csv").write_text(wall(base=140, control="140, 140", changed={(1.3, 0.5): 14}))
    words = " ".join(report.summary(fs.survey(tmp_path / "wall.csv")).split())
    assert "NOT QUOTABLE until the reading at x 1.300 m, y 0.500 m is settled: 14 mm, or 140 mm?" in words
    assert words.index("NOT QUOTABLE") < words.index("Build-up")


def test_accepting_a_place_without_a_reading_is_an_error(survey):
    code, said = survey(wall(), "--accept", "1.5,0.7")
    assert code == 1
    assert "no reading at x 1.500 m, y 0.700 m" in said


def test_a_table_in_cm_under_mm_is_told_by_its_control_or_by_its_size(survey):
    head, _, body = wall().partition("\n\n")
    rows = [line.split(", ") for line in body.splitlines()]
    small = [rows[0]] + [[r[0], *(c if c == "-" else f"{float(c) / 100:g}" for c in r[1:])] for r in rows[1:]]
    tenth = [rows[0]] + [[r[0], *(c if c == "-" else f"{float(c) / 10:g}" for c in r[1:])] for r in rows[1:]]

    def text(table, top):
        return top + "\n\n" + "\n".join(", ".join(row) for row in table) + "\n"

    code, said = survey(text(tenth, head))
    assert code == 1
    assert "the readings look typed in cm" in said
    alone = head.replace("control, 120, 120.5\n", "")
    code, found = survey(text(small, alone))
    assert code == 4
    assert any("is mm their unit?" in words for words in found["capture"]["warnings"])
    # stated once more by hand, it is the user's
    assert survey(text(small, alone), "--file-unit", "mm")[0] == 0


def test_beads_and_reveals_of_a_window_on_readings_are_counted(survey):
    """Jambs and head of the window: 3 x 1.2 m."""
    assert_allclose(survey(wall())[1]["extras"]["beads_m"], 3.6)


def test_a_check_says_what_was_left_out_by_hand(flatscan, tmp_path):
    (tmp_path / "wall.csv").write_text(wall())
    ran = flatscan("check", "wall.csv", "--limit", "3mm", "--skip", "0,0,4.2,0.3", "--json")
    assert ran.code in (3, 4)
    assert any("4200 mm x 300 mm left out by hand" in said for said in ran.document["verdict"]["restricted"])


def test_nothing_is_set_out_on_a_slip_or_on_a_laser_that_moved_without_a_word(flatscan, tmp_path):
    """Exit code 4 until it is settled, whichever command plans on it."""
    slip, moved = (
        wall(control="140, 140.5", changed={(1.3, 0.5): "14"}),
        wall(control="140, 146"),
    )
    for text in (slip, moved):
        (tmp_path / "wall.csv").write_text(text)
        assert flatscan("survey", "wall.csv", "--json").code == 4
        assert flatscan("setout", "wall.csv", "--json").code == 4


def test_a_plan_that_cannot_be_ends_with_one_and_shows_the_nearest(flatscan, tmp_path):
    (tmp_path / "wall.csv").write_text(wall())
    asked = ("survey", "wall.csv", "--least", "4mm", "--most", "5mm", "--json")
    ran = flatscan(*asked)
    assert ran.code == 1
    assert ran.document["notes"][0]["code"] == "plan.cannot"
    assert ran.document["material"]["volume_l"] > 0
