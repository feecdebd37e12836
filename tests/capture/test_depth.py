"""Depth photos and frames: walls of known distance drawn by the pinhole equation, and what can be wrong with them."""

import codecs
import json
import struct
import zlib

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan import capture
from flatscan.capture.calibration.camera_file import read_camera
from flatscan.capture.camera import Camera
from flatscan.capture.depth_frames import open_frames, read_poses
from flatscan.capture.depth_photo import open_depth_photo
from flatscan.capture.pictures import read_picture
from flatscan.core.errors import ReadError, UnitsUnknown
from flatscan.report.say import say

WIDE, HIGH, FOCAL = 320, 240, 260.0
LENS = (0.08, -0.05, 0.001, -0.0005, 0.01)


def camera_text(**more):
    return json.dumps(
        {"width": WIDE, "height": HIGH, "intrinsic_matrix": [FOCAL, 0, 0, 0, FOCAL, 0, 158.5, 121, 1]} | more
    )


def depth_of(wall, pose=None, distortion=()):
    """Depth (rows, cols) in metres of the plane n . p = d seen from a pose (camera to world); 0 behind or off it."""
    normal, distance = wall
    camera = Camera(WIDE, HIGH, FOCAL, FOCAL, 158.5, 121.0, tuple(distortion))
    col, row = np.meshgrid(np.arange(WIDE), np.arange(HIGH))
    ray = np.column_stack([camera.straight(np.column_stack([col.ravel(), row.ravel()])), np.ones(WIDE * HIGH)])
    pose = np.eye(4) if pose is None else pose
    world = ray @ pose[:3, :3].T
    with np.errstate(divide="ignore"):
        z = (distance - normal @ pose[:3, 3]) / (world @ normal)
    return np.where((z > 0.1) & (z < 20), z, 0.0).reshape(HIGH, WIDE)


def save(path, depth, scale=1000):
    # OpenCV writes 16-bit images as they are
    assert cv2.imwrite(str(path), np.rint(depth * scale).astype(np.uint16))


@pytest.fixture
def photo(tmp_path):
    save(tmp_path / "wall.png", depth_of((np.array([0, 0, 1.0]), 1.5)), 10_000)
    (tmp_path / "wall.json").write_text(camera_text(depth_scale=10_000))
    return tmp_path / "wall.png"


def test_a_wall_square_to_the_view_is_flat_at_its_distance(photo):
    cloud = capture.read(photo)
    assert cloud.origin.reader == "depth photo"
    assert cloud.origin.kind == "depth-photo"
    assert_allclose(cloud.sample[:, 2], -1.5, atol=1e-12)
    # the picture's corners by the pinhole equation: (col - cx) z / f, (cy - row) z / f
    assert_allclose(cloud.sample[:, 0].min(), -158.5 * 1.5 / FOCAL, atol=1e-9)
    assert_allclose(cloud.sample[:, 1].max(), 121 * 1.5 / FOCAL, atol=1e-9)
    assert_allclose(cloud.stands, [[0, 0, 0]])


def test_a_slanted_wall_stays_a_plane_with_distortion_undone(tmp_path):
    normal = np.array([0.3, -0.1, 1.0]) / np.linalg.norm([0.3, -0.1, 1.0])
    save(tmp_path / "w.png", depth_of((normal, 1.8), distortion=LENS), 20_000)
    (tmp_path / "w.json").write_text(camera_text(depth_scale=20_000, distortion=LENS))
    points = capture.read(tmp_path / "w.png").sample * [1, -1, -1]
    assert_allclose(points @ normal, 1.8, atol=4e-5)
    (tmp_path / "w.json").write_text(camera_text(depth_scale=20_000))
    bent = capture.read(tmp_path / "w.png").sample * [1, -1, -1]
    assert np.ptp(bent @ normal) > 0.005


