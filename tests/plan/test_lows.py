"""Lows and ridges by hand, closed form, and from damaged input."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.errors import BadTable, BadValue, ReadError
from flatscan.plan.lows import (
    HandReading,
    Low,
    bowl_volume,
    by_hand,
    find_lows,
    in_order,
    lows_from_readings,
    lows_under_plane,
    read_hand_readings,
    ridges_over_plane,
    what_is_left,
)
from flatscan.plan.ridges import find_ridges
from flatscan.report.say import say

CELL = 0.02


class Plane:
    def __init__(self, offset, turn=0.0, lean=0.0):
        self.offset, self.turn, self.lean = offset, turn, lean


def cells_of(width, height, surface):
    x, y = (np.arange(round(size / CELL)) * CELL + CELL / 2 for size in (width, height))
    across, upward = np.meshgrid(x, y)
    z = surface(across, upward) + 0.0 * across
    return grid_of(z, CELL, count=1)


def box(x, y, at, size):
    return (np.abs(x - at[0]) < size / 2) & (np.abs(y - at[1]) < size / 2)


def test_two_lows_by_hand():
    """A pocket 0.2 m square 5 mm deep: 0.2 L; one 0.4 m square 3 mm deep: 0.48 L; a 1.5 mm one is left alone."""
    relief = cells_of(
        3,
        2,
        lambda x, y: (
            -0.005 * box(x, y, (0.5, 0.5), 0.2)
            - 0.003 * box(x, y, (2.0, 1.0), 0.4)
            - 0.0015 * box(x, y, (1.2, 1.6), 0.2)
        ),
    )
    first, second = find_lows(relief, -relief.offset)
    assert_allclose([first.depth, first.area, first.volume], [0.005, 0.04, 0.0002], rtol=1e-9)
    assert_allclose([second.depth, second.area, second.volume], [0.003, 0.16, 0.00048], rtol=1e-9)
    assert (first.number, second.number) == (1, 2)
    assert_allclose([first.x, first.y], [0.5, 0.5], atol=0.1)
    assert_allclose([second.width, second.height], [0.4, 0.4], atol=1e-9)
    assert say(what_is_left((first, second))) == "2 lows to fill with 0.7 litres, then rule and read again."


def test_it_ends_when_nothing_is_over_the_limit():
    relief = cells_of(1, 1, lambda x, y: -0.002 * box(x, y, (0.5, 0.5), 0.2))
    assert find_lows(relief, -relief.offset) == ()
    assert say(what_is_left(())) == "Nothing over 2 mm: leave it alone."


def test_under_and_over_the_screed_plane():
    relief = cells_of(
        2, 2, lambda x, y: 0.001 * x - 0.004 * box(x, y, (0.5, 0.5), 0.2) + 0.003 * box(x, y, (1.5, 1.5), 0.2)
    )
    plane = Plane(0.0, turn=0.001)
    (low,) = lows_under_plane(relief, plane)
    (ridge,) = ridges_over_plane(relief, plane)
    assert_allclose([low.depth, low.volume], [0.004, 0.00016], rtol=1e-9)
    assert_allclose([ridge.depth, ridge.volume], [0.003, 0.00012], rtol=1e-6)


def test_ridges_without_a_plane():
    """A trowel ridge 60 mm wide and 3 mm high on a leaning wall; a 1 m broad swell is none."""
    relief = cells_of(3, 2, lambda x, y: 0.005 * y + 0.003 * (np.abs(x - 1.51) < 0.03))
    (ridge,) = find_ridges(relief)
    assert_allclose(ridge.depth, 0.003, atol=2e-4)
    assert ridge.x == pytest.approx(1.51, abs=0.03)
    assert find_ridges(cells_of(3, 2, lambda x, y: 0.006 * np.exp(-((x - 1.5) ** 2 + (y - 1) ** 2) / 0.5))) == ()


def test_missing_cells_belong_to_no_low():
    """A pocket 0.4 m square, half of it not measured."""
    relief = cells_of(1, 1, lambda x, y: np.where(x < 0.5, np.nan, -0.004 * box(x, y, (0.5, 0.5), 0.4)))
    (low,) = find_lows(relief, np.where(relief.valid, -relief.offset, 0.004))
    assert_allclose([low.area, low.volume], [0.08, 0.08 * 0.004], rtol=1e-9)
    assert find_lows(relief, np.full(relief.offset.shape, np.nan)) == ()


def test_bowl_by_numerical_integration():
    """An elliptic paraboloid d (1 - r^2) over w x h holds half its rim's area times its depth."""
    x, y = np.meshgrid(*2 * [np.linspace(-0.9995, 0.9995, 2000)])
    deep = np.clip(1 - x**2 - y**2, 0, None).mean() * 4 * 0.2 * 0.15 * 0.005
    assert_allclose(bowl_volume(0.005, 0.4, 0.3), deep, rtol=1e-4)


