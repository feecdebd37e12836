"""Openings, chases and parts not to be plastered: what they take of a wall, on stations and in clouds."""

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.geometry import area_clear_of, disjoint, in_polygon, in_rectangle, polygon_area
from flatscan.core.holes import LIKELY, Opening
from flatscan.core.model import Origin, Readings
from flatscan.core.warp import CommonError
from flatscan.plan.finish import place
from flatscan.plan.pockets import pockets_of
from flatscan.relief import from_stations, grid, stations_on, wall_of
from flatscan.relief.laser_stations import owned_areas
from flatscan.wall import adjust

spec = importlib.util.spec_from_file_location("relief_builders", Path(__file__).with_name("conftest.py"))
builders = importlib.util.module_from_spec(spec)
spec.loader.exec_module(builders)
make_cloud, make_wall = builders.make_cloud, builders.make_wall

BOX = np.array([[0, 0], [4.2, 0], [4.2, 2.7], [0, 2.7]], float)
HOLES = ((1.0, 0.9, 2.2, 2.1), (2.0, 1.5, 2.6, 3.0), (3.5, -1.0, 5.0, 0.4))


def in_any(x, y, boxes=HOLES):
    return np.any([(x > a) & (x < c) & (y > b) & (y < d) for a, b, c, d in boxes], axis=0)


def test_rectangles_that_overlap_are_parted_into_such_that_do_not():
    parts = disjoint(HOLES)
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-1, 6, 4000), rng.uniform(-2, 4, 4000)
    count = np.sum([(x > a) & (x < c) & (y > b) & (y < d) for a, b, c, d in parts], axis=0)
    np.testing.assert_array_equal(count, in_any(x, y).astype(int))


def test_what_rectangles_take_of_a_polygon_is_what_a_fine_raster_counts():
    corners = np.array([[0.2, 0.1], [4.0, 0.5], [3.2, 2.6], [0.5, 2.2]])
    gx, gy = np.meshgrid((np.arange(2100) + 0.5) * 0.002, (np.arange(1350) + 0.5) * 0.002)
    on = in_polygon(gx, gy, corners)
    assert_allclose(area_clear_of(corners, disjoint(HOLES)), (on & ~in_any(gx, gy)).sum() * 0.002**2, atol=2e-3)
    assert_allclose(polygon_area(in_rectangle(BOX, (3.5, -1.0, 5.0, 0.4))), 0.7 * 0.4)


def test_stations_own_what_is_nearest_less_the_holes():
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 4.2, 60), rng.uniform(0, 2.7, 60)
    x, y = x[~in_any(x, y)], y[~in_any(x, y)]
    gx, gy = np.meshgrid((np.arange(840) + 0.5) * 0.005, (np.arange(540) + 0.5) * 0.005)
    gx, gy = gx[~in_any(gx, gy)], gy[~in_any(gx, gy)]
    nearest = np.argmin((gx[:, None] - x) ** 2 + (gy[:, None] - y) ** 2, axis=1)
    owned = owned_areas(x, y, BOX, disjoint(HOLES))
    assert_allclose(owned, np.bincount(nearest, minlength=len(x)) * 0.005**2, atol=0.01)
    assert_allclose(owned.sum(), 4.2 * 2.7 - 1.2 * 1.2 - 0.6 * 1.2 + 0.2 * 0.6 - 0.7 * 0.4)


def readings(chase=0.0, at=2.1, **fields):
    across, upward = (v.ravel() for v in np.meshgrid(np.arange(11) * 0.4 + 0.1, np.arange(7) * 0.4 + 0.1))
    offset = -0.12 - chase * (np.abs(across - at) < 1e-9) + 0.001 * np.sin(9 * across + 7 * upward)
    origin = Origin("made.csv", "0", "laser grid", "mm", len(across), kind="laser-readings")
    return Readings(origin, across, upward, offset, 0.0006, 4.2, 2.6, **fields)


def test_a_reading_on_an_openings_edge_is_walls_and_on_a_chases_edge_is_not():
    window = (1.7, 0.9, 2.5, 1.7)
    _, opened, _ = from_stations(readings(openings=(window,)), CommonError(0.0), 0.0)
    assert opened.valid.sum() == 77 - 1
    _, chased, _ = from_stations(readings(pockets=(window,)), CommonError(0.0), 0.0)
    assert chased.valid.sum() == 77 - 9
    assert len(chased.pocketed[0].x) == 9
    for relief in (opened, chased):
        assert_allclose(relief.net_area, 4.2 * 2.6 - 0.64)


