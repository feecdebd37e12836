"""Printed boards of every kind on drawn photos: found, told where another was asked for, left out by name."""

import cv2
import numpy as np
import pytest
from board_scene import photo, size_of
from numpy.testing import assert_allclose
from PIL import Image

from flatscan.capture.calibration.board_photos import recognised, sightings
from flatscan.capture.calibration.boards import CIRCLES, MARKERS, SQUARES, STAGGERED, Board, as_board, find_board
from flatscan.capture.camera import Camera
from flatscan.core.errors import BadValue, ReadError
from flatscan.report.say import say

CAMERA = Camera(400, 300, 350.0, 350.0, 199.5, 149.5)
BOARDS = [Board(8, 6, 0.03), Board(7, 6, 0.03, MARKERS), Board(7, 7, 0.03, CIRCLES), Board(4, 9, 0.05, STAGGERED)]
TURN, SHIFT = (0.2, -0.3, 0.05), (0.01, -0.005, 0.36)


def drawn(board, turn=TURN, shift=SHIFT, **more):
    return np.ascontiguousarray(photo(board, turn, shift, CAMERA, **more)[..., 1])


def shown(board, places):
    """Where places (n, 3) on a board are seen."""
    middle = np.append(size_of(board) / 2, 0.0)
    if board.kind == CIRCLES:
        middle = middle - board.square * np.array([1.0, 1.0, 0])
    if board.kind == STAGGERED:
        middle = middle - board.square * np.array([1.0, 1.0, 0])
    pixels, _ = cv2.projectPoints(places - middle, np.array(TURN), np.array(SHIFT), CAMERA.matrix, np.zeros(4))
    return pixels.reshape(-1, 2)


@pytest.mark.parametrize("board", BOARDS, ids=lambda one: one.name)
def test_a_board_is_found_where_it_was_drawn(board):
    places, pixels = find_board(drawn(board), board)
    assert len(places) == len(board.places) or board.kind == MARKERS
    true = shown(board, places)
    # boards that look the same from either end may be numbered from either
    far = min(np.abs(pixels - way).max() for way in (true, true[::-1]))
    assert far < 0.35 or board.kind == CIRCLES
    nearest = np.hypot(*(pixels[:, None] - true[None]).T).min(axis=0)
    assert nearest.max() < 0.35


def test_white_circles_on_black_are_found_as_well():
    board = BOARDS[2]
    assert find_board(drawn(board, invert=True), board) is not None


@pytest.mark.parametrize("board", BOARDS, ids=lambda one: one.name)
def test_a_board_is_told_by_kind_and_count(board):
    assert recognised([drawn(board)], 0.03) in (
        Board(board.across, board.down, 0.03, board.kind),
        Board(board.down, board.across, 0.03, board.kind),
    )


def test_a_wall_is_no_board():
    assert recognised([np.full((200, 300), 128, np.uint8)], 0.03) is None


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("photos")
    circles, squares = BOARDS[2], BOARDS[0]
    for i, (turn, shift) in enumerate([(TURN, SHIFT), ((-0.2, 0.3, 0), (0, 0, 0.4)), ((0.3, 0, 0.2), (0.02, 0, 0.38))]):
        for name, board in (("circles", circles), ("squares", squares)):
            Image.fromarray(drawn(board, turn, shift)).save(path / f"{name}{i}.png")
    whole = drawn(squares)
    hidden = whole.copy()
    hidden[:, 260:] = 120
    Image.fromarray(hidden).save(path / "hidden.png")
    Image.fromarray(np.full_like(whole, 3)).save(path / "dark.png")
    Image.fromarray(np.full_like(whole, 255)).save(path / "bright.png")
    Image.fromarray(np.full_like(whole, 120)).save(path / "none.png")
    Image.fromarray(whole[:, ::-1].T.copy()).save(path / "turned.png")
    return path


def named(folder, *names):
    return [folder / f"{name}.png" for name in names]


def test_another_board_than_asked_for_is_named_with_what_to_type(folder):
    with pytest.raises(ReadError) as refused:
        sightings(named(folder, "circles0", "circles1"), BOARDS[0], 2)
    assert "this is a board of 7 x 7 circles; 8 x 6 squares are seen in 0 of 2 photos" in refused.value.found
    assert "circles:7x7" in refused.value.remedy
    with pytest.raises(ReadError, match="this is a board of 8 x 6 squares"):
        sightings(named(folder, "squares0", "squares1"), Board(10, 7, 0.03), 2)


def test_enough_good_photos_are_enough_and_each_other_one_is_named_with_why(folder):
    names = ("squares0", "hidden", "squares1", "dark", "none", "turned", "squares2", "bright")
    found = sightings(named(folder, *names), BOARDS[0], 3)
    assert [one.photo.stem for one in found.seen] == ["squares0", "squares1", "squares2"]
    assert found.size == (400, 300)
    words = [say(one) for one in found.without]
    assert [one.split(" is left out")[0] for one in words] == [
        "hidden.png", "dark.png", "none.png", "turned.png", "bright.png",
    ]  # fmt: skip
    for one, why in zip(
        words, ("of the board's 35", "too dark", "no such board", "300 x 400", "over-exposed"), strict=True
    ):
        assert why in one


def test_a_marker_board_of_another_width_is_not_taken_for_this_one():
    # the numbers fall elsewhere: corners would be given places that lie on no plane
    assert find_board(drawn(BOARDS[1]), Board(6, 7, 0.03, MARKERS)) is None


def test_staggered_circles_stand_as_the_common_pattern_has_them():
    # OpenCV, calib3d, camera calibration sample: ((2 j + i % 2) s, i s) for rows i, with s half of a row's step
    board = Board(4, 11, 0.04, STAGGERED)
    common = [((2 * j + i % 2) * 0.02, i * 0.02, 0.0) for i in range(11) for j in range(4)]
    assert_allclose(board.places, common)


@pytest.mark.parametrize(
    ("text", "kind", "across", "down"),
    [("10x7", SQUARES, 10, 7), ("circles:7x7", CIRCLES, 7, 7), ("Asymmetric-Circles:4×11", STAGGERED, 4, 11)],
)
def test_boards_are_asked_for_by_name(text, kind, across, down):
    board = as_board(text, 0.02)
    assert (board.kind, board.across, board.down) == (kind, across, down)
    assert as_board(board.name, 0.02) == board


def test_names_and_sizes_that_are_none_are_refused():
    for text in ("7", "hexagons:7x7", "x"):
        with pytest.raises(ValueError, match=text):
            as_board(text, 0.02)
    with pytest.raises(BadValue, match="2 x 7 circles"):
        Board(2, 7, 0.02, CIRCLES)
    assert as_board("7x9", 0.02, markers=True).kind == MARKERS