def test_handful_of_readings():
    """4 mm over 0.4 x 0.3 m: pi/8 x 0.004 x 0.12 = 0.19 L; 2 mm is not over the limit; 0.02 L is not worth mixing.

    Depth to 0.5 mm in 4, width and height to 15 %: u = 0.19 L x sqrt(0.125^2 + 2 x 0.15^2) = 0.19 L x 0.246.
    """
    readings = [HandReading(1, 1, 0.002, 1, 1), HandReading(2, 1, 0.004, 0.4, 0.3), HandReading(3, 1, 0.005, 0.1, 0.1)]
    (found,), said = by_hand(readings)
    assert found.x == 2
    assert_allclose(found.volume, np.pi / 8 * 0.004 * 0.12, rtol=1e-12)
    assert_allclose(found.u / found.volume, 0.2462, atol=1e-4)
    assert [one.code for one in said] == ["plan.lows-small"]


def test_in_the_order_of_one_walk():
    """Stands of 1.2 m from the left, each from the top down; the rank goes by depth."""
    places = [(2.0, 0.3, 0.003), (0.4, 0.5, 0.004), (1.1, 2.2, 0.002), (1.3, 2.4, 0.005)]
    walked = in_order(Low(0, x, y, depth, 0.1, 1e-4) for x, y, depth in places)
    assert [(low.number, low.x, low.rank) for low in walked] == [(1, 1.1, 4), (2, 0.4, 2), (3, 1.3, 1), (4, 2.0, 3)]


def test_readings_from_a_file(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("x_m, y_m, depth_mm, width_mm, height_mm\n1.2, 0.8, 4, 400, 300\n\n2.0, 1.5, 3.5, 30, 20\n")
    (first, second), _ = read_hand_readings(path)
    assert_allclose([first.x, first.depth, first.width, second.depth], [1.2, 0.004, 0.4, 0.0035])
    inches = tmp_path / "inches.csv"
    inches.write_text("x_ft,y_ft,depth_in,width_in,height_in\n10,3,0.25,12,12\n")
    ((one,), _) = read_hand_readings(inches)
    assert_allclose([one.x, one.depth], [3.048, 0.00635])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x_m,y_m,depth_mm,width_mm,height_mm\n1,1,-3,100,100\n", "line 2, column depth_mm.*negative"),
        ("x_m,y_m,depth_mm,width_mm,height_mm\n1,1,deep,100,100\n", "line 2, column depth_mm.*'deep'"),
        ("x_m,y_m,depth_mm,width_mm,height_mm\n1,1,3,100\n", "column height_mm.*'' is not a number.*ends before it"),
        ("x_m,y_m,depth_mm,width_mm,height_mm\n-1,1,3,100,100\n", "line 2: x -1.00 m lies off the wall; needed: 0 to"),
        ("x_m,y_m,depth_mm,width_mm,height_mm\n1,250,3,100,100\n", "y 250.00 m lies off the wall; needed: 0 to 100 m"),
        ("x_m,y_m,depth\n1,1,3\n", "no column for depth, width, height"),
        ("x_m,y_m,depth_mm,width_mm,height_mm\n", "no rows"),
        ("", "no column"),
    ],
)
def test_damaged_readings(tmp_path, text, says):
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(BadTable, match=says):
        read_hand_readings(path)


def test_a_place_off_a_wall_of_known_size_is_refused_and_a_cut_off_row_said(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("x_m, y_m, depth_mm, width_mm, height_mm\n1.2, 0.8, 4, 400, 300")
    _, said = read_hand_readings(path, 1.2, 0.8)
    assert [one.code for one in said] == ["table.no-line-end"]
    with pytest.raises(BadTable, match="y 0.80 m lies off the wall; needed: 0 to 0.79 m, the height given"):
        read_hand_readings(path, 1.2, 0.79)


def test_missing_file(tmp_path):
    with pytest.raises(ReadError, match="cannot be read"):
        read_hand_readings(tmp_path / "none.csv")


def test_input_that_makes_no_sense():
    relief = cells_of(1, 1, lambda x, y: 0.0)
    for bad in (
        lambda: find_lows(relief, np.zeros((2, 2))),
        lambda: find_lows(relief, relief.offset, limit=-1),
        lambda: lows_from_readings([HandReading(0, 0, -0.003, 1, 1)]),
        lambda: lows_from_readings([HandReading(0, 0, float("nan"), 1, 1)]),
    ):
        with pytest.raises(BadValue):
            bad()