def test_points_of_one_photo_are_as_many_as_true_dots(photo):
    cloud = capture.read(photo)
    area = (WIDE * HIGH) * (1.5 / FOCAL) ** 2
    assert cloud.independent_share == pytest.approx(area / 0.07**2 / cloud.count, rel=0.02)


def test_edges_doubt_and_holes_are_left_out_and_counted(tmp_path):
    depth = depth_of((np.array([0, 0, 1.0]), 1.5))
    depth[:, 200:] = 2.5
    depth[:20, :50] = 0
    save(tmp_path / "w.png", depth)
    (tmp_path / "w.json").write_text(camera_text(depth_scale=1000))
    sure = np.full((HIGH, WIDE), 2, np.uint8)
    sure[200:] = 1
    cv2.imwrite(str(tmp_path / "w_confidence.png"), sure)
    cloud = capture.read(tmp_path / "w.png")
    said = next(words for words in map(say, cloud.origin.warnings) if "pixels left out" in words)
    assert "1,000 without depth" in said
    assert f"{40 * WIDE:,} of which the camera was not sure" in said
    assert cloud.sample[:, 1].min() > -(199 - 121 + 1) * 2.5 / FOCAL
    assert not ((cloud.sample[:, 2] > -2.49) & (cloud.sample[:, 2] < -1.51)).any()


def test_unit_is_given_or_asked_for_never_assumed_in_silence(photo):
    photo.with_name("wall.json").write_text(camera_text())
    save(photo, depth_of((np.array([0, 0, 1.0]), 1.5)), 1000)
    with pytest.raises(UnitsUnknown, match=r"1\.84 m x 1\.38 m x 0\.00 m if in mm or 18\.40"):
        capture.read(photo)
    assert_allclose(capture.read(photo, file_unit="mm").sample[:, 2], -1.5, atol=1e-9)
    photo.with_name("wall.json").write_text(camera_text(depth_scale=1))
    with pytest.raises(UnitsUnknown, match=r"is 1840\.38 m x"):
        capture.read(photo)


def test_gravity_in_the_side_file_is_up(tmp_path):
    save(tmp_path / "w.png", depth_of((np.array([0, 0, 1.0]), 1.5)))
    (tmp_path / "w.json").write_text(camera_text(depth_scale=1000, gravity=[0, 1, 0]))
    cloud = capture.read(tmp_path / "w.png")
    assert_allclose(cloud.up, [0, 1, 0], atol=1e-12)
    assert cloud.u_up == pytest.approx(3.5e-3)
    (tmp_path / "w.json").write_text(camera_text(depth_scale=1000))
    assert capture.read(tmp_path / "w.png").u_up == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (None, "flatscan calibrate"),
        ("{", "not JSON"),
        ("[]", "no intrinsics"),
        (json.dumps({"width": 320, "height": 240, "intrinsic_matrix": [0, 0, 0, 0, 0, 0, 0, 0, 1]}), "fx 0"),
        (camera_text(distortion=[0.1, 0.2, 0.3]), "3 distortion coefficients"),
        (camera_text(depth_scale=0), "depth_scale 0"),
        (camera_text(depth_scale="mm"), "depth_scale 'mm'"),
        (camera_text(depth_scale=1000, gravity=[0, 0]), "gravity"),
        (camera_text(depth_scale=1000, gravity=[0, float("nan"), 1]), "gravity"),
        (camera_text(depth_scale=1000, gravity=[0, 1e308, 0]), "gravity"),
        (camera_text(width=float("inf")), "no intrinsics"),
        ("[" * 100_000, "nested too deep"),
        (camera_text(width=400), "400 x 240"),
    ],
)
def test_bad_side_files_say_what_is_needed(photo, text, words):
    side = photo.with_name("wall.json")
    side.unlink() if text is None else side.write_text(text)
    with pytest.raises(ReadError, match=words):
        open_depth_photo(photo)


