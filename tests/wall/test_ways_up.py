"""Which axis is up by what walls are; where two would do, both are shown and asked for."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import UnitsUnknown, WallNotFound
from flatscan.core.notes import note
from flatscan.wall import find_walls
from flatscan.wall.courses import has_level_joints
from flatscan.wall.orientation import decide_up
from flatscan.wall.planes import find_planes, thin, with_normals

LAS = note("capture.up-by-format", format="LAS", axis="Z")
Z = {"up": np.array([0.0, 0, 1]), "up_from": LAS}
ORDERS = {"z": (0, 1, 2), "y": (0, 2, 1), "x": (2, 0, 1)}


def sheet(rng, corner, one, two, count=3000):
    corner, one, two = (np.array(part, float) for part in (corner, one, two))
    parts, across = rng.random((count, 2)), np.cross(one, two)
    rough = rng.normal(0, 0.002, (count, 1)) * across / np.linalg.norm(across)
    return corner + parts[:, :1] * one + parts[:, 1:] * two + rough


def room(length, width, height, door=False):
    rng = np.random.default_rng(1)
    front = sheet(rng, (0, 0, 0), (length, 0, 0), (0, 0, height))
    if door:
        front = front[~((front[:, 0] > 1) & (front[:, 0] < 1.9) & (front[:, 2] < 2.05))]
    sides = [sheet(rng, (0, 0, z), (length, 0, 0), (0, width, 0)) for z in (0, height)]
    sides += [sheet(rng, (x, 0, 0), (0, width, 0), (0, 0, height)) for x in (0, length)]
    return np.concatenate([front, sheet(rng, (0, width, 0), (length, 0, 0), (0, 0, height)), *sides]) + 0.2


def facade(length, height, returns):
    rng = np.random.default_rng(2)
    parts = [sheet(rng, (0, 0, 0), (length, 0, 0), (0, 0, height), 8000)]
    parts += [sheet(rng, (x, 0, 0), (0, 1.5, 0), (0, 0, height), 1500) for x in (0, length)[:returns]]
    return np.concatenate(parts) + 0.2


def up_of(as_cloud, points, **known):
    cloud = as_cloud(points, **known)
    thinned = with_normals(*thin(cloud.sample, most=6000))
    return decide_up(cloud, thinned, find_planes(thinned), None).settled


@pytest.mark.parametrize("returns", [0, 1, 2])
@pytest.mark.parametrize("up", ORDERS)
def test_a_facade_is_never_stood_on_its_end(as_cloud, returns, up):
    """Its returns are square to its length, as floor and ceiling would be: 7.8 x 50.8 m high came of that."""
    points = facade(50.8, 7.8, returns)[:, ORDERS[up]]
    with pytest.raises(UnitsUnknown) as asked:
        up_of(as_cloud, points)
    assert up in [value for _, value in asked.value.choices]
    if up == "z":
        found = up_of(as_cloud, points, **Z)
        assert (found.value, found.sure) == ("z", "sure")
    elif returns:
        # a format whose z is up, against what the wall is: never in silence
        with pytest.raises(UnitsUnknown) as asked:
            up_of(as_cloud, points, **Z)
        assert up in [value for _, value in asked.value.choices]


def test_a_return_without_a_format_is_no_floor(as_cloud):
    rng = np.random.default_rng(3)
    wall = sheet(rng, (0, 0, 0), (4, 0, 0), (0, 0, 2.5))
    points = np.concatenate([wall, sheet(rng, (0, 0, 0), (0, 0.8, 0), (0, 0, 2.5), 3000)]) + 0.2
    with pytest.raises(UnitsUnknown, match=r"with x up .* 3\.9 m high, with z up .* 2\.5 m high") as asked:
        up_of(as_cloud, points)
    assert asked.value.choices == (("up", "x"), ("up", "z"))
    assert up_of(as_cloud, points, **Z).value == "z"


@pytest.mark.parametrize(
    ("size", "up", "known", "sure"),
    [
        ((4.0, 3.0, 2.5), "z", {}, "likely"),
        ((4.0, 3.0, 2.5), "z", Z, "sure"),
        ((8.0, 2.1, 2.5), "z", {}, "likely"),
        ((5.0, 4.0, 3.4), "z", Z, "sure"),
        ((30.0, 12.0, 9.0), "z", Z, "sure"),
        ((4.0, 3.0, 2.5), "y", {}, None),
        ((8.0, 2.1, 2.5), "y", {}, None),
        ((4.0, 3.0, 2.5), "y", Z, None),
    ],
)
def test_rooms_along_the_axes(as_cloud, size, up, known, sure):
    points = room(*size)[:, ORDERS[up]]
    if sure is None:
        with pytest.raises(UnitsUnknown) as asked:
            up_of(as_cloud, points, **known)
        assert up in [value for _, value in asked.value.choices]
        return
    found = up_of(as_cloud, points, **known)
    assert (found.value, found.sure) == (up, sure)


def test_a_door_decides_between_two_heights(as_cloud):
    points = room(4.0, 2.6, 2.5)[:, ORDERS["y"]]
    with pytest.raises(UnitsUnknown):
        up_of(as_cloud, points)
    assert up_of(as_cloud, room(4.0, 2.6, 2.5, door=True)[:, ORDERS["y"]]).value == "y"


def test_the_other_ways_are_told_with_the_wall_that_each_makes(as_cloud):
    found = up_of(as_cloud, room(4.0, 3.0, 2.5))
    others = {other.value: (other.width, other.height) for other in found.others}
    assert set(others) == {"x", "y", "-z"}
    assert_allclose(others["y"], (4.0, 3.0), atol=0.25)
    assert_allclose(others["x"], (3.0, 4.0), atol=0.25)


def test_what_an_error_offers_for_a_level_surface_works(as_cloud):
    floor = sheet(np.random.default_rng(4), (0, 0, 0), (4, 0, 0), (0, 3, 0)) + 0.2
    with pytest.raises(WallNotFound) as asked:
        find_walls(as_cloud(floor, **Z))
    assert sorted(value for _, value in asked.value.choices) == ["x", "y"]
    for _, value in asked.value.choices:
        assert len(find_walls(as_cloud(floor, **Z), up=value, ask=False).walls) == 1


def masonry(length, height, course, stone, joint=0.010, deep=0.006, count=40_000):
    """A wall with courses whose upright joints are staggered, z up."""
    rng = np.random.default_rng(6)
    x, z = rng.uniform(0, length, count), rng.uniform(0, height, count)
    row = np.floor(z / course)
    in_joint = (z % course < joint) | ((x + row % 2 * stone / 2) % stone < joint)
    return np.column_stack([x, np.where(in_joint, -deep, 0.0) + rng.normal(0, 0.002, count), z]) + 0.3


@pytest.mark.parametrize(("course", "stone"), [(0.075, 0.225), (0.225, 0.45)])
def test_level_joints_tell_which_way_courses_run(as_cloud, course, stone):
    cloud = as_cloud(masonry(3.0, 2.9, course, stone))
    thinned = with_normals(*thin(cloud.sample))
    (plane, *_) = find_planes(thinned)
    assert has_level_joints(thinned, plane, np.array([0.0, 0, 1]))
    assert not has_level_joints(thinned, plane, np.array([1.0, 0, 0]))


def test_a_plain_or_bellied_wall_has_no_joints(rooms, as_cloud):
    for shape in (rooms.Shape(3.0, 2.9), rooms.Shape(3.0, 2.9, belly_up=0.02, humps=((1.5, 1.5, 0.006, 0.2),))):
        points, _ = rooms.build_wall(9, shape=shape, pose=rooms.Pose(yaw=0.0), points=40_000)
        thinned = with_normals(*thin(as_cloud(points).sample))
        (plane, *_) = find_planes(thinned)
        for axis in np.eye(3)[[0, 2]]:
            assert not has_level_joints(thinned, plane, axis)


# ---- the room side ----


def test_a_side_that_nothing_tells_is_left_open_unless_asked_for(rooms, as_cloud):
    points, _ = rooms.build_wall(7, points=8_000)
    cloud = replace(as_cloud(points + 500.0), shift=np.zeros(3))
    with pytest.raises(UnitsUnknown, match="nothing tells on which side the room is"):
        find_walls(cloud)
    found = find_walls(cloud, ask=False)
    (side,), (trouble,) = found.sides, found.troubles
    assert side.sure == "open"
    assert {value for _, value in trouble.choices} == {side.value, side.others[0].value}


@pytest.mark.parametrize(("unit", "per"), [("m", 1.0), ("mm", 0.001), ("ft", 0.3048), ("in", 0.0254)])
def test_the_points_an_error_offers_are_in_the_files_numbers_and_work(rooms, as_cloud, unit, per):
    shift = np.array([432_000.0, 5_411_000.0, 300.0])
    points, _ = rooms.build_wall(7, points=8_000)
    cloud = as_cloud(points + shift, shift=shift)
    cloud = replace(cloud, origin=replace(cloud.origin, file_unit=unit))
    with pytest.raises(UnitsUnknown) as asked:
        find_walls(cloud)
    outs = []
    for _, value in asked.value.choices:
        point = np.array([float(part) for part in value.split(",")]) * per
        wall = find_walls(cloud, seen_from=point).walls[0]
        assert wall.facing_from.code == "wall.facing-asked"
        assert wall.frame.out @ (point - shift - wall.frame.at) > 0.5
        outs.append(wall.frame.out)
    assert_allclose(outs[0], -outs[1], atol=1e-4)


def test_a_point_that_lies_on_another_walls_plane_is_neither_offered_nor_refused(as_cloud):
    """Two walls a metre apart: a metre off the one is on the other (it was "43 mm from the plane")."""
    rng = np.random.default_rng(5)
    points = sheet(rng, (0, 0, 0), (4, 0, 0), (0, 0, 2.5), 8_000)
    points = np.concatenate([points, sheet(rng, (1, 1.0, 0), (2, 0, 0), (0, 0, 2.5), 8000)]) + [50, 60, 0]
    found = find_walls(as_cloud(points, **Z), ask=False)
    planes = [(wall.frame.at, wall.frame.out) for wall in found.walls]
    assert len(planes) == 2
    for side in found.sides:
        for value in (side.value, side.others[0].value):
            point = np.array([float(part) for part in value.split(",")])
            assert min(abs((point - at) @ out) for at, out in planes) > 0.25
    # on wall 2's plane: it says where wall 1's room is, and the rest what wall 2's is
    on_second = np.array([52.0, 61.0, 1.2])
    faced = find_walls(as_cloud(points, **Z), seen_from=on_second, ask=False)
    assert faced.sides[0].sure == "given"
    assert faced.troubles[0] is None


def leaning(points, degrees):
    """A room seen by a camera that leans so far about x, and up in its coordinates."""
    sin, cos = np.sin(np.radians(degrees)), np.cos(np.radians(degrees))
    turn = np.array([[1, 0, 0], [0, cos, -sin], [0, sin, cos]])
    return points @ turn.T, turn @ np.array([0.0, 0, 1])


@pytest.mark.parametrize("degrees", [1.9, 6.8])
@pytest.mark.parametrize("asked", [None, "z"])
def test_gravity_that_a_camera_felt_is_taken_as_it_is(as_cloud, degrees, asked):
    """A rendered depth frame of a plumb wall leaned 16.5 mm/m by floor and ceiling 1.9 degrees off a file axis."""
    points, up = leaning(room(4.0, 3.0, 2.5), degrees)
    cloud = as_cloud(points, up=up, up_from=note("capture.up-by-gravity", file="camera.json"))
    thinned = with_normals(*thin(cloud.sample, most=6000))
    found = decide_up(cloud, thinned, find_planes(thinned), asked)
    assert_allclose(found.direction, up, atol=1e-12)
    assert found.known.code == ("capture.up-by-gravity" if asked is None else "wall.up-asked")
    wall = find_walls(cloud, up=asked, ask=False).walls[0]
    assert_allclose(wall.frame.up, up, atol=1e-9)


def test_gravity_without_floor_and_ceiling_is_likely_and_others_are_named(as_cloud):
    points, up = leaning(room(4.0, 3.0, 2.5), 1.9)
    high = points @ up
    walls = points[(high > 0.3) & (high < 2.6)]
    cloud = as_cloud(walls, up=up, up_from=note("capture.up-by-gravity", file="camera.json"))
    thinned = with_normals(*thin(cloud.sample, most=6000))
    found = decide_up(cloud, thinned, find_planes(thinned), None)
    assert_allclose(found.direction, up, atol=1e-12)
    assert found.sure == "likely"
    # the side walls, which are as level as floor and ceiling on their side
    assert "x" in [other.value for other in found.others]
