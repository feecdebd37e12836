"""Readings that their neighbours and the control make unlikely, and what slip of the hand explains them."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from prove_doubts import tried

from flatscan.core.holes import Opening
from flatscan.core.model import Origin, Readings
from flatscan.relief.doubted import doubt_notes, doubted
from flatscan.relief.foretold import foretold
from flatscan.relief.laser_stations import wall_of
from flatscan.relief.mistyped import meant_by
from flatscan.report.say import say

ORIGIN = Origin("made.csv", "0", "laser grid", "mm", 77)
COLUMNS, ROWS = np.arange(11) * 0.4 + 0.1, np.arange(7) * 0.4 + 0.1


def table(reading, *, x=COLUMNS, y=ROWS, unit="mm", **more):
    """Readings [mm] (rows, cols) of a wall, big = hollow."""
    across, upward = (at.ravel() for at in np.meshgrid(x, y))
    origin = Origin("made.csv", "0", "laser grid", unit, len(across))
    return Readings(origin, across, upward, -np.ravel(reading) / 1000, 0.0006, 4.2, 2.6, **more)


def plain(middle=140.0, seed=3, at=(3, 5)):
    """A wall that leans and bellies a little, rough to 1.5 mm but as it should be ``at`` one station, where it reads
    ``middle``; as a hand reads it: to half a millimetre."""
    across, upward = np.meshgrid(COLUMNS, ROWS)
    form = 2 * upward - across + 4 * np.sin(np.pi * across / 4.2)
    rough = np.random.default_rng(seed).normal(0, 1.5, form.shape)
    rough[at] = 0
    return np.round(2 * (form - form[at] + middle + rough)) / 2


def found_in(readings, accepted=(), **holes):
    wall, _ = wall_of(readings, 0.0002)
    return doubted(readings, replace(wall, **holes), accepted)


def test_what_is_left_out_is_foretold_as_kriging_would():
    """The value and deviation of a reading by the others are those of a fit in which it has no part at all."""
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 4, 30), rng.uniform(0, 2.5, 30)
    z = 0.003 * np.sin(2 * x) + rng.normal(0, 0.001, 30)
    none = np.zeros(30, dtype=bool)
    whole = foretold(x, y, z, none, 0.0006)
    for left in (0, 7, 29):
        wild = z.copy()
        wild[left] += 0.5
        out = none.copy()
        out[left] = True
        # a reading that foretells nothing may be anything: what is foretold for it does not move
        assert_allclose(foretold(x, y, wild, out, 0.0006).value[left], foretold(x, y, z, out, 0.0006).value[left])
        assert abs(foretold(x, y, z, out, 0.0006).value[left] - whole.value[left]) < 0.002


def test_many_stations_are_foretold_in_parts_as_a_plane_is():
    x, y = (at.ravel() for at in np.meshgrid(np.arange(30) * 0.1, np.arange(10) * 0.1))
    z = 0.01 * x - 0.02 * y + 0.05
    assert_allclose(foretold(x, y, z, np.zeros(len(x), bool), 0.0006).value, z, atol=1e-5)


def test_wild_readings_among_many_are_told_along_the_whole_wall():
    """Some 400 stations are looked at in stretches; one form is taken for all, and each stretch gives its own."""
    x, y = np.arange(50) * 0.2 + 0.1, np.arange(8) * 0.3 + 0.1
    rng = np.random.default_rng(4)
    reading = 120 + 3 * np.sin(x) + np.zeros((8, 1)) + rng.normal(0, 1, (8, 50))
    wild = ((1, 3), (4, 24), (6, 46))
    for at in wild:
        reading[at] += 40
    readings = replace(table(reading, x=x, y=y), width=10.0, height=2.4)
    assert {(one.x, one.y) for one in found_in(readings)} == {(float(x[col]), float(y[row])) for row, col in wild}
    # two beside each other, and one far off: the far one does not wait for these
    reading[1, 4] += 40
    assert len(found_in(replace(table(reading, x=x, y=y), width=10.0, height=2.4))) == 4


@pytest.mark.parametrize(
    ("typed", "meant", "words"),
    [(14, 140, "did you mean 140 mm"), (1400, 140, "did you mean 140 mm"), (410, 140, "two digits swapped")],
)
def test_gross_slips_are_named_with_what_was_meant(typed, meant, words):
    reading = plain(140.0)
    sound = table(reading)
    reading[3, 5] = typed
    readings = table(reading)
    assert found_in(sound) == ()
    (one,) = found_in(readings)
    assert_allclose(
        [one.x, one.y, one.reading, one.meant, one.offset], [2.1, 1.3, typed / 1e3, meant / 1e3, -meant / 1e3]
    )
    assert abs(one.expected - 0.140) < 3 * one.sd
    assert words in say(doubt_notes(readings, (one,))[0])


@pytest.mark.parametrize(
    ("typed", "meant", "at"),
    [
        (113, 133, (3, 5)),
        (113, 133, (0, 4)),
        (113, 133, (3, 10)),
        (154, 144, (3, 5)),
        (154, 144, (2, 8)),
        (103, 133, (0, 0)),
        (103, 133, (6, 10)),
    ],
)
def test_one_wrong_digit_is_named_also_at_edges_and_corners(typed, meant, at):
    """20 mm proud at an edge, 10 mm hollow within, 30 mm proud in a corner."""
    reading = plain(meant, seed=9, at=at)
    assert found_in(table(reading)) == ()
    reading[at] = typed
    (one,) = found_in(table(reading))
    assert (one.x, one.y) == (COLUMNS[at[1]], ROWS[at[0]])
    # 131 is 113 with two digits swapped, 133 with one struck twice: neighbours tell the two apart to a millimetre only
    assert meant in [round(1e3 * value, 3) for value in (one.meant, one.also) if value is not None]


def test_a_true_hump_beside_a_slip_is_not_blamed_for_it():
    """A hump of 12 mm read at two stations, and 154 typed for 144 beside it."""
    reading = plain(144.0, seed=9)
    reading[3, 6] -= 12
    reading[2, 6] -= 10
    reading[3, 5] = 154
    assert [(one.x, one.y) for one in found_in(table(reading))] == [(COLUMNS[5], ROWS[3])]


@pytest.mark.parametrize("height", [10, 13, 15])
def test_a_narrow_hump_is_a_hump(height):
    reading = plain()
    reading[3, 5] -= height
    assert found_in(table(reading)) == ()


def test_a_high_spot_that_was_swept_for_is_no_wonder():
    reading = plain()
    high = np.concatenate([reading.ravel(), [reading[3, 5] - 30]])
    across, upward = (at.ravel() for at in np.meshgrid(COLUMNS, ROWS))
    x, y = np.append(across, 2.3), np.append(upward, 1.5)
    swept = Readings(ORIGIN, x, y, -high / 1e3, 0.0006, 4.2, 2.6, highs=1)
    assert found_in(swept) == ()
    assert len(found_in(Readings(ORIGIN, x, y, -high / 1e3, 0.0006, 4.2, 2.6))) == 1


def test_a_row_typed_in_cm_is_named_and_its_neighbours_are_not():
    reading = plain()
    reading[2] = np.round(reading[2] / 10, 1)
    found = found_in(table(reading))
    assert {one.y for one in found} == {ROWS[2]}
    assert len(found) == 11
    assert all(one.meant is not None and 0.12 < one.meant < 0.16 for one in found)


def test_what_is_accepted_is_right_and_makes_no_other_unlikely():
    reading = plain()
    reading[3, 5] = 14
    assert found_in(table(reading), accepted=((2.12, 1.31),)) == ()


def test_readings_in_openings_and_chases_are_not_asked():
    reading = plain()
    reading[2:5, 4:7] = 14
    assert len(found_in(table(reading))) > 0
    assert found_in(table(reading), openings=(Opening(1.6, 0.8, 1.0, 1.2),)) == ()
    assert found_in(table(reading), pockets=(Opening(1.6, 0.8, 1.0, 1.2),)) == ()


def test_the_control_says_what_was_meant_and_clears_what_it_agrees_with():
    """The form's number 1 stands at the lower left: typed 130 for 103, read 103 first; and 130 that was read twice."""
    reading = plain(103.0, at=(0, 0))
    reading[0, 0] = 130
    (one,) = found_in(table(reading, control=-0.103))
    assert one.meant == pytest.approx(0.103)
    assert found_in(table(reading, control=-0.130)) == ()
    elsewhere = doubt_notes(table(plain()), ())
    assert elsewhere == ()
    (said,) = doubt_notes(table(plain(), control=-0.165), ())
    assert "the control reads 165 mm" in say(said)


