"""Scanned rooms of known truth: every wall found, its size corner to corner, its number and its place."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.report.say import say
from flatscan.wall import find_walls

LAS = note("capture.up-by-format", format="LAS", axis="Z")
TABLES = ((0.6, 0.0, 0.6, 1.4, 0.7, 1.4), (2.4, 0.0, 0.8, 3.4, 0.5, 1.6), (1.4, 0.0, 2.5, 2.8, 0.4, 3.2))


def check_measured_wall(rooms, room, plan, pose):
    wall = room.walls[0]
    assert wall.number == 1
    assert_allclose(wall.frame.up, pose.axes()[1], atol=1e-12)
    assert_allclose(wall.frame.out, pose.axes()[2], atol=0.0015)
    assert_allclose(wall.frame.at, pose.to_file(np.zeros((1, 3)))[0], atol=0.006)
    assert_allclose([wall.width, wall.height], [plan.shape.width, plan.shape.height], atol=0.006)
    assert wall.up_from.code == "wall.up-level-positive"
    assert wall.up_from.quantities["ends"].code == "wall.floor-and-ceiling"
    assert wall.facing_from.code in ("wall.facing-adjoining", "wall.facing-others")


def test_measured_wall_of_the_bare_room(rooms, bare):
    check_measured_wall(rooms, bare[2], rooms.BARE, rooms.Pose())


def test_measured_wall_of_the_furnished_room(rooms, furnished):
    check_measured_wall(rooms, furnished[2], rooms.FURNISHED, rooms.Pose())


@pytest.mark.parametrize(
    ("plan", "yaw", "up"), [("FURNISHED", 0.0, "z"), ("BARE", 25.0, "y"), ("FURNISHED", 140.0, "x")]
)
def test_measured_wall_in_other_poses(rooms, as_cloud, plan, yaw, up):
    plan, pose = getattr(rooms, plan), rooms.Pose(yaw=np.radians(yaw), up=up)
    points, _ = rooms.build_room(2, plan=plan, pose=pose, points=70_000, focus=0.6)
    check_measured_wall(rooms, find_walls(as_cloud(points)), plan, pose)


def test_walls_are_numbered_clockwise_seen_from_above(bare):
    """Facing wall 1 from inside, wall 2 is on the right: its foot is wall 1's right end, its axis runs to the room."""
    room = bare[2]
    assert [wall.number for wall in room.walls] == [1, 2, 3, 4]
    assert_allclose([w.width for w in room.walls], [4.0, 3.5, 4.0, 3.5], atol=0.012)
    assert_allclose([w.height for w in room.walls], 2.5, atol=0.006)
    for one, two in zip(room.walls, room.walls[1:] + room.walls[:1], strict=True):
        right_end = one.frame.to_file(np.array([[one.width, 0, 0]]))[0]
        assert_allclose(right_end, two.frame.at, atol=0.012)
        assert_allclose(np.cross(one.frame.out, two.frame.out) @ one.frame.up, -1.0, atol=1e-3)


def test_the_first_wall_has_the_largest_net_area(furnished):
    """The wall opposite has the same gross area, but a door of 2.4 x 2.1 m in it."""
    walls = furnished[2].walls
    net = [wall.gross_area - sum(o.width * o.height for o in wall.openings) for wall in walls]
    assert net[0] == max(net)
    assert walls[0].gross_area < max(w.gross_area for w in walls) + 0.05


def test_corners_are_trimmed_and_said(bare):
    wall = bare[2].walls[0]
    strips = np.concatenate([wall.outline.min(axis=0), wall.full.max(axis=0) - wall.outline.max(axis=0)])
    # three spreads of the noise at least, and less than the 50 mm of a corner that is not seen well
    assert (strips >= 0.003).all()
    assert (strips <= 0.02).all()
    assert_allclose(wall.full.max(axis=0), [wall.width, wall.height], atol=1e-12)
    said = say(wall.notes[0])
    assert said.startswith("beside another surface this capture smears, so strips along the edges ")
    assert [f"mm {side}" in said for side in ("left", "bottom", "right", "top")] == [True] * 4


