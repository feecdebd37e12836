"""Printed boards on pictures: found where the one asked for is seen, and told by kind and count where another is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from flatscan.capture.calibration.printed_marks import MARKER_SHARE, dictionary
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.quantity import metres

SQUARES, MARKERS, CIRCLES, STAGGERED = "squares", "markers", "circles", "asymmetric-circles"
KINDS = (SQUARES, MARKERS, CIRCLES, STAGGERED)
_WORDS = {
    SQUARES: "{across} x {down} squares",
    MARKERS: "{across} x {down} squares with markers",
    CIRCLES: "{across} x {down} circles",
    STAGGERED: "{down} staggered rows of {across} circles",
}
FEWEST, MOST = 3, 40
_FEWEST_MARKED = 8
# corners of a flat board, seen through any usual lens, miss their homography by less than this share of its size
MOST_BENT = 0.03
EITHER_COLOUR = (0, 255)


@dataclass(frozen=True, slots=True)
class Board:
    """Counts across and down, and the ``square`` [m]: side of a square, or middle to middle of circles in one row.

    Of ``squares`` and ``markers`` the squares are counted, of ``circles`` the circles, of ``asymmetric-circles``
    (every other row shifted by half a step, rows half a step apart) the circles in a row and the rows.
    """

    across: int
    down: int
    square: float
    kind: str = SQUARES

    def __post_init__(self) -> None:
        least = FEWEST if self.kind in (CIRCLES, STAGGERED) else FEWEST + 1
        counts = least <= self.across <= MOST and least <= self.down <= MOST
        if not (counts and 0.002 < self.square < 0.5 and self.kind in KINDS):
            raise BadValue(
                "board",
                f"{_WORDS.get(self.kind, self.kind)} of {{square:length.g}}",
                needed="{fewest} to {many} each way, of {least:length} to {most:length}",
                remedy="Count the squares or circles and measure one step",
                across=self.across,
                down=self.down,
                square=metres(self.square),
                fewest=least,
                many=MOST,
                least=metres(0.002),
                most=metres(0.5),
            )

    @property
    def name(self) -> str:
        """How it is asked for: ``10x7``, ``circles:7x7``."""
        counts = f"{self.across}x{self.down}"
        return counts if self.kind == SQUARES else f"{self.kind}:{counts}"

    @property
    def words(self) -> str:
        """What it is, in words."""
        return _WORDS[self.kind].format(across=self.across, down=self.down)

    @property
    def places(self) -> Array:
        """Places (n, 3) [m] of inner corners or circles' middles, row by row."""
        if self.kind == STAGGERED:
            row, step = np.divmod(np.arange(self.across * self.down), self.across)
            flat = np.column_stack([step + (row % 2) / 2, row / 2])
        else:
            less = 0 if self.kind == CIRCLES else 1
            row, step = np.divmod(np.arange((self.across - less) * (self.down - less)), self.across - less)
            flat = np.column_stack([step, row]) + less
        return np.column_stack([flat, np.zeros(len(flat))]) * self.square

    def charuco(self) -> Any:
        """OpenCV's board of squares and markers."""
        import cv2

        marker = MARKER_SHARE * self.square
        return cv2.aruco.CharucoBoard((self.across, self.down), self.square, marker, dictionary())


def find_board(grey: Any, board: Board) -> tuple[Array, Array] | None:
    """Places (n, 3) [m] on the board and pixels (n, 2) where they are seen; None where it is not seen whole.

    Of boards with markers eight corners are enough. Corners that lie on no plane are no board's: another count or
    order of markers.
    """
    found = _marked(grey, board) if board.kind == MARKERS else _whole(grey, board)
    return None if found is None or _bent(*found) else found


def _whole(grey: Any, board: Board) -> tuple[Array, Array] | None:
    places = board.places
    pixels = _chequers(grey, board) if board.kind == SQUARES else _circles(grey, board)
    return None if pixels is None or len(pixels) != len(places) else (places, pixels)