@pytest.mark.parametrize(
    ("typed", "unit", "expected", "meant"),
    [
        (0.014, "mm", 0.1391, 0.140),
        (0.113, "mm", 0.1326, 0.133),
        (0.154, "mm", 0.1443, 0.144),
        (1.405, "mm", 0.1402, 0.1405),
        (0.0143, "cm", 0.1430, 0.143),
        (0.14, "cm", 0.0141, 0.014),
        (7.875 * 0.0254, "in", 5.9 * 0.0254, 5.875 * 0.0254),
        (0.0055, "mm", 0.1397, 0.1397),
    ],
)
def test_slips_of_the_hand(typed, unit, expected, meant):
    found = meant_by(typed, unit, expected, 0.001)
    assert found is not None
    assert found.reading == pytest.approx(meant)


def test_what_no_single_slip_explains_is_left_unexplained():
    assert meant_by(0.1415, "mm", 0.1277, 0.0005) is None


@pytest.mark.parametrize("sort", ["blobs", "courses", "slabs"])
def test_slips_of_20_mm_are_found_and_rough_walls_are_left_alone(sort):
    """25 walls of each sort, seeded; methods/trade 11 has the figures of more."""
    false, found, _ = tried(sort, 25, 77)
    # with 5 % of false alarms 5 or more of 25 come up once in 140 times, with 90 % found 19 or fewer once in 100
    assert false <= 4
    assert found >= 20
