"""Walls are numbered by net area alone, then clockwise from above, facades to the right as faced."""

import itertools

import numpy as np
import pytest

from flatscan.core.geometry import plumb_frame
from flatscan.core.model import Opening, Plumb, Wall
from flatscan.core.notes import note
from flatscan.wall.numbering import half_seen, numbers

UP = np.array([0.0, 0.0, 1.0])


def wall(left, out, width, height=2.5, openings=(), seen=1.0):
    """A wall whose left foot, as one faces it, is ``left`` (x, y)."""
    outline = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    frame = plumb_frame(np.array([*left, 0.0]), np.array([*out, 0.0]), UP)
    known = note("wall.up-file")
    return Wall(1, frame, outline, tuple(openings), 0.1, known, known, Plumb(None, None), seen_share=seen)


def room(facing=1.0):
    """North, east, south and west wall of 5 x 4 m, seen from inside, or (-1) the same building from outside."""
    corners = [(0, 4), (5, 4), (5, 0), (0, 0)]
    outs = [(0, -1), (-1, 0), (0, 1), (1, 0)]
    sizes = [5.0, 4.0, 5.0, 4.0]
    if facing > 0:
        return [wall(corner, out, size) for corner, out, size in zip(corners, outs, sizes, strict=True)]
    ends = [corners[1], corners[2], corners[3], corners[0]]
    return [wall(end, (-x, -y), size) for end, (x, y), size in zip(ends, outs, sizes, strict=True)]


@pytest.mark.parametrize("turn", range(4))
def test_a_room_goes_clockwise_seen_from_above(turn):
    """North, east, south, west is clockwise; the largest is first wherever it stands in the list."""
    walls = room()
    walls[2] = wall((5, 0), (0, 1), 5.0, height=2.6)
    order = [(i + turn) % 4 for i in range(4)]
    named = ["north", "east", "south", "west"]
    found = [named[order[i]] for i in numbers([walls[i] for i in order], UP)]
    assert found == ["south", "west", "north", "east"]


def test_a_building_from_outside_goes_to_the_right_as_one_faces_it():
    """Who faces the north side from outside has the west side on his right."""
    walls = room(-1.0)
    walls[0] = wall((5, 4), (0, 1), 5.0, height=2.6)
    assert numbers(walls, UP) == [0, 3, 2, 1]


def test_walls_that_face_one_way_go_from_left_to_right():
    """Facing south walls (out = -y) from the south, x runs to the right."""
    walls = [wall((x, depth), (0, -1), width) for x, depth, width in ((20, 1, 3), (0, 0, 2), (9, 2, 6), (5, 0, 3))]
    assert numbers(walls, UP) == [2, 1, 3, 0]


def test_only_the_net_area_makes_a_wall_first():
    half = wall((0, 4), (0, -1), 9.0, seen=0.2)
    pierced = wall((9, 0), (0, 1), 9.0, height=2.6, openings=[Opening(1.0, 0.0, 2.0, 2.2)])
    assert numbers([pierced, half], UP)[0] == 1
    (said,) = half_seen(half)
    assert said.code == "wall.half-seen"
    assert half_seen(pierced) == ()


def test_equal_areas_go_by_place_whatever_the_rounding_and_the_order():
    """A room's opposite walls differ by what rounding leaves: 1e-9 m of their height."""
    for noise in (0.0, 1e-9, -1e-9):
        walls = room()
        walls[0] = wall((0, 4), (0, -1), 5.0, height=2.5 + noise)
        for order in itertools.permutations(range(4)):
            found = [order[i] for i in numbers([walls[i] for i in order], UP)]
            # south has the least x, y of its middle
            assert found == [2, 3, 0, 1]
