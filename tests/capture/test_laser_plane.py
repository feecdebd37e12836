"""The plane of a laser from boards in its light: true within its covariance, refused where poses fix none, used."""

import importlib.util
import json
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from board_scene import photo
from numpy.testing import assert_allclose
from PIL import Image

from flatscan.capture.calibration.boards import Board
from flatscan.capture.camera import Camera
from flatscan.capture.lines.laser_plane import read_plane
from flatscan.capture.lines.line_budget import FOCAL, LASER_PLACE, LASER_PLANE, LENS, survey_lines
from flatscan.capture.lines.line_rays import LaserPlane, View
from flatscan.capture.lines.lit_boards import calibrate_laser
from flatscan.capture.lines.plane_fit import LitBoard, plane_of
from flatscan.core.errors import BadTable, ReadError
from flatscan.report.say import say

PATH = Path(__file__).parents[2] / "scripts" / "lit_board_model.py"
WHERE = Path("board.png")


@pytest.fixture(scope="module")
def model():
    spec = importlib.util.spec_from_file_location("lit_board_model", PATH)
    made = importlib.util.module_from_spec(spec)
    sys.modules["lit_board_model"] = made
    spec.loader.exec_module(made)
    return made


def lit(model, case, seed, many=8):
    rng = np.random.default_rng(seed)
    return [model.lit_board(rng, turn, shift, case, i) for i, (turn, shift) in enumerate(model.poses(rng, many, case))]


@pytest.mark.parametrize("number", [0, 2, 3])
def test_the_plane_is_true_within_its_covariance(model, number):
    """A short part of scripts/prove_laser_plane.py: clean, a bowed board, heavy tails."""
    case = model.CASES[number]
    plane = plane_of(model.CAMERA, lit(model, case, 3), WHERE)
    normal, distance = model.light()
    off = np.append(plane.normal - normal, plane.distance - distance)
    # in the three ways in which a plane can be wrong: 99.9 % of chi square with 3 degrees of freedom
    square = sum(((off @ way) / (way @ way)) ** 2 for way in plane.ways())
    assert square < 16.3
    assert plane.u_distance < 0.003
    assert plane.rms < 0.0005
    assert (plane.bow > 0.0001) == (case.bow > 0)


def test_a_longer_focal_length_moves_plane_and_lens_together(model):
    boards = lit(model, replace(model.CASES[0], step=0.0), 1)
    plane = plane_of(model.CAMERA, boards, WHERE)
    wrong = replace(model.CAMERA, fx=model.CAMERA.fx * 1.004, fy=model.CAMERA.fy * 1.004)
    again, told = plane_of(wrong, boards, WHERE), plane.longer(0.004)
    assert_allclose(told.normal, again.normal, atol=2e-5)
    assert told.distance == pytest.approx(again.distance, abs=2e-5)
    assert told.camera.fx == pytest.approx(wrong.fx)


def test_a_file_gives_the_plane_back(model, tmp_path):
    plane = plane_of(model.CAMERA, lit(model, model.CASES[0], 1, 5), WHERE)
    (tmp_path / "laser.json").write_text(plane.text())
    back = read_plane(tmp_path / "laser.json")
    assert back.camera == plane.camera
    assert_allclose(back.covariance, plane.covariance)
    assert back.text() == plane.text()
    for text, words in (
        ("{}", "no plane of a laser in it"),
        (plane.camera.text(), "no plane of a laser"),
        (json.dumps({**json.loads(plane.text()), "laser_plane": {"normal": [0, 0, 0]}}), "no plane of a laser"),
    ):
        (tmp_path / "bad.json").write_text(text)
        with pytest.raises(ReadError, match=words):
            read_plane(tmp_path / "bad.json")


def with_turn(model, turns, depths):
    """Lit boards in chosen poses, without errors."""
    case, rng = replace(model.CASES[0], corner=0.0, light=0.0, wander=0.0), np.random.default_rng(0)
    normal, distance = model.light()
    shifts = [np.array([(distance - normal[2] * z) / normal[0], 0.0, z]) for z in depths]
    return [
        model.lit_board(rng, np.array(t, float), s, case, i) for i, (t, s) in enumerate(zip(turns, shifts, strict=True))
    ]


