"""Calibration from drawn boards of a known lens; printed targets and boards found again at their size."""

import io
from functools import cache

import cv2
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from numpy.testing import assert_allclose
from PIL import Image

from flatscan.capture.calibration.boards import MARKERS, Board
from flatscan.capture.calibration.lens import calibrate
from flatscan.capture.calibration.printed_marks import find_targets, marker_bits
from flatscan.capture.camera import Camera
from flatscan.core.errors import BadValue, ReadError
from flatscan.core.notes import note
from flatscan.report.say import say, trouble
from flatscan.report.target_sheet import board_figure, board_page, target_figure, target_pages

TRUE = Camera(800, 600, 633.0, 633.0, 403.0, 297.0, (0.06, -0.04, 0.0006, -0.0005, 0.0))
BOARD = Board(9, 7, 0.03)


@cache
def rays(camera):
    """Four rays a pixel."""
    step = (np.arange(2) + 0.5) / 2 - 0.5
    col, row = np.meshgrid(*((np.arange(many)[:, None] + step).ravel() for many in (camera.width, camera.height)))
    return np.column_stack([camera.straight(np.column_stack([col.ravel(), row.ravel()])), np.ones(col.size)])


def photo(turn, shift, camera=TRUE, board=BOARD):
    """The board through the lens: every pixel's rays met with the board's plane."""
    ray = rays(camera)
    rotation, shift = cv2.Rodrigues(np.array(turn, float))[0], np.array(shift, float)
    size = np.array([board.across, board.down]) * board.square
    along = (rotation.T @ (shift)) @ np.eye(3)
    reach = along[2] / (ray @ rotation)[:, 2]
    x, y, _ = ((ray * reach[:, None]) @ rotation - along).T + np.array([*size / 2, 0])[:, None]
    inside = (x >= 0) & (x < size[0]) & (y >= 0) & (y < size[1])
    black = inside & ((np.floor(x / board.square) + np.floor(y / board.square)) % 2 == 0)
    shade = np.where(black, 40.0, np.where(inside, 210.0, 190.0))
    shade = shade.reshape(camera.height, 2, camera.width, 2).mean(axis=(1, 3))
    return np.clip(np.rint(cv2.GaussianBlur(shade, (0, 0), 0.7)), 0, 255).astype(np.uint8)


VIEWS = [
    ((0.45, 0, 0), (0, 0, 0.33)), ((-0.45, 0, 0.05), (0.03, 0, 0.34)), ((0, 0.5, 0), (-0.06, 0.03, 0.36)),
    ((0, -0.5, 0.1), (0.07, -0.03, 0.36)), ((0.3, 0.3, 0), (-0.05, -0.05, 0.38)),
    ((-0.3, 0.35, 1.5), (0.04, 0.02, 0.45)), ((0.1, 0.05, 0), (0, 0, 0.30)), ((0.3, -0.35, -0.1), (0.08, 0.05, 0.42)),
]  # fmt: skip


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    folder = tmp_path_factory.mktemp("board")
    paths = []
    for i, view in enumerate(VIEWS):
        paths.append(folder / f"{i}.png")
        Image.fromarray(photo(*view)).save(paths[-1])
    return paths


@pytest.fixture(scope="module")
def made(photos):
    return calibrate(photos, BOARD)


def test_a_known_lens_is_found(made):
    camera = made.camera
    assert len(made.used) >= 7
    assert camera.fx == pytest.approx(633.0, rel=2e-3)
    assert camera.cx == pytest.approx(403.0, abs=2.0)
    assert camera.cy == pytest.approx(297.0, abs=2.0)
    assert camera.rms < 0.3
    # what counts is where rays go, but for a shift of the centre that a turn of the camera undoes
    edge = np.array([[40.0, 40], [760, 40], [40, 560], [760, 560], [400, 40], [40, 300]])
    shift = (camera.cx - TRUE.cx) / 633, (camera.cy - TRUE.cy) / 633
    assert np.abs(camera.straight(edge) + shift - TRUE.straight(edge)).max() < 2.0 / 633


def test_uncertainty_of_the_focal_length_is_small_and_said(made):
    assert 1e-5 < made.u_focal < 5e-3
    assert say(made.summary).startswith(f"Focal length {made.camera.fx:.1f} px, good to ")
    assert made.notes[-1] == note("picture.this-focus-only")
    assert {it.code for it in made.notes} >= {"picture.few-photos"}


