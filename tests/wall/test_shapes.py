"""Walls that are not one flat rectangle: gables, curves, two levels; and corners that are not square."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import WallNotFound
from flatscan.core.geometry import polygon_area
from flatscan.wall import find_walls
from flatscan.wall.occupancy import end_of_profile
from flatscan.wall.outline import clip, left_out, rectangle

RNG = 11
EYE = np.array([2.0, -3.0, 1.2])


def sheet(n, width, height, seed=RNG):
    """Points (n, 3) in x, z on the plane y = 0 with 2 mm noise; the room is on the -y side."""
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(0, width, n), rng.normal(0, 0.002, n), rng.uniform(0, height, n)])


def test_a_gable_is_a_polygon(as_cloud):
    """4 m wide, eaves at 2.4 m, ridge at 4 m: 4 x 2.4 + 4 x 1.6 / 2 = 12.8 m2."""
    points = sheet(150_000, 4.0, 4.0)
    roof = 2.4 + 1.6 * (1 - np.abs(points[:, 0] - 2) / 2)
    wall = find_walls(as_cloud(points[points[:, 2] < roof]), up="z", seen_from=EYE).walls[0]
    assert len(wall.outline) == 5
    assert wall.gross_area == pytest.approx(12.8, rel=0.01)
    peak = wall.outline[np.argmax(wall.outline[:, 1])]
    assert_allclose(peak, [2.0, 4.0], atol=0.03)


def test_a_hidden_corner_does_not_slant_the_outline(as_cloud):
    """A cupboard hides the lower left: the hull's edge across it has points at its ends only."""
    points = sheet(150_000, 4.0, 2.5)
    hidden = (points[:, 0] < 1.0) & (points[:, 2] < 1.8)
    wall = find_walls(as_cloud(points[~hidden]), up="z", seen_from=EYE).walls[0]
    assert len(wall.outline) == 4
    assert wall.gross_area == pytest.approx(10.0, rel=0.01)
    (note,) = (note for note in wall.notes if note.code == "wall.not-measured")
    assert note.quantities["area"].value == pytest.approx(1.8, abs=0.015)


@pytest.mark.parametrize(("radius", "wide"), [(1.5, 3.0), (6.0, 3.0), (10.0, 4.0), (20.0, 5.0)])
def test_a_curved_wall_is_refused_with_its_radius(as_cloud, radius, wide):
    """The largest plane holds a third of a gentle bend; what is said is of all of it, sagitta = w^2 / 8 r."""
    rng = np.random.default_rng(1)
    turn = rng.uniform(-wide / 2 / radius, wide / 2 / radius, 60_000)
    away = radius + rng.normal(0, 0.002, 60_000)
    points = np.column_stack([away * np.sin(turn), away * np.cos(turn) - radius, rng.uniform(0, 2.5, 60_000)])
    with pytest.raises(WallNotFound, match="curved surface: radius about") as caught:
        find_walls(as_cloud(points), up="z", seen_from=EYE)
    assert caught.value.values["radius"].value == pytest.approx(radius, rel=0.25)
    if radius > 2:
        assert caught.value.values["sagitta"].value == pytest.approx(wide**2 / 8 / radius, rel=0.1)


def test_a_bellied_wall_is_not_called_curved(as_cloud):
    """25 mm of belly over 4 m (radius 80 m) is a bad wall, not a curved one."""
    points = sheet(60_000, 4.0, 2.5)
    points[:, 1] -= 0.025 * (1 - (points[:, 0] / 2 - 1) ** 2)
    assert len(find_walls(as_cloud(points), up="z", seen_from=EYE).walls) == 1


def test_a_wall_on_two_levels_is_one_wall_of_two_parts(as_cloud):
    """The right 1.5 m stand 60 mm proud (toward -y)."""
    points = sheet(100_000, 4.0, 2.5)
    points[points[:, 0] > 2.5, 1] -= 0.060
    room = find_walls(as_cloud(points), up="z", seen_from=EYE)
    assert [wall.name for wall in room.walls] == ["1a", "1b"]
    assert_allclose([wall.width for wall in room.walls], [2.5, 1.5], atol=0.01)
    for wall in room.walls:
        assert [part.letter for part in wall.parts] == ["a", "b"]
        (step,) = wall.steps
        assert (step.start, step.to, step.upright) == ("a", "b", True)
        assert_allclose(step.size, 0.060, atol=5e-4)
    assert_allclose([wall.steps[0].left for wall in room.walls], [2.5, 0.0], atol=0.01)


def corner_cloud(degrees, *, outer=False):
    """Two walls, 3 m and 2.5 m long, 2.5 m high, meeting at so many degrees inside the room."""
    turn = np.radians(degrees)
    one = sheet(60_000, 3.0, 2.5, seed=1)
    one[:, 0] -= 3.0  # runs from x = -3 to the corner at 0; the room is on its -y side
    two = sheet(60_000, 2.5, 2.5, seed=2)
    heading = np.array([-np.cos(turn), -np.sin(turn), 0.0])  # inside angle between -x and the second wall
    side = np.array([heading[1], -heading[0], 0.0])
    points = two[:, :1] * heading + two[:, 1:2] * side + two[:, 2:] * [0, 0, 1]
    both = np.concatenate([one, points])
    turned = np.radians(20)
    c, s = np.cos(turned), np.sin(turned)
    return both @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


@pytest.mark.parametrize("degrees", [90.0, 89.5, 91.0])
def test_corner_angle_and_squareness(as_cloud, degrees):
    """600 mm x tan(angle - 90): 89.5 degrees close by 5.2 mm, 91 open by 10.5 mm."""
    room = find_walls(as_cloud(corner_cloud(degrees)))
    (corner,) = room.corners
    assert np.degrees(corner.angle) == pytest.approx(degrees, abs=0.06)
    assert corner.out_of_square == pytest.approx(0.6 * np.tan(np.radians(degrees - 90)), abs=0.0006)
    assert corner.leg == 0.6
    assert corner.u_out_of_square < 0.0005
    assert_allclose(corner.at, [0, 0, 0], atol=0.01)
    assert {corner.left, corner.right} == {1, 2}


def test_a_splay_corner_has_an_angle_but_no_squareness(as_cloud):
    (corner,) = find_walls(as_cloud(corner_cloud(135.0))).corners
    assert np.degrees(corner.angle) == pytest.approx(135, abs=0.1)
    assert corner.out_of_square is None
    assert corner.u_out_of_square is None


def test_the_end_of_a_profile_by_head():
    assert end_of_profile(np.array([1.0, 1, 1, 0, 0]), 50.0) == pytest.approx(3.0, abs=0.06)
    assert end_of_profile(np.array([1.0, 1, 0.5, 0, 0]), 50.0) == pytest.approx(2.5, abs=0.1)
    # another surface's points piled up in the last column, and a few strays beyond
    assert end_of_profile(np.array([1.0, 1, 5, 0.05, 0.05]), 50.0) == pytest.approx(3.0, abs=0.1)


def test_clipping_by_head():
    square = rectangle(np.array([0.0, 0, 2, 1]))
    half = clip(square, np.array([1.0, 0.0]), np.array([1.0, 0.0]))
    assert polygon_area(half) == pytest.approx(1.0)
    corner = clip(square, np.array([1.5, 0.5]), np.array([1.0, 1.0]) / np.sqrt(2))
    assert polygon_area(corner) == pytest.approx(1.5)
    inner = left_out(square, np.array([0.1, 0.2, 0.3, 0.0]))
    assert_allclose(inner.min(axis=0), [0.1, 0.2])
    assert_allclose(inner.max(axis=0), [1.7, 1.0])
