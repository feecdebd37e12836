"""Photos of a board: those that show it, why the others do not, and which board it is where another was asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.calibration.boards import (
    CIRCLES,
    EITHER_COLOUR,
    FEWEST,
    MARKERS,
    MOST,
    MOST_BENT,
    SQUARES,
    STAGGERED,
    Board,
    find_board,
    grid_of,
    spots_on,
)
from flatscan.capture.calibration.printed_marks import MARKERS as MARKED
from flatscan.capture.calibration.printed_marks import dictionary
from flatscan.capture.pictures import Picture, read_picture
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share

_SHORT = {
    "picture.board-too-dark": "too dark",
    "picture.board-too-bright": "over-exposed",
    "picture.board-not-seen": "no such board",
    "picture.photo-of-another-size": "of another size",
}
# pictures looked through for another board than the one asked for
_LOOKED_THROUGH, _WIDE_ENOUGH = 6, 1000
_DARK, _BRIGHT = 40, 250
# how near a corner, as a share of the way to the field's middle, fields must differ, and how many of them must
_CLOSE, _ALIKE = 0.2, 0.8


@dataclass(frozen=True, eq=False)
class Sighting:
    """A board on one photo: ``places`` (n, 3) [m] on it and the ``pixels`` (n, 2) where they are seen."""

    photo: Path
    picture: Picture
    places: Array
    pixels: Array


@dataclass(frozen=True, eq=False)
class Sightings:
    """All photos that show a board, of one ``size`` [pixels]; ``without`` says of each other one why it is left out."""

    seen: tuple[Sighting, ...]
    size: tuple[int, int]
    without: tuple[Note, ...]


def sightings(photos: Sequence[Path], board: Board, least: int) -> Sightings:
    """The board on each of the photos; those that do not show it whole are left out, each with the reason.

    Raises `ReadError` where fewer than ``least`` show it: of another kind or count, if that is what they show, else
    with the first reasons.
    """
    pictures = [(photo, read_picture(photo)) for photo in photos]
    sizes = Counter(picture.colours.shape[1::-1] for _, picture in pictures)
    size = max(sizes, key=lambda one: sizes[one]) if sizes else (0, 0)
    seen, without, missed = [], [], []
    for photo, picture in pictures:
        grey = grey_of(picture)
        if grey.shape[::-1] != size:
            without.append(_other_size(photo, picture, size))
            continue
        found = find_board(grey, board)
        if found is None:
            missed.append(grey)
            without.append(_why_not(grey, board, photo.name))
        else:
            seen.append(Sighting(photo, picture, *found))
    if len(seen) < least:
        _refuse_few(photos, board, len(seen), least, missed, tuple(without))
    return Sightings(tuple(seen), (int(size[0]), int(size[1])), tuple(without))


def grey_of(picture: Picture) -> Any:
    """The picture as one channel (rows, cols), whole numbers 0 to 255."""
    return np.ascontiguousarray(np.rint(picture.colours.mean(axis=2)).astype(np.uint8))


def _other_size(photo: Path, picture: Picture, size: tuple[int, int]) -> Note:
    needed = f"{size[0]} x {size[1]}"
    return note("picture.photo-of-another-size", photo=photo.name, size=picture.size, needed=needed)


def _refuse_few(
    photos: Sequence[Path], board: Board, used: int, least: int, missed: list[Any], without: tuple[Note, ...]
) -> None:
    where = photos[0] if photos else "calibrate"
    values = {"used": used, "photos": len(photos), "least": least, "name": board.name}
    other = recognised(missed, board.square)
    if other is not None and other.name != board.name:
        raise ReadError(
            where,
            f"this is a board of {other.words}; {board.words} are seen in {{used}} of {{photos}} photos",
            needed="the board that was asked for, in at least {least} photos",
            remedy="Give {set:board} {other}",
            other=other.name,
            **values,
        )
    raise ReadError(
        where,
        f"the board of {board.words} is seen whole in {{used}} of {{photos}} photos"
        + ("; {reasons}" if without else ""),
        needed="at least {least}, better twice as many",
        remedy="Photograph it sharp, well lit and whole, all with one camera held the same way up",
        reasons=tuple(_short(one) for one in without[:3]),
        **values,
    )


def _short(left_out: Note) -> str:
    """A photo and why it is left out, as an error lists it."""
    values = dict(left_out.pairs)
    part = "{seen} of {all} points told".format(**values) if left_out.code == "picture.board-in-part" else ""
    return f"{values['photo']} ({part or _SHORT[left_out.code]})"


def _why_not(grey: Any, board: Board, photo: str) -> Note:
    """Why a photo does not show the board: part of it only, too dark, over-exposed, or nothing of it."""
    part, whole = _part_of(grey, board), len(board.places)
    if 0 < part < whole:
        return note("picture.board-in-part", photo=photo, seen=part, all=whole)
    middle, light = float(np.percentile(grey, 90)), float((grey > _BRIGHT).mean())
    if middle < _DARK:
        return note("picture.board-too-dark", photo=photo)
    if light > 0.3:
        return note("picture.board-too-bright", photo=photo, share=share(light))
    return note("picture.board-not-seen", photo=photo)


def _part_of(grey: Any, board: Board) -> int:
    """How many of the corners or circles of a board can be told, in whatever order."""
    if board.kind == MARKERS:
        import cv2

        numbers = cv2.aruco.CharucoDetector(board.charuco()).detectBoard(grey)[1]
        return 0 if numbers is None else len(numbers)
    if board.kind == SQUARES:
        found = _larger(grey)
        return 0 if found is None else found[0] * found[1]
    spots = max(len(spots_on(grey, colour)) for colour in EITHER_COLOUR)
    return spots if spots > len(board.places) // 3 else 0


def _larger(grey: Any) -> tuple[int, int] | None:
    """Inner corners of the largest chequered part, the longer side first."""
    import cv2

    flags = cv2.CALIB_CB_ACCURACY | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_LARGER
    done, corners, meta = cv2.findChessboardCornersSBWithMeta(grey, (3, 3), flags)
    if not done or meta is None:
        return None
    rows, cols = np.asarray(meta).shape[:2]
    if not _chequered(grey, np.asarray(corners, float).reshape(rows, cols, 2)):
        return None
    return max(rows, cols), min(rows, cols)


def _chequered(grey: Any, corners: Array) -> bool:
    """Whether tone changes from field to field right up to the corners (rows, cols, 2): between circles it does not."""
    rows, cols = corners.shape[:2]
    middles = (corners[:-1, :-1] + corners[1:, :-1] + corners[:-1, 1:] + corners[1:, 1:]) / 4
    dark = (np.add.outer(np.arange(rows - 1), np.arange(cols - 1)) % 2).astype(bool)
    close = []
    for down, across in ((0, 0), (0, 1), (1, 0), (1, 1)):
        corner = corners[down : down + rows - 1, across : across + cols - 1]
        col, row = np.rint(corner + _CLOSE * (middles - corner)).astype(int).reshape(-1, 2).T
        close.append(grey[row.clip(0, grey.shape[0] - 1), col.clip(0, grey.shape[1] - 1)].reshape(dark.shape))
    light = np.stack(close).astype(float)
    one, other = light[:, dark], light[:, ~dark]
    low, high = (one, other) if np.median(one) < np.median(other) else (other, one)
    middle = (np.median(low) + np.median(high)) / 2
    return bool((low < middle).mean() > _ALIKE and (high > middle).mean() > _ALIKE)


def recognised(greys: Sequence[Any], square: float) -> Board | None:
    """The board that most of these pictures show, whatever was asked for; None where no two agree on one.

    One picture is enough where there is only one.
    """
    some = [_smaller(grey) for grey in list(greys)[:_LOOKED_THROUGH]]
    told = Counter(board for board in (_told(grey, square) for grey in some) if board is not None)
    if not told:
        return None
    board, times = max(told.items(), key=lambda one: (one[1], one[0].across * one[0].down))
    return board if times > 1 or len(some) == 1 else None


def _smaller(grey: Any) -> Any:
    """The picture with at most a thousand pixels across: counting needs no more."""
    import cv2

    part = _WIDE_ENOUGH / max(grey.shape)
    return grey if part >= 1 else cv2.resize(grey, None, fx=part, fy=part, interpolation=cv2.INTER_AREA)


def _told(grey: Any, square: float) -> Board | None:
    """The board on one picture: markers first, since they stand in squares, and circles last."""
    marked = _told_by_markers(grey, square)
    if marked is not None:
        return marked
    inner = _larger(grey)
    if inner is not None and inner[0] * inner[1] >= 12:
        return Board(inner[0] + 1, inner[1] + 1, square)
    for colour in EITHER_COLOUR:
        spots = spots_on(grey, colour)
        for board in _grids(len(spots), square):
            if grid_of(spots, board) is not None:
                return board
    return None


def _grids(spots: int, square: float) -> Iterator[Board]:
    """Grids of circles that so many spots may be, some of them strays; the largest first."""
    counts = [(a, b) for a in range(FEWEST, 25) for b in range(FEWEST, 25) if 0.7 * spots <= a * b <= spots]
    for across, down in sorted(counts, key=lambda one: (-one[0] * one[1], -one[0])):
        if across >= down:
            yield Board(across, down, square, CIRCLES)
        yield Board(across, down, square, STAGGERED)


def _told_by_markers(grey: Any, square: float) -> Board | None:
    """Squares of a board with our markers, by the width in which their numbers fall into place."""
    import cv2

    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary()).detectMarkers(grey)
    if numbers is None or len(numbers) < 4:
        return None
    seen, at = np.asarray(numbers).ravel(), np.array([np.asarray(one).reshape(4, 2).mean(axis=0) for one in corners])
    best: tuple[float, Board] | None = None
    for across in range(FEWEST + 1, MOST + 1):
        down = next((d for d in range(FEWEST + 1, MOST + 1) if across * d // 2 > seen.max()), None)
        if down is None or across * down > 2 * MARKED + 1:
            continue
        board = Board(across, down, square, MARKERS)
        middles = np.array(board.charuco().getObjPoints())[seen].mean(axis=1)[:, :2]
        homography, _ = cv2.findHomography(middles, at, 0)
        if homography is None:
            continue
        shown = cv2.perspectiveTransform(np.asarray(middles[None], np.float64), homography)[0]
        off = float(np.hypot(*(shown - at).T).max())
        if best is None or off < best[0]:
            best = off, board
    fits = best is not None and best[0] < MOST_BENT * np.hypot(*np.ptp(at, axis=0))
    return best[1] if best is not None and fits else None
