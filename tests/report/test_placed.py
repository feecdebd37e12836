"""Figures stay by their places, on nothing else drawn, and lines from marks end where the mark means."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.geometry import plumb_frame
from flatscan.core.holes import GIVEN, Opening
from flatscan.core.model import Plumb, Wall
from flatscan.report import form
from flatscan.report.bands import Spot
from flatscan.report.figures import apart, elevation, style, titleblock
from flatscan.report.figures.placed import BESIDE, OVER, write_figures

WINDOW, CHASE = Opening(1.6, 0.9, 1.1, 1.2, GIVEN), Opening(3.42, 0.0, 0.1, 2.6, GIVEN)


@pytest.fixture
def drawn():
    """An empty elevation of 4.2 x 2.6 m with a window and a chase."""
    frame = plumb_frame(np.zeros(3), np.array((0.0, -1.0, 0.0)), np.array([0.0, 0.0, 1.0]))
    outline = np.array([[0, 0], [4.2, 0], [4.2, 2.6], [0, 2.6]], float)
    wall = Wall(1, frame, outline, (WINDOW,), 1.0, "given", "given", Plumb("given", 0.0), pockets=(CHASE,))
    figure = style.new_figure((8.27, 11.69))
    with style.sheet_style():
        yield wall, elevation.wall_axes(figure, (0.8, 3.0, 6.5, 5.0), wall, "mm")


def boxes(axes):
    """Of each figure its box [m on the wall]."""
    axes.figure.draw_without_rendering()
    back = axes.transData.inverted()
    for text in axes.texts:
        box = text.get_window_extent()
        yield (*back.transform((box.x0, box.y0)), *back.transform((box.x1, box.y1)))


def meet(a, b):
    return min(a[2], b[2]) - max(a[0], b[0]) > 1e-3 and min(a[3], b[3]) - max(a[1], b[1]) > 1e-3


@pytest.mark.parametrize("around", [OVER, BESIDE])
@pytest.mark.parametrize("text", ["−12.5", "11/16 in"])
def test_figures_stay_by_their_places_on_nothing_else(drawn, around, text):
    wall, axes = drawn
    places = list(itertools.product((0.1, 0.55, 1.0, 2.8, 3.7, 4.1), (0.1, 0.45, 0.8, 1.15, 2.2, 2.5)))
    write_figures(axes, wall, places, [text] * len(places), largest=12, off=0.05, around=around)
    found = list(boxes(axes))
    assert len(found) == len(places)
    assert len({t.get_fontproperties().get_size() for t in axes.texts}) == 1
    for (x, y), box in zip(places, found, strict=True):
        assert min(box[:2]) > 0
        assert box[2] < 4.2
        assert box[3] < 2.6
        # no further off than its own size and the air around its mark
        away = np.hypot(max(box[0] - x, 0, x - box[2]), max(box[1] - y, 0, y - box[3]))
        assert away < 0.12
        for hole in (WINDOW, CHASE):
            assert not meet(box, (hole.left, hole.bottom, hole.right, hole.top))
    assert not any(meet(a, b) for a, b in itertools.combinations(found, 2))


def test_a_station_in_a_corner_has_its_number_too():
    """A small elevation, stations 0.1 m off corners and 0.2 m from the next: that one makes room."""
    frame = plumb_frame(np.zeros(3), np.array((0.0, -1.0, 0.0)), np.array([0.0, 0.0, 1.0]))
    outline = np.array([[0, 0], [2.4, 0], [2.4, 2.5], [0, 2.5]], float)
    wall = Wall(1, frame, outline, (), 1.0, "given", "given", Plumb("given", 0.0))
    places = list(itertools.product((0.1, 0.5, 0.9, 1.3, 1.7, 2.1, 2.3), (0.1, 0.6, 1.2, 1.8, 2.4)))
    with style.sheet_style():
        axes = elevation.wall_axes(style.new_figure((8.27, 11.69)), (0.8, 3.0, 1.8, 1.875), wall, "mm")
        write_figures(axes, wall, places, ["1.6"] * len(places), largest=10, off=0.05)
        found = list(boxes(axes))
    assert len(found) == len(places)
    assert not any(meet(a, b) for a, b in itertools.combinations(found, 2))
    assert max(box[2] for box in found) < 2.4
    assert max(box[3] for box in found) < 2.5


def test_a_spots_place_is_not_cut_short_in_a_narrow_list():
    """By hand: 2.3 m is 90.55 in, 2.4 m is 94.49 in."""
    figure = style.new_figure((8.27, 11.69))
    titleblock.spot_list(figure, (5.9, 3.0, 1.55, 2.0), (Spot("L1", 2.3, 2.4, -0.003, "hollow"),), "in")
    words = [text.get_text() for text in figure.texts]
    assert words[2:4] == ["7 ft 6 9/16 in /", "7 ft 10 1/2 in"]
    assert not any("…" in one for one in words)
    tops = [text.get_position()[1] for text in figure.texts]
    assert tops[4] < tops[3] < tops[2]


def test_a_mark_that_moved_points_to_its_own_place(drawn):
    wall, axes = drawn
    write_figures(axes, wall, [(1.0, 2.5), (1.45, 2.5)], ["19.0"] * 2, largest=12, off=0.05)
    # both marks want the same place under their station
    elevation.mark_spots(axes, tuple(Spot(mark, 1.0, 2.5, 0.004, "proud") for mark in ("L1", "L2")), beside=True)
    apart.settle(axes)
    ends = [line.get_xydata()[0] for line in axes.lines if line.get_marker() == "o"]
    assert len(ends) >= 1
    for end in ends:
        assert_allclose(end, (1.0, 2.5))


@pytest.mark.parametrize("units", ["mm", "in"])
def test_no_box_of_the_form_crosses_the_walls_edge(units):
    blank = form.Blank(4.2, 2.6, units=units)
    with style.sheet_style():
        (axes,) = form.elevation(blank, units, "a4").axes
    right = [patch.get_x() + patch.get_width() for patch in axes.patches if patch.get_width() < 1.0]
    assert len(right) == len(form.stations(blank))
    assert max(right) < 4.2