def test_a_mark_at_the_head_of_a_side_file_is_no_letter(photo):
    side = photo.with_name("wall.json")
    side.write_bytes(codecs.BOM_UTF8 + side.read_bytes())
    assert open_depth_photo(photo).count > 0


def test_pixels_are_counted_by_the_header_before_a_picture_is_opened(tmp_path):
    """30,000 x 30,000 grey pixels of 16 bits are 1.8 GB, and three times that once they are depths."""
    head = struct.pack(">IIBBBBB", 30_000, 30_000, 16, 0, 0, 0, 0)
    parts = ((b"IHDR", head), (b"IDAT", zlib.compress(b"")), (b"IEND", b""))
    body = b"".join(struct.pack(">I", len(d)) + n + d + struct.pack(">I", zlib.crc32(n + d)) for n, d in parts)
    (tmp_path / "w.png").write_bytes(b"\x89PNG\r\n\x1a\n" + body)
    (tmp_path / "w.json").write_text(camera_text(depth_scale=1000))
    with pytest.raises(ReadError, match=r"900,000,000 pixels by its header; needed: at most 30,000,000"):
        capture.read(tmp_path / "w.png")
    with pytest.raises(ReadError, match=r"900,000,000 pixels by its header"):
        read_picture(tmp_path / "w.png")


def test_half_size_depth_takes_scaled_intrinsics(tmp_path):
    save(tmp_path / "w.png", depth_of((np.array([0, 0, 1.0]), 1.5))[::2, ::2])
    (tmp_path / "w.json").write_text(camera_text(depth_scale=1000))
    cloud = capture.read(tmp_path / "w.png")
    assert_allclose(np.ptp(cloud.sample[:, 0]), 159 * 1.5 / (FOCAL / 2), rtol=1e-9)


def test_what_a_reader_stumbles_over_is_said_with_the_file(tmp_path, monkeypatch):
    """Whatever a damaged file makes a library raise."""
    (tmp_path / "w.ply").write_bytes(b"ply\n")

    def stumble(*_, **__):
        raise struct.error("unpack requires 8 bytes")

    monkeypatch.setattr(capture, "_read_file", stumble)
    with pytest.raises(ReadError, match=r"w\.ply: its reader stumbled over it \(error: unpack requires 8 bytes\)"):
        capture.read(tmp_path / "w.ply")


def test_other_images_are_refused_by_what_they_are(tmp_path):
    (tmp_path / "c.json").write_text(camera_text(depth_scale=1000))
    cv2.imwrite(str(tmp_path / "c.png"), np.zeros((HIGH, WIDE, 3), np.uint8))
    with pytest.raises(ReadError, match="ordinary picture"):
        capture.read(tmp_path / "c.png")
    cv2.imwrite(str(tmp_path / "c.tif"), np.zeros((HIGH, WIDE, 3), np.uint8))
    with pytest.raises(ReadError, match="8 bits and 3 channels"):
        capture.read(tmp_path / "c.tif")
    save(tmp_path / "c.png", depth_of((np.array([0, 0, 1.0]), 1.5)))
    (tmp_path / "c.png").write_bytes((tmp_path / "c.png").read_bytes()[:-200])
    with pytest.raises(ReadError, match="cut off"):
        capture.read(tmp_path / "c.png")


def test_a_confidence_map_of_another_size_is_refused(photo):
    cv2.imwrite(str(photo.with_name("wall_confidence.png")), np.zeros((10, 10), np.uint8))
    with pytest.raises(ReadError, match="confidence map of 10 x 10"):
        capture.read(photo)