def test_up_asked_for_wins_with_a_remark(rooms, as_cloud, bare):
    points, _ = rooms.build_room(1, plan=rooms.BARE, points=40_000)
    room = find_walls(as_cloud(points), up="-z")
    assert_allclose(room.walls[0].frame.up, [0, 0, -1], atol=1e-12)
    assert room.notes == ()
    lying = rooms.build_room(1, plan=rooms.BARE, pose=rooms.Pose(yaw=0.0, up="y"), points=40_000)[0]
    turned = lying @ np.array([[np.cos(0.3), 0, np.sin(0.3)], [0, 1, 0], [-np.sin(0.3), 0, np.cos(0.3)]])
    room = find_walls(as_cloud(turned), up="x")
    assert_allclose(room.walls[0].frame.up, [1, 0, 0], atol=1e-12)
    assert room.notes == (note("wall.up-asked-against", axis="x", other="y"),)


def test_floor_and_ceiling_overrule_the_convention_with_a_remark(rooms, as_cloud):
    points, _ = rooms.build_room(1, plan=rooms.BARE, pose=rooms.Pose(up="y"), points=40_000)
    room = find_walls(as_cloud(points, up=np.array([0.0, 0, 1]), up_from=LAS))
    assert_allclose(room.walls[0].frame.up, [0, 1, 0], atol=1e-12)
    (against,) = room.notes
    assert say(against).startswith(
        "the way LAS files are usually made (Z up) says up is z, but floor and ceiling are square to the file's y"
    )


def test_the_convention_gives_the_sense_of_up(rooms, as_cloud):
    points, _ = rooms.build_room(1, plan=rooms.BARE, pose=rooms.Pose(up="-y"), points=40_000)
    room = find_walls(as_cloud(points, up=np.array([0.0, -1.0, 0]), up_from=note("wall.up-file")))
    assert_allclose(room.walls[0].frame.up, [0, -1, 0], atol=1e-12)
    assert room.notes == ()


def test_a_lone_level_surface_is_floor_or_ceiling_by_its_end(rooms, as_cloud):
    plan = rooms.Plan(rooms.BARE.shape, ceiling=False)
    points, _ = rooms.build_room(3, plan=plan, points=40_000)
    room = find_walls(as_cloud(points))
    assert say(room.walls[0].up_from).startswith("a floor or ceiling found, square to the file's z")
    assert room.notes == ()
    room = find_walls(as_cloud(points * [1, -1, -1]))
    assert note("wall.taken-as-ceiling", axis="z", other="-z") in room.notes


def test_an_upside_down_room_with_furniture_is_remarked(rooms, as_cloud):
    plan = rooms.Plan(rooms.BARE.shape, boxes=TABLES)
    points, _ = rooms.build_room(3, plan=plan, focus=0.2, points=60_000)
    assert find_walls(as_cloud(points)).notes == ()
    assert find_walls(as_cloud(points * [1, -1, -1])).notes == (note("wall.upside-down", axis="z", other="-z"),)


def test_walls_without_floor_stand_on_their_common_axis(rooms, as_cloud):
    plan = rooms.Plan(rooms.BARE.shape, floor=False, ceiling=False)
    points, _ = rooms.build_room(4, plan=plan, points=40_000)
    room = find_walls(as_cloud(points))
    assert len(room.walls) == 4
    assert room.walls[0].up_from == note("wall.up-only-axis", axis="z")
    assert room.walls[0].facing_from.code == "wall.facing-adjoining"


def test_a_capture_whose_axes_all_lean_takes_its_floor_as_level(rooms, as_cloud):
    plan = rooms.Plan(rooms.BARE.shape, boxes=TABLES)
    points, _ = rooms.build_room(3, plan=plan, focus=0.2, points=60_000)
    tilt = np.array([[1, 0, 0], [0, np.cos(0.4), -np.sin(0.4)], [0, np.sin(0.4), np.cos(0.4)]])
    wall = find_walls(as_cloud(points @ tilt.T)).walls[0]
    assert_allclose(wall.frame.up, tilt @ [0, 0, 1], atol=2e-3)
    assert wall.up_from.code == "wall.up-floor-as-level"
    assert wall.plumb.u_lean >= 0.003