def test_too_few_or_alike_photos_are_refused(photos, tmp_path):
    with pytest.raises(ReadError, match="in 3 of 3 photos"):
        calibrate(photos[:3], BOARD)
    with pytest.raises(ReadError, match="tilted by at most 0 degrees"):
        calibrate([photos[0]] * 6, BOARD)
    Image.fromarray(np.full((600, 800), 128, np.uint8)).save(tmp_path / "blank.png")
    with pytest.raises(ReadError, match="in 0 of 1 photos"):
        calibrate([tmp_path / "blank.png"], BOARD)
    Image.fromarray(np.full((90, 120), 128, np.uint8)).save(tmp_path / "other.png")
    with pytest.raises(ReadError, match="other.png \\(of another size\\)"):
        calibrate([photos[0], tmp_path / "other.png"], BOARD)


@pytest.mark.parametrize("board", [(1, 7, 0.03), (9, 7, 0.0), (9, 99, 0.03)])
def test_boards_that_make_no_sense_are_refused(board):
    with pytest.raises(BadValue):
        Board(*board)


def drawn(figure, dpi=150):
    figure.set_dpi(dpi)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3].copy()


@pytest.mark.parametrize(("number", "paper"), [(0, "a4"), (17, "letter"), (49, "a4")])
def test_a_printed_target_is_found_at_its_number_and_size(number, paper):
    found = find_targets(drawn(target_figure(number, 0.1, paper)))
    assert list(found) == [number]
    sides = np.hypot(*(found[number] - np.roll(found[number], 1, axis=0)).T) / 150 * 25.4
    assert_allclose(sides, 100.0, atol=0.2)
    # from top left, clockwise: the target hangs upright
    assert found[number][0, 0] < found[number][1, 0]
    assert found[number][0, 1] < found[number][3, 1]


def test_a_printed_board_is_found_with_all_corners_at_their_places():
    board = Board(7, 9, 0.02, MARKERS)
    grey = drawn(board_figure(board, "a4")).mean(axis=2).round().astype(np.uint8)
    corners, numbers, _, _ = cv2.aruco.CharucoDetector(board.charuco()).detectBoard(grey)
    assert len(numbers) == 6 * 8
    places = board.charuco().getChessboardCorners()[numbers.ravel(), :2]
    shown = corners.reshape(-1, 2) / 150 * 0.0254
    assert_allclose(shown - shown.mean(axis=0), places - places.mean(axis=0), atol=2e-4)


def test_a_marker_has_a_black_border_and_some_white():
    bits = marker_bits(7)
    assert bits.shape == (6, 6)
    assert not bits[0].any()
    assert not bits[:, -1].any()
    assert bits.any()
    with pytest.raises(BadValue, match="number 50"):
        marker_bits(50)


def test_pages_are_the_same_bytes_twice_and_one_a_target():
    from io import BytesIO

    from pypdf import PdfReader

    one, two = (target_pages(0.12, 3, first=2) for _ in range(2))
    assert one == two
    reader = PdfReader(BytesIO(one))
    assert len(reader.pages) == 3
    box = reader.pages[0].mediabox
    assert float(box.width) / 72 * 25.4 == pytest.approx(210, abs=0.1)
    words = reader.pages[0].extract_text()
    assert "arget 2" in words  # older pypdf reads "T arget": the pair is kerned
    assert "120 mm" in words
    assert words.index("laser") < words.index("arget 2")


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ((0.5, 8, 0), "size: 500 mm; needed: 10 mm to 121 mm on a4"),
        ((0.001, 8, 0), "size: 1 mm; needed: 10 mm to 121 mm on a4"),
        ((0.1, 0, 0), "count: 0 from number 0; needed: numbers 0 to 49"),
        ((0.1, 10, 45), "count: 10 from number 45"),
        ((0.1, 3, -1), "count: 3 from number -1"),
    ],
)
def test_sizes_and_numbers_that_do_not_fit_are_refused(asked, said):
    with pytest.raises(BadValue, match=said):
        target_pages(asked[0], asked[1], first=asked[2])


def test_a_board_larger_than_the_paper_is_refused_by_the_readers_name_of_it():
    with pytest.raises(BadValue, match="board: 600 mm x 600 mm; needed: at most 186 mm x 193 mm on a4") as refused:
        board_page(Board(20, 20, 0.03, MARKERS))
    assert trouble(refused.value).startswith("--board: ")


@pytest.mark.parametrize(("units", "near"), [("mm", "1.5 m to 2.5 m"), ("in", "5 ft 0 in to 8 ft 0 in")])
def test_a_guide_for_photos_of_a_bare_wall_comes_before_the_targets(units, near):
    from pypdf import PdfReader

    from flatscan.report.photo_guide import guide_lines

    pages = PdfReader(io.BytesIO(target_pages(0.12, 2, guide=True, units=units))).pages
    assert len(pages) == 3
    text = pages[0].extract_text()
    assert near in text.replace("\n", " ")
    assert all(line.split()[1] in text for line in guide_lines(units))
    assert len(PdfReader(io.BytesIO(target_pages(0.12, 2, units=units))).pages) == 2
    assert max(len(words.split()) for line in guide_lines(units) for words in line.split(". ")) <= 25
