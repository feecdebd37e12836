"""A lone wall of known size, lean and place, in many poses."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue, TooFewPoints, UnitsUnknown, WallNotFound
from flatscan.core.notes import note
from flatscan.report.say import say
from flatscan.wall import find_walls

LAS = note("capture.up-by-format", format="LAS", axis="Z")


def true_frame(rooms, pose, shape, distance=2.0):
    """Foot of the left edge, and the axes x, y, z, in file coordinates."""
    foot = pose.to_file(np.array([[-shape.width / 2, -shape.height / 2, -distance]]))[0]
    return foot, pose.axes()


@pytest.mark.parametrize(("yaw", "up"), [(10.0, "z"), (100.0, "y"), (205.0, "z"), (340.0, "x")])
def test_frame_size_and_room_side(rooms, as_cloud, yaw, up):
    pose = rooms.Pose(yaw=np.radians(yaw), up=up)
    points, truth = rooms.build_wall(3, pose=pose)
    wall = find_walls(as_cloud(points)).walls[0]
    foot, axes = true_frame(rooms, pose, rooms.BARE.shape)
    assert_allclose(wall.frame.up, axes[1], atol=1e-12)
    assert_allclose(wall.frame.along, axes[0], atol=1e-3)
    assert_allclose(wall.frame.out, axes[2], atol=1e-3)
    assert_allclose(wall.frame.at, foot, atol=0.006)
    assert_allclose([wall.width, wall.height], [truth["width_mm"] / 1000, truth["height_mm"] / 1000], atol=0.010)
    assert say(wall.up_from).startswith(f"the file's {up}")
    assert wall.facing_from.code == "wall.facing-origin"
    assert "wall.facing-assumed" in [note.code for note in wall.notes]


def test_offsets_are_those_of_the_truth(rooms, as_cloud):
    """The vertical plane through the fit's foot: at the foot 0, at the head the lean, + toward the room."""
    shape = rooms.Shape(4.0, 2.5, lean=0.008)
    pose = rooms.Pose()
    points, _ = rooms.build_wall(4, shape=shape, pose=pose, noise=0.001)
    wall = find_walls(as_cloud(points)).walls[0]
    on_wall = pose.to_file(
        np.array([[x, y, shape.offset(x, y)] for x in (0.0, 4.0) for y in (0.0, 2.5)]) - [2, 1.25, 2]
    )
    assert_allclose(wall.frame.to_wall(on_wall)[:, 2], [0, 0.020, 0, 0.020], atol=2e-4)
    assert wall.slab > 0.05 + 0.019


def test_a_wrong_side_would_turn_humps_into_hollows(rooms, as_cloud):
    pose = rooms.Pose()
    points, truth = rooms.build_wall(5, pose=pose)
    hump = pose.to_file(np.array([[1.3, 1.4, rooms.BARE.shape.offset(1.3, 1.4)]]) - [2, 1.25, 2])
    front, behind = np.array(truth["seen_from_m"]), 2 * points.mean(axis=0) - truth["seen_from_m"]
    right = find_walls(as_cloud(points), seen_from=front).walls[0]
    wrong = find_walls(as_cloud(points), seen_from=behind).walls[0]
    assert right.facing_from.code == wrong.facing_from.code == "wall.facing-asked"
    z_right, z_wrong = (float(w.frame.to_wall(hump)[0, 2]) for w in (right, wrong))
    assert z_right == pytest.approx(0.006 + 0.004 * 1.4, abs=5e-4)
    assert z_wrong == pytest.approx(-z_right, abs=5e-4)
    # seen from the other side left and right change places too
    assert_allclose(right.frame.to_wall(hump)[0, 0] + wrong.frame.to_wall(hump)[0, 0], right.width, atol=0.01)


def test_scanner_position_decides_the_side(rooms, as_cloud):
    points, _ = rooms.build_wall(6)
    for sign in (1.0, -1.0):
        stand = points.mean(axis=0) + sign * rooms.Pose().axes()[2] * 3
        wall = find_walls(as_cloud(points, stands=stand[None])).walls[0]
        assert wall.frame.out @ rooms.Pose().axes()[2] == pytest.approx(sign, abs=1e-3)
        assert wall.facing_from.code == "wall.facing-stand"


def test_normals_decide_the_side(rooms, as_cloud):
    points, _ = rooms.build_wall(6)
    for sign in (1.0, -1.0):
        normals = np.tile(sign * rooms.Pose().axes()[2], (len(points), 1))
        wall = find_walls(as_cloud(points, sample_normals=normals)).walls[0]
        assert wall.frame.out @ rooms.Pose().axes()[2] == pytest.approx(sign, abs=1e-3)
        assert wall.facing_from.code == "wall.facing-normals"


def test_seen_from_is_in_file_coordinates_before_the_shift(rooms, as_cloud):
    shift = np.array([432_000.0, 5_411_000.0, 300.0])
    points, truth = rooms.build_wall(7)
    cloud = as_cloud(points + shift, shift=shift)
    with pytest.raises(UnitsUnknown, match="seen_from"):
        find_walls(cloud)
    wall = find_walls(cloud, seen_from=np.array(truth["seen_from_m"]) + shift).walls[0]
    assert wall.frame.out @ rooms.Pose().axes()[2] == pytest.approx(1.0, abs=1e-3)