def seen(taken, accepted=()):
    bare, _ = wall_of(taken, 0.0)
    return stations_on(taken, bare, CommonError(0.0), accepted=accepted)


def test_a_run_of_deep_readings_is_a_chase_and_a_shallow_one_is_wall():
    wall, relief, notes = seen(readings(0.030))
    (chase,) = wall.pockets
    assert chase.evidence == LIKELY
    assert_allclose([chase.left, chase.bottom, chase.width, chase.height], [2.05, 0, 0.1, 2.6])
    assert [note.code for note in notes] == ["relief.looks-like-chase-up"]
    assert_allclose(relief.net_area, 4.2 * 2.6 - 0.26)
    assert seen(readings(0.010))[0].pockets == ()
    assert seen(readings(0.030), accepted=[(2.1, y) for y in (0.5, 1.3, 2.1)])[0].pockets == ()


def test_a_chase_along_ends_in_the_middle_before_the_next_sound_reading():
    taken = readings()
    deep = (np.abs(taken.y - 1.3) < 1e-9) & (taken.x > 0.4) & (taken.x < 2.0)
    wall, _, notes = seen(replace(taken, offset=taken.offset - 0.03 * deep))
    (chase,) = wall.pockets
    assert_allclose([chase.left, chase.bottom, chase.width, chase.height], [0.3, 1.25, 1.6, 0.1])
    assert notes[0].code == "relief.looks-like-chase-along"


def test_two_deep_stations_and_a_deep_area_are_no_chase():
    taken = readings()
    two = (np.abs(taken.x - 2.1) < 1e-9) & (taken.y < 0.6)
    assert seen(replace(taken, offset=taken.offset - 0.03 * two))[0].pockets == ()
    area = (taken.x > 1.5) & (taken.x < 2.4)
    assert seen(replace(taken, offset=taken.offset - 0.03 * area))[0].pockets == ()


def test_openings_over_all_stations_leave_no_wall():
    with pytest.raises(TooFewPoints, match="all 77 stations lie in openings"):
        from_stations(readings(openings=((0.0, 0.0, 4.2, 2.6),)), CommonError(0.0), 0.0)


def test_pockets_and_skips_must_lie_on_the_wall():
    bare, _ = wall_of(readings(), 0.0)
    with pytest.raises(BadValue, match="pocket"):
        adjust(bare, pockets=[(5.0, 0.0, 5.1, 2.6)])
    with pytest.raises(BadValue, match="skip"):
        adjust(bare, skips=[(1.0, 1.0, 1.0, 2.0)])


def test_a_chase_in_a_cloud_is_filled_apart_from_the_wall(still):
    """120 mm wide, 60 mm deep, 1 m high: 7.2 litres; the wall lies at 0 and 1 mm more at 0.5 m2 of it."""
    chase = Opening(0.9, 0.0, 0.12, 1.0)

    def surface(x, y):
        return np.where((x > 0.9) & (x < 1.02), -0.06, 0.0)

    wall = replace(make_wall(), pockets=(chase,))
    relief, _ = grid(make_cloud(surface, n=400_000, noise=0.001), wall, still)
    assert_allclose(relief.net_area, 2.0 - 0.12)
    assert np.nanmin(relief.offset[relief.valid]) > -0.005
    (fill,) = pockets_of(relief, place(relief, wall))
    assert_allclose(fill.fill.value, 0.12 * 0.06, rtol=0.02)
    assert abs(fill.fill.value - 0.12 * 0.06) < 3 * fill.fill.u + 0.12 * 1e-4
    assert_allclose(fill.coat, 0.12 * 0.005, atol=0.12 * 0.002)


def test_a_part_not_plastered_leaves_a_clouds_area_without_a_collar(still):
    wall = replace(make_wall(), skips=(Opening(0.0, 0.0, 2.0, 0.1), Opening(1.0, 0.05, 0.2, 0.5)))
    relief, _ = grid(make_cloud(lambda x, y: 0 * x, n=300_000, noise=0.0005), wall, still)
    assert_allclose(relief.net_area, 2.0 - 0.2 - 0.2 * 0.45)
    assert relief.valid[relief.inside].all()
    assert relief.covered_share == 1.0


def test_a_pocket_nothing_was_read_in_is_of_unknown_depth():
    taken = readings(pockets=((1.0, 0.2, 1.1, 0.4),))
    wall, relief, _ = from_stations(taken, CommonError(0.0), 0.0)
    (fill,) = pockets_of(relief, place(relief, wall))
    assert fill.fill is None
    assert fill.depth is None
    assert_allclose(fill.area, 0.02)
    assert fill.coat > 0
