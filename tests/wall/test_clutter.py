"""A furnished room of known truth through to the relief: lean, offsets, gap and coverage of the measured wall.

Ray-cast from two stations with 3 mm range noise, half of the edge rays smeared in depth, skirting 15 mm proud, two
pieces of furniture, a pipe, a door and a window.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan import straightedge
from flatscan.core.reliefs import Why
from flatscan.relief import capture_type, choose_window, grid, smooth
from flatscan.relief.shape import shape_of
from flatscan.wall import find_walls


@pytest.fixture(scope="module")
def measured(rooms, as_cloud):
    """Relief of the measured wall, its wall, and the true offsets at its cells."""
    plan = rooms.FURNISHED
    points, _ = rooms.build_room(5, plan=plan, points=250_000, focus=0.7)
    cloud = as_cloud(points)
    wall = find_walls(cloud).walls[0]
    relief, _ = grid(cloud, wall, capture_type("scanner").common_error(), cell=0.05)
    return relief, wall, plan.shape.offset(*relief.places)


def test_lean(measured, rooms):
    relief, wall, _ = measured
    assert shape_of(relief, wall).lean == pytest.approx(rooms.FURNISHED.shape.lean, abs=3e-4)


def test_offsets_follow_the_truth_and_nothing_else(measured):
    """All but a common shift: the frame stands on the mean of a wall that bellies by 4 mm."""
    relief, _, truth = measured
    off = (relief.offset - truth)[relief.valid]
    assert abs(np.median(off)) < 0.004
    off = off - np.median(off)
    assert off.std() < 0.001
    assert np.quantile(np.abs(off), 0.999) < 0.008


def test_gap(measured):
    """Clear of the openings by a cell: half of the rays at their edges are smeared in depth."""
    relief, wall, truth = measured
    x, y = relief.places
    clear = relief.inside.copy()
    for o in wall.openings:
        clear &= ~((x > o.left - 0.06) & (x < o.right + 0.06) & (y > o.bottom - 0.06) & (y < o.top + 0.06))
    relief = replace(relief, inside=clear, offset=np.where(clear, relief.offset, np.nan))
    true_relief = replace(relief, offset=np.where(relief.valid, truth, np.nan))
    smoothed = smooth(relief, choose_window(relief, 0.003))
    found, expected = (straightedge.sweep(r, 1.8, directions=(0.0, 90.0)) for r in (smoothed, true_relief))
    assert found.worst.value == pytest.approx(expected.worst.value, abs=0.0015)


def test_coverage_counts_what_furniture_hides(measured):
    """Hidden: behind the low cupboard about 0.7 x 0.7 m, and the pipe's shadows; openings do not count.

    The skirting hides 3.35 m x 0.1 m of 7.43 m2 more.
    """
    relief, _, _ = measured
    board = relief.area[relief.why == Why.SKIRTING].sum() / relief.net_area
    assert_allclose(board, 0.335 / 7.43, atol=0.006)
    # the pipe before the wall, and what its edges split of the beam
    pipe = relief.area[relief.why == Why.OBJECT].sum() / relief.net_area
    assert 0.02 < pipe < 0.10
    assert 0.90 < relief.covered_share + board + pipe < 0.97


def test_no_cell_in_openings_or_skirting(measured):
    relief, _, _ = measured
    x, y = relief.places
    assert not relief.valid[y < 0.10].any()
    assert (relief.why[(y < 0.10) & relief.inside] == Why.SKIRTING).all()
    deep = (x > 0.55) & (x < 1.30) & (y < 2.0)
    assert not relief.inside[deep].any()
    deep = (x > 2.45) & (x < 3.55) & (y > 0.95) & (y < 1.95)
    assert not relief.inside[deep].any()


def test_skirting_is_said(measured):
    wall = measured[1]
    (note,) = (note for note in wall.notes if note.code == "wall.skirting")
    assert note.quantities["thickness"].value == pytest.approx(0.0155, abs=1e-3)
    assert_allclose(wall.outline[:, 1].min(), 0.11, atol=0.025)