def test_an_axis_aligned_wall_asks_which_axis_is_up(rooms, as_cloud):
    points, _ = rooms.build_wall(8, pose=rooms.Pose(yaw=0.0))
    with pytest.raises(UnitsUnknown, match=r"x \(3\.9\d m that way\) or z \(2\.\d+ m that way\).*with up z"):
        find_walls(as_cloud(points))
    wall = find_walls(as_cloud(points), up="z").walls[0]
    assert wall.width == pytest.approx(4.0, abs=0.01)
    sideways = find_walls(as_cloud(points), up="x").walls[0]
    assert sideways.width == pytest.approx(2.5, abs=0.01)


def test_the_format_decides_for_an_axis_aligned_wall(rooms, as_cloud):
    points, _ = rooms.build_wall(8, pose=rooms.Pose(yaw=0.0))
    wall = find_walls(as_cloud(points, up=np.array([0.0, 0, 1]), up_from=LAS)).walls[0]
    assert wall.up_from == LAS
    assert "LAS" in say(wall.plumb.known_from)
    assert wall.plumb.u_lean == as_cloud(points).u_up


def test_a_regular_grid_of_points_is_not_shrunk(as_cloud):
    """Each point stands for its own square: 400 columns of 10 mm are 4 m wide, not 3.99."""
    x, y = np.meshgrid(np.arange(400) * 0.01 + 0.005, np.arange(240) * 0.01 + 0.005)
    points = np.stack([x.ravel(), np.full(x.size, 2.0), y.ravel()], axis=1)
    wall = find_walls(as_cloud(points), up="z").walls[0]
    assert_allclose([wall.width, wall.height], [4.0, 2.4], atol=0.010)
    assert wall.full is None  # a lone wall with clean edges is not trimmed


def test_uneven_density_does_not_tilt_the_fit(rooms, as_cloud):
    """A belly scanned a hundred times more densely at one end: points would tilt the fit, cells do not."""
    shape = rooms.Shape(4.0, 2.5, belly_along=0.010)
    thin_part, _ = rooms.build_wall(9, shape=shape, points=20_000, noise=0.001)
    dense, _ = rooms.build_wall(10, shape=shape, points=200_000, noise=0.001)
    at_left = rooms.Pose().axes()[0] @ (dense - dense.mean(axis=0)).T < -1.2
    wall = find_walls(as_cloud(np.concatenate([thin_part, dense[at_left]]))).walls[0]
    assert_allclose(wall.frame.out, rooms.Pose().axes()[2], atol=3e-4)


def test_far_strays_do_not_move_the_wall(rooms, as_cloud):
    points, _ = rooms.build_wall(11)
    strays = np.random.default_rng(1).uniform(-6, 6, (2000, 3))
    clean_wall = find_walls(as_cloud(points)).walls[0]
    wall = find_walls(as_cloud(np.concatenate([points, strays]))).walls[0]
    assert_allclose([wall.width, wall.height], [clean_wall.width, clean_wall.height], atol=0.012)
    assert_allclose(wall.frame.out, clean_wall.frame.out, atol=2e-4)


def test_the_same_cloud_gives_the_same_bytes(rooms, as_cloud):
    points, _ = rooms.build_wall(12)
    one, two = (find_walls(as_cloud(points)).walls[0] for _ in range(2))
    assert one.outline.tobytes() == two.outline.tobytes()
    assert one.frame.at.tobytes() == two.frame.at.tobytes()
    assert one.frame.out.tobytes() == two.frame.out.tobytes()


@pytest.mark.parametrize("asked", ["w", "", "--z", "zz", "-"])
def test_an_unknown_axis_is_refused(rooms, as_cloud, asked):
    points, _ = rooms.build_wall(8)
    with pytest.raises(BadValue, match="^up: "):
        find_walls(as_cloud(points), up=asked)


def test_nothing_flat(as_cloud):
    ball = np.random.default_rng(2).normal(size=(20_000, 3))
    ball /= np.linalg.norm(ball, axis=1, keepdims=True)
    with pytest.raises(WallNotFound, match="wall"):
        find_walls(as_cloud(ball * 0.6))


def test_a_ceiling_alone(as_cloud):
    rng = np.random.default_rng(3)
    ceiling = np.column_stack([rng.uniform(0, 4, 20_000), rng.uniform(0, 3, 20_000), rng.normal(2.5, 0.002, 20_000)])
    with pytest.raises(WallNotFound, match=r"level surface of 1[12]\..*with up"):
        find_walls(as_cloud(ceiling, up=np.array([0.0, 0, 1]), up_from=LAS))


@pytest.mark.parametrize("size", [0.004, 4000.0])
def test_a_wall_of_the_wrong_unit(rooms, as_cloud, size):
    points, _ = rooms.build_wall(8)
    with pytest.raises(WallNotFound, match="unit with file_unit"):
        find_walls(as_cloud(points * size / 4))


@pytest.mark.parametrize("points", [np.empty((0, 3)), np.zeros((50, 3)), np.ones((5000, 3))])
def test_too_little(as_cloud, points):
    with pytest.raises((TooFewPoints, WallNotFound)):
        find_walls(as_cloud(points))


def test_taped_sizes_report_the_scale_error_in_per_cent(rooms, as_cloud):
    points, _ = rooms.build_wall(13)
    wall = find_walls(as_cloud(points * 1.02), width=4.0, height=2.5).walls[0]
    across, upward = (note.quantities["scale"] for note in wall.notes if note.code == "wall.scale-moves-areas")
    assert across.quantities["error"].value == pytest.approx(0.02, abs=0.0025)
    assert upward.quantities["error"].value == pytest.approx(0.02, abs=0.004)
    assert ", an error of +1.97 %" in say(across)
    with pytest.raises(BadValue, match="^width: "):
        find_walls(as_cloud(points), width=0.0)
