"""Scanned rooms of known truth: every wall found, its size corner to corner, its number and its place."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.wall import find_walls


@pytest.mark.parametrize("plan", ["BARE", "FURNISHED"])
@pytest.mark.parametrize(("yaw", "up"), [(0.0, "z"), (25.0, "z"), (25.0, "y"), (140.0, "x")])
def test_frame_and_sizes_of_the_measured_wall(rooms, as_cloud, plan, yaw, up):
    plan, pose = getattr(rooms, plan), rooms.Pose(yaw=np.radians(yaw), up=up)
    points, truth = rooms.build_room(1, plan=plan, pose=pose)
    room = find_walls(as_cloud(points))
    wall = room.walls[0]
    assert wall.number == 1
    assert_allclose(wall.frame.up, pose.axes()[1], atol=1e-12)
    assert_allclose(wall.frame.out, pose.axes()[2], atol=0.0015)
    assert_allclose(wall.frame.at, pose.to_file(np.zeros((1, 3)))[0], atol=0.006)
    assert_allclose([wall.width, wall.height], [plan.shape.width, plan.shape.height], atol=0.006)
    assert "floor and ceiling found" in wall.up_from
    assert up in wall.up_from
    assert wall.facing_from == "the floor, ceiling and walls that adjoin it"


def test_walls_are_numbered_clockwise_seen_from_above(rooms, as_cloud):
    """Facing wall 1 from inside, wall 2 is on the right: its foot is wall 1's right end, its axis runs to the room."""
    points, _ = rooms.build_room(2, plan=rooms.BARE)
    room = find_walls(as_cloud(points))
    assert [wall.number for wall in room.walls] == [1, 2, 3, 4]
    assert_allclose([w.width for w in room.walls], [4.0, 3.5, 4.0, 3.5], atol=0.012)
    assert_allclose([w.height for w in room.walls], 2.5, atol=0.006)
    for one, two in zip(room.walls, room.walls[1:] + room.walls[:1], strict=True):
        right_end = one.frame.to_file(np.array([[one.width, 0, 0]]))[0]
        assert_allclose(right_end, two.frame.at, atol=0.012)
        assert_allclose(np.cross(one.frame.out, two.frame.out) @ one.frame.up, -1.0, atol=1e-3)


def test_corners_are_trimmed_and_said(rooms, as_cloud, bare_room):
    wall = find_walls(as_cloud(bare_room[0])).walls[0]
    assert_allclose(wall.outline.min(axis=0), [0.05, 0.05], atol=1e-9)
    assert_allclose(wall.outline.max(axis=0), [wall.width - 0.05, wall.height - 0.05], atol=1e-9)
    assert wall.full is not None
    assert_allclose(wall.full.max(axis=0), [wall.width, wall.height], atol=1e-12)
    assert any("50 mm were left out along the left, bottom, right, top edges" in note for note in wall.notes)


def test_up_asked_for_wins_with_a_remark(rooms, as_cloud):
    points, _ = rooms.build_room(1, plan=rooms.BARE)
    room = find_walls(as_cloud(points), up="-z")
    assert_allclose(room.walls[0].frame.up, [0, 0, -1], atol=1e-12)
    assert room.notes == ()
    lying = rooms.build_room(1, plan=rooms.BARE, pose=rooms.Pose(yaw=0.0, up="y"))[0]
    # two storeys' worth of depth keep floor and ceiling the only pair a storey apart
    room = find_walls(as_cloud(lying), up="z")
    assert_allclose(room.walls[0].frame.up, [0, 0, 1], atol=1e-12)


def test_floor_and_ceiling_overrule_the_convention_with_a_remark(rooms, as_cloud):
    points, _ = rooms.build_room(1, plan=rooms.BARE, pose=rooms.Pose(up="y"))
    room = find_walls(as_cloud(points, up=np.array([0.0, 0, 1]), up_from="LAS is z up by convention"))
    assert_allclose(room.walls[0].frame.up, [0, 1, 0], atol=1e-12)
    assert any("LAS is z up by convention says up is z" in note for note in room.notes)


def test_two_walls_without_floor_stand_on_their_common_axis(rooms, as_cloud):
    plan = rooms.Plan(rooms.BARE.shape, floor=False, ceiling=False)
    points, _ = rooms.build_room(4, plan=plan)
    room = find_walls(as_cloud(points))
    assert len(room.walls) == 4
    assert room.walls[0].up_from.startswith("the file's z")
    assert room.walls[0].facing_from == "the floor, ceiling and walls that adjoin it"