def turned(yaw, at):
    pose = np.eye(4)
    pose[:3, :3] = cv2.Rodrigues(np.array([0.0, yaw, 0.0]))[0]
    pose[:3, 3] = at
    return pose


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "depth").mkdir()
    poses = [turned(0.1 * i, (0.3 * i - 0.3, 0, 0)) for i in range(3)] + [turned(0.2, (0.3, 0, 0.001))]
    for i, pose in enumerate(poses):
        save(tmp_path / "depth" / f"{i:04d}.png", depth_of((np.array([0, 0, 1.0]), 1.6), pose), 20_000)
    (tmp_path / "intrinsic.json").write_text(camera_text(depth_scale=20_000))
    (tmp_path / "poses.json").write_text(json.dumps([pose.tolist() for pose in poses]))
    return tmp_path


def test_frames_fuse_to_the_wall_they_saw(folder):
    cloud = capture.read(folder)
    assert np.abs(cloud.sample[:, 2] - 1.6).max() < 0.002
    assert np.ptp(cloud.sample[:, 0]) > 2.2
    assert cloud.stands.shape == (4, 3)
    assert cloud.origin.kind == "phone-walk"
    assert [say(it) for it in cloud.origin.warnings] == [
        "4 depth frames put together, 3 of them from a place or angle of their own"
    ]
    assert len(cloud.origin.sha256) == 64


def test_the_same_frames_give_the_same_bytes(folder):
    one, two = (capture.read(folder) for _ in range(2))
    assert one.sample.tobytes() == two.sample.tobytes()
    assert one.origin == two.origin


def test_a_trajectory_log_is_the_same_as_a_list_of_matrices(folder):
    poses = json.loads((folder / "poses.json").read_text())
    lines = [f"{i} {i} {i + 1}\n" + "\n".join(" ".join(map(repr, row)) for row in pose) for i, pose in enumerate(poses)]
    (folder / "trajectory.log").write_text("\n".join(lines) + "\n")
    assert_allclose(read_poses(folder / "trajectory.log"), read_poses(folder / "poses.json"))


def test_poses_that_do_not_match_frames_are_refused(folder):
    poses = json.loads((folder / "poses.json").read_text())
    (folder / "poses.json").write_text(json.dumps(poses[:3]))
    with pytest.raises(ReadError, match="3 poses for 4 depth images"):
        capture.read(folder)
    poses[1][0][0] = 2.0
    (folder / "poses.json").write_text(json.dumps(poses))
    with pytest.raises(ReadError, match="pose 2 of 4 is no rotation"):
        capture.read(folder)
    (folder / "poses.json").write_text("nonsense")
    with pytest.raises(ReadError, match="poses cannot be read"):
        capture.read(folder)


def test_frames_without_a_unit_or_in_the_wrong_one_are_refused(folder):
    (folder / "intrinsic.json").write_text(camera_text())
    with pytest.raises(UnitsUnknown, match="depth_scale"):
        open_frames(folder)
    (folder / "intrinsic.json").write_text(camera_text(depth_scale=1))
    with pytest.raises(UnitsUnknown, match="look 32414.5 m far"):
        open_frames(folder)


def test_camera_file_comes_back_as_written(tmp_path):
    camera = Camera(WIDE, HIGH, 260.5, 261.5, 158.5, 121.25, LENS, (("depth_scale", 1000),), 0.31)
    (tmp_path / "c.json").write_text(camera.text())
    assert read_camera(tmp_path / "c.json") == camera


def test_a_real_depth_image_is_read(cloud_file):
    with pytest.raises(ReadError, match="no intrinsics"):
        capture.read(cloud_file("*_box_depth_*.png"))


def test_a_real_depth_image_with_its_intrinsics_is_read(tmp_path, cloud_file):
    (tmp_path / "box.png").write_bytes(cloud_file("*_box_depth_*.png").read_bytes())
    record = json.loads(cloud_file("*_box_cam_params.json").read_text())
    (tmp_path / "box.json").write_text(json.dumps(record | {"depth_scale": 1000}))
    cloud = capture.read(tmp_path / "box.png")
    assert 100_000 < cloud.count < 640 * 480
    assert 0.3 < -np.median(cloud.sample[:, 2]) < 3.0