def test_poses_that_fix_no_plane_are_refused_with_what_to_do(model):
    flat, tilts = [(0.1, 0.0, 0.0)] * 5, [(0.4, 0, 0), (-0.4, 0, 0), (0, 0.4, 0), (0, -0.4, 0), (0.3, 0.3, 0)]
    with pytest.raises(ReadError, match=r"all poses of the board are parallel within 0 degrees.*Tilt the board"):
        plane_of(model.CAMERA, with_turn(model, flat, np.linspace(0.9, 1.6, 5)), WHERE)
    with pytest.raises(ReadError, match="seen on the board in 3 poses"):
        plane_of(model.CAMERA, with_turn(model, tilts[:3], [0.9, 1.1, 1.3]), WHERE)
    turned = [(0, 0.4, 0), (0, -0.4, 0), (0, 0.3, 0), (0, 0.0, 0)]
    with pytest.raises(ReadError, match="all within .* of each other"):
        plane_of(model.CAMERA, with_turn(model, turned, [1.2] * 4), WHERE)


def test_a_camera_in_the_light_is_refused(model):
    boards, places = [], model.BOARD.places
    for i, depth in enumerate((0.9, 1.1, 1.3, 1.5)):
        turn = cv2.Rodrigues(np.array([0.4 * (-1) ** i, 0.3 * (-1) ** (i // 2), 0]))[0]
        corners = model.shown((places - places.mean(axis=0)) @ turn.T + [0, 0, depth], model.CASES[0])
        up = np.linspace(corners[:, 1].min() + 5, corners[:, 1].max() - 5, 60)
        boards.append(LitBoard(str(i), places, corners, np.column_stack([np.full(60, model.CAMERA.cx), up])))
    with pytest.raises(ReadError, match="the camera stands in the laser's plane"):
        plane_of(model.CAMERA, boards, WHERE)


# published photos and lens of a green line on a board of 9 x 7 squares gave 0.1 pixel on three of six poses and 1 pixel
# on those whose line runs along the squares' edges, 0.95 mm in all: tried by hand, not kept here
CAMERA = Camera(480, 360, 420.0, 420.0, 239.5, 179.5)
BOARD = Board(7, 6, 0.03)
NORMAL = np.array([0.9659, 0.02, 0.2581])
LIGHT = NORMAL / np.linalg.norm(NORMAL), 0.155 / np.linalg.norm(NORMAL)
POSES = [
    ((0.4, 0.1, 0), 0.42, 0.00), ((-0.4, 0.1, 0.1), 0.45, 0.03), ((0.1, 0.5, 0), 0.5, -0.03),
    ((0, -0.5, 0), 0.55, 0.02), ((0.3, 0.3, -0.1), 0.6, 0.0),
]  # fmt: skip


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    folder, rng = tmp_path_factory.mktemp("lit"), np.random.default_rng(5)
    normal, distance = LIGHT
    paths = []
    for i, (turn, depth, up) in enumerate(POSES):
        shift = ((distance - normal[2] * depth - normal[1] * up) / normal[0], up, depth)
        picture = photo(BOARD, turn, shift, CAMERA, light=LIGHT, rng=rng, ambient=0.6)
        paths.append(folder / f"{i}.png")
        Image.fromarray(picture).save(paths[-1], compress_level=1)
    dark = photo(BOARD, (0.2, 0.3, 0), (0.0, 0, 0.45), CAMERA, rng=rng, ambient=0.6)
    Image.fromarray(dark).save(folder / "dark.png", compress_level=1)
    (folder / "camera.json").write_text(CAMERA.text())
    return folder, [*paths, folder / "dark.png"]


@pytest.fixture(scope="module")
def made(drawn):
    folder, paths = drawn
    return calibrate_laser(paths, BOARD, folder / "camera.json")


def test_drawn_photos_give_the_plane_and_name_the_one_without_light(made):
    normal, distance = LIGHT
    assert made.plane.poses == 5
    assert np.degrees(np.arccos(min(abs(made.plane.normal @ normal), 1.0))) < 0.5
    assert made.plane.distance == pytest.approx(distance, abs=4 * made.plane.u_distance)
    assert made.plane.u_distance < 0.003
    assert [say(it) for it in made.notes] == ["dark.png is left out: no line of light can be followed on its board"]
    assert say(made.summary).startswith("The light passes the camera at 1")


def test_a_line_by_a_calibrated_plane_needs_no_tape(made, tmp_path):
    """A wall seen aslant, known heights along the light, and a set-up without pivot, camera or place of the line."""
    plane, heights = made.plane, lambda y: 0.004 * np.sin(9 * y)
    turn = cv2.Rodrigues(np.array([0.05, 0.35, 0.02]))[0] @ np.diag([1.0, -1.0, -1.0])
    place = np.array([0.6, 0.25, 0.6])
    light = LaserPlane.in_room(*LIGHT, View(CAMERA, np.eye(3), place, CAMERA.fx, 0.0, turn))
    picture = wall_photo(turn, place, light, heights)
    Image.fromarray(picture).save(tmp_path / "on.png", compress_level=1)
    (tmp_path / "laser.json").write_text(plane.text())
    words = "".join(
        f'[[point]]\npixel = [{px:.3f}, {py:.3f}]\nat = ["{x} m", "{y} m"]\n'
        for (x, y), (px, py) in zip(CORNERS, seen_at(turn, place, CORNERS), strict=True)
    )
    path = tmp_path / "setup.toml"
    path.write_text(f'[laser]\nplane = "laser.json"\n{words}[[line]]\non = "on.png"\n')
    ((line, budget),) = survey_lines(path).lines
    assert line.placed
    assert len(line.height) >= 5
    off = line.height - heights(line.y)
    assert np.abs(off).max() < 4 * budget.u + 0.001
    assert np.std(off) < 0.0015
    parts = dict(budget.common)
    assert parts[LASER_PLACE] == 0.0
    assert parts[LASER_PLANE] > 0
    assert parts[LENS] > 0
    assert parts[FOCAL] > 0
    near = replace(plane, near=3.0, far=4.0)
    (tmp_path / "laser.json").write_text(near.text())
    ((line, _),) = survey_lines(path).lines
    assert any("The laser's plane is less sure there" in say(it) for it in line.notes)
    other = replace(CAMERA, fx=600.0)
    (tmp_path / "other.json").write_text(other.text())
    path.write_text(path.read_text() + '[camera]\nfile = "other.json"\n')
    with pytest.raises(ReadError, match="calibrated with another lens file than other.json"):
        survey_lines(path)


CORNERS = [(0.05, 0.05), (0.65, 0.05), (0.65, 0.45), (0.05, 0.45), (0.35, 0.02)]


def seen_at(turn, place, at):
    points = np.column_stack([np.array(at), np.zeros(len(at))]) - place
    return cv2.projectPoints(points @ turn.T, np.zeros(3), np.zeros(3), CAMERA.matrix, np.zeros(4))[0].reshape(-1, 2)


def wall_photo(turn, place, light, heights):
    """Red, green, blue of a plain wall z = heights(y) in the light, each pixel's ray met with it."""
    col, row = np.meshgrid(np.arange(CAMERA.width), np.arange(CAMERA.height))
    ray = np.column_stack([CAMERA.straight(np.column_stack([col.ravel(), row.ravel()])), np.ones(col.size)]) @ turn
    share = -place[2] / ray[:, 2]
    for _ in range(3):
        share = (heights(place[1] + share * ray[:, 1]) - place[2]) / ray[:, 2]
    hit = place + share[:, None] * ray
    off = hit @ light.normal - light.distance
    red = 130 * np.exp(-4 * np.log(2) * (off / 0.003) ** 2).reshape(col.shape)
    picture = np.stack([60 + red, 60 + 0.05 * red, 60 + 0.02 * red], axis=-1)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7) + np.random.default_rng(2).normal(0, 1.0, picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('pivot = ["1 m", "1 m", "1 m"]\n', "plane beside pivot"),
        ('[camera]\nplace = ["1 m", "1 m", "3 m"]\n', "plane beside place"),
        ('[straightness]\non = "on.png"\noff = "on.png"\npivot = ["1 m", "1 m", "1 m"]\n', "plane beside straightness"),
    ],
)
def test_a_plane_beside_a_tape_is_refused(made, tmp_path, more, words):
    (tmp_path / "laser.json").write_text(made.plane.text())
    (tmp_path / "on.png").write_bytes(b"")
    path = tmp_path / "s.toml"
    path.write_text(f'[laser]\nplane = "laser.json"\n{more}[[line]]\non = "on.png"\n')
    with pytest.raises(BadTable, match=words):
        survey_lines(path)


def test_without_a_lens_file_it_comes_from_the_same_photos_or_says_why_not(drawn):
    _, paths = drawn
    with pytest.raises(ReadError, match="the lens does not follow from these photos"):
        calibrate_laser(paths, BOARD)