def _chequers(grey: Any, board: Board) -> Array | None:
    import cv2

    inner = board.across - 1, board.down - 1
    done, corners = cv2.findChessboardCornersSB(grey, inner, flags=cv2.CALIB_CB_ACCURACY | cv2.CALIB_CB_EXHAUSTIVE)
    if not done:
        # the older finder grows squares one by one and stands more glare and blur, but is less sharp
        done, corners = cv2.findChessboardCorners(grey, inner)
        if not done:
            return None
        apart = np.asarray(corners, float).reshape(-1, 2)
        window = max(2, int(0.3 * np.hypot(*(apart[1] - apart[0]))))
        ended = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-3)
        corners = cv2.cornerSubPix(grey, corners, (window, window), (-1, -1), ended)
    return np.asarray(corners, float).reshape(-1, 2)


def _marked(grey: Any, board: Board) -> tuple[Array, Array] | None:
    import cv2

    corners, numbers, _, _ = cv2.aruco.CharucoDetector(board.charuco()).detectBoard(grey)
    if numbers is None or len(numbers) < _FEWEST_MARKED:
        return None
    every = np.asarray(board.charuco().getChessboardCorners(), float)
    return every[np.asarray(numbers).ravel()], np.asarray(corners, float).reshape(-1, 2)


def _circles(grey: Any, board: Board) -> Array | None:
    for colour in EITHER_COLOUR:
        found = grid_of(spots_on(grey, colour), board)
        if found is not None:
            return found
    return None


def grid_of(spots: Array, board: Board) -> Array | None:
    """The spots (n, 2) that make the board's grid, in its order; None where they do not."""
    import cv2

    if len(spots) < board.across * board.down:
        return None
    flags = cv2.CALIB_CB_SYMMETRIC_GRID if board.kind == CIRCLES else cv2.CALIB_CB_ASYMMETRIC_GRID
    points: Any = spots.astype(np.float32)[None]
    settings = cv2.CirclesGridFinderParameters()
    for more in (0, cv2.CALIB_CB_CLUSTERING):
        blobs: Any = None
        try:
            done, centres = cv2.findCirclesGrid(points, (board.across, board.down), flags | more, blobs, settings)
        except cv2.error:
            continue
        if done:
            return np.asarray(centres, float).reshape(-1, 2)
    return None


def spots_on(grey: Any, colour: int) -> Array:
    """Middles (n, 2) [pixels] of round spots, dark (0) or bright (255), of the size that most of them have."""
    import cv2

    library: Any = cv2
    settings = library.SimpleBlobDetector_Params()
    settings.blobColor = colour
    settings.minArea, settings.maxArea = 20.0, grey.size / 40
    settings.minInertiaRatio, settings.minConvexity, settings.minDistBetweenBlobs = 0.15, 0.9, 4.0
    spots = library.SimpleBlobDetector_create(settings).detect(grey)
    sizes = np.array([spot.size for spot in spots])
    if not len(sizes):
        return np.empty((0, 2))
    usual = np.abs(np.log(sizes / np.median(sizes))) < np.log(2.2)
    return np.array([spot.pt for spot in spots], float)[usual]


def _bent(places: Array, pixels: Array) -> bool:
    import cv2

    homography, _ = cv2.findHomography(places[:, :2], pixels, 0)
    if homography is None:
        return True
    shown = cv2.perspectiveTransform(places[None, :, :2], homography)[0]
    off = np.hypot(*(shown - pixels).T).max()
    return bool(off > MOST_BENT * np.hypot(*np.ptp(pixels, axis=0)))


def as_board(text: str, square: float, *, markers: bool = False) -> Board:
    """The board asked for as ``10x7`` or ``kind:10x7``; raises `ValueError` where the text is no such thing."""
    kind, mark, counts = text.strip().lower().rpartition(":")
    across, _, down = counts.replace("×", "x").partition("x")
    if not (across.isdigit() and down.isdigit()) or (mark and kind not in KINDS):
        raise ValueError(text)
    board = Board(int(across), int(down), square, kind or SQUARES)
    return replace(board, kind=MARKERS) if markers and board.kind == SQUARES else board