def test_the_number_of_threads_changes_nothing(tmp_path):
    """The same bytes from a process with one thread and from one with two."""
    script = tmp_path / "once.py"
    script.write_text(
        "import sys, hashlib, numpy as np\n"
        f"sys.path.insert(0, {str(Path(__file__).parents[2] / 'scripts')!r})\n"
        "import room_model as rm\n"
        "from flatscan.core.model import Cloud, Origin\n"
        "from flatscan.wall import find_walls\n"
        "p, _ = rm.build_wall(1, openings=((0.6, 0.9, 1.0, 1.0),), reveal=0.1, points=60_000)\n"
        "c = Cloud(Origin('m', '', 'ply', 'm', len(p)), p, lambda: iter([p]), len(p), np.zeros(3), np.zeros(3))\n"
        "w = find_walls(c).walls[0]\n"
        "f = w.frame\n"
        "parts = [a.tobytes() for a in (f.at, f.along, f.up, f.out, w.outline)] + [repr(w.openings).encode()]\n"
        "print(hashlib.sha256(b''.join(parts)).hexdigest())\n"
    )
    found = [
        subprocess.run(
            [sys.executable, str(script)],
            capture_output=True,
            text=True,
            check=True,
            env=os.environ | {"OPENBLAS_NUM_THREADS": threads, "OMP_NUM_THREADS": threads},
        ).stdout
        for threads in ("1", "2")
    ]
    assert found[0] == found[1]
    assert len(found[0].strip()) == 64


def test_a_lone_wall_with_a_strip_of_floor(rooms, as_cloud):
    """What a phone gives of one wall: the floor before it tells which way is up and where the room is."""
    pose = rooms.Pose()
    cloud, _ = rooms.build_wall(1, pose=pose, points=60_000)
    rng = np.random.default_rng(2)
    floor = np.column_stack([rng.uniform(0, 4, 12_000), rng.normal(0, 0.002, 12_000), rng.uniform(0, 0.8, 12_000)])
    points = np.concatenate([cloud, pose.to_file(floor - [2.0, 1.25, 2.0])]) + [0, 0, 40.0]
    wall = find_walls(as_cloud(points)).walls[0]
    assert say(wall.up_from).startswith("a floor or ceiling found, square to the file's z")
    assert wall.facing_from.code == "wall.facing-adjoining"
    assert_allclose(wall.frame.out, pose.axes()[2], atol=1e-3)
    assert_allclose([wall.width, wall.height], [4.0, 2.5], atol=0.01)
    left, bottom = wall.outline.min(axis=0)
    assert_allclose(left, 0.0, atol=1e-6)
    assert 0.005 < bottom < 0.02
    strip = note("wall.strip-at", side=note("wall.side-bottom"), strip=metres(bottom))
    assert note("wall.strip-left-out", sides=(strip,)) in wall.notes


@pytest.mark.parametrize("lean", [-0.04, 0.04])
def test_a_wall_far_out_of_plumb_keeps_all_its_points(rooms, as_cloud, lean):
    """40 mm per m is 100 mm over the height: the slab must reach as far, and the sign is the top's."""
    shape = rooms.Shape(4.0, 2.5, lean=lean)
    points, _ = rooms.build_wall(1, shape=shape, points=40_000)
    wall = find_walls(as_cloud(points)).walls[0]
    z = wall.frame.to_wall(points)[:, 2]
    assert (np.abs(z) < wall.slab).mean() > 0.999
    assert np.polyfit(wall.frame.to_wall(points)[:, 1], z, 1)[0] == pytest.approx(lean, abs=2e-4)
    assert_allclose([wall.width, wall.height], [4.0, 2.5], atol=0.01)
