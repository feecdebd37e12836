"""Walls of one room: parallel, square, and one shared turn, by hand on frames in the file's axes."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar

from flatscan.core.errors import BadValue, Infeasible
from flatscan.plan.coats import combined_order
from flatscan.plan.finish import FixedPoint, PlaneOptions, place
from flatscan.plan.other_planes import RoomWall, place_room, turn_parallel_to, turn_square_to
from flatscan.plan.systems import load
from flatscan.plan.takeoff import TakeOffOptions, take_off


def facing(degrees):
    """Outward direction so many degrees counter-clockwise (from above) from -y."""
    angle = np.radians(degrees)
    return (np.sin(angle), -np.cos(angle), 0.0)


def flat(build, degrees, *, slope=0.0, width=4.0, options=None):
    relief = build.cells(width, 2.0, lambda x, y: slope * x, cell=0.1)
    return RoomWall(relief, build.wall(width, 2.0, out=facing(degrees)), options or PlaneOptions())


def test_parallel_and_square_by_angle(build):
    one = build.wall(4, 2)
    for degrees in (-2.0, 0.0, 1.0):
        tangent = np.tan(np.radians(degrees))
        assert_allclose(turn_parallel_to(build.wall(4, 2, out=facing(180 + degrees)), one), tangent, atol=1e-12)
        assert_allclose(turn_square_to(build.wall(4, 2, out=facing(90 + degrees)), one), tangent, atol=1e-12)
        assert_allclose(turn_square_to(build.wall(4, 2, out=facing(-90 + degrees)), one), tangent, atol=1e-12)
    assert_allclose(turn_parallel_to(build.wall(4, 2, out=facing(180)), one, other_turn=0.01), 0.01, atol=1e-12)


def test_planes_come_out_square_in_the_files_axes(build):
    """The turned planes' own directions, back in file axes, meet at a right angle."""
    one, two = build.wall(4, 2), build.wall(4, 2, out=facing(91.0))
    turn = turn_square_to(two, one, other_turn=0.004)
    first = one.frame.along + 0.004 * one.frame.out
    second = two.frame.along + turn * two.frame.out
    assert first @ second == pytest.approx(0.0, abs=1e-12)


def test_wrong_wall_to_be_parallel_to(build):
    with pytest.raises(BadValue, match="degrees"):
        turn_parallel_to(build.wall(4, 2), build.wall(4, 2, out=facing(90)))
    with pytest.raises(BadValue, match="degrees"):
        turn_square_to(build.wall(4, 2), build.wall(4, 2, out=facing(180)))


def test_squaring_two_flat_walls_one_degree_off(build):
    """The second wall's plane turns tan 1 degree over its 3.9 m between outer centres: 34.04 mm more mean, halved."""
    walls = (flat(build, 0), flat(build, 91))
    plan = place_room(walls, corners="square")
    assert_allclose(plan.build_ups[1].plane.turn, np.tan(np.radians(1.0)), rtol=1e-9)
    extra = np.tan(np.radians(1.0)) * 3.9 / 2 * 8.0
    assert_allclose(plan.squaring, extra, rtol=1e-9)
    assert_allclose(plan.volume, 2 * 0.04 + extra, rtol=1e-9)
    assert_allclose(
        [plan.corners[0].angle, abs(plan.corners[0].off_square)], [np.radians(89), np.tan(np.radians(1))], rtol=1e-9
    )
    kept = place_room(walls, corners="keep")
    assert kept.squaring is None
    assert_allclose(kept.volume, 0.08, rtol=1e-9)


def test_shared_turn_halves_the_pain(build):
    """Walls 4 and 1 m long and one degree off: turning both costs least when the long one stays along its line."""
    walls = (flat(build, 0, width=1.0), flat(build, 91, width=4.0))
    fixed = place_room(walls, corners="square")
    freed = place_room(walls, corners="square", turn_up_to=0.03)
    assert freed.volume < fixed.volume
    assert_allclose(freed.build_ups[1].plane.turn, 0.0, atol=1e-5)
    turns = [np.arctan(b.plane.turn) for b in freed.build_ups]
    assert turns[1] - turns[0] == pytest.approx(np.radians(1.0), abs=1e-6)


def test_shared_turn_against_a_search(build):
    rng = np.random.default_rng(8)
    walls = []
    for degrees in (0, 90.7, 179.5):
        relief = build.cells(3.0, 2.0, lambda x, y: rng.normal(0, 0.004, x.shape) + 0.004 * x, cell=0.1)
        walls.append(RoomWall(relief, build.wall(3.0, 2.0, out=facing(degrees)), PlaneOptions(worth=0.0)))
    walls = tuple(walls)
    plan = place_room(walls, corners="square", turn_up_to=0.02)
    offs = np.radians([0, 0.7, -0.5])

    def total(shared):
        turns = np.tan(offs - np.arctan(shared))
        return sum(
            place(w.relief, w.wall, options=PlaneOptions(turn=t)).volume.value
            for w, t in zip(walls, turns, strict=True)
        )

    search = minimize_scalar(total, bounds=(-0.02, 0.02), method="bounded", options={"xatol": 1e-7})
    assert plan.volume == pytest.approx(search.fun, rel=1e-4)


def test_no_shared_turn_for_two_percent(build):
    plan = place_room((flat(build, 0), flat(build, 90)), turn_up_to=0.01)
    assert plan.shared_turn == 0.0


def test_one_summed_order(build):
    plan = place_room((flat(build, 0), flat(build, 90)))
    takes = [
        take_off(b, w.relief, load("one-coat-gypsum"), options=TakeOffOptions(rate=(1000.0, 1000.0)))
        for b, w in zip(plan.build_ups, (flat(build, 0), flat(build, 90)), strict=True)
    ]
    (line,) = combined_order(take.order for take in takes)
    assert_allclose(line.high, 2 * 40 * 1.1 / 25, rtol=1e-9)


def test_rooms_that_make_no_sense(build):
    with pytest.raises(BadValue):
        place_room(())
    with pytest.raises(BadValue):
        place_room((flat(build, 0),), corners="round")
    with pytest.raises(BadValue):
        place_room((flat(build, 0),), turn_up_to=-1.0)
    low = PlaneOptions(fixed=(FixedPoint(0.0, 1.0, 0.001),))
    with pytest.raises(Infeasible):
        place_room((flat(build, 0, options=low), flat(build, 90)), turn_up_to=0.0001)
