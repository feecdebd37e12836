"""What hangs on a wall is told from the wall: three outcomes, removed, doubtful, or no object at all.

The evidence is geometry alone: how high a piece stands, how sharp its border is all the way round, how flat its top,
how straight its sides, how deep its points lie behind each other (methods/walls 9). Where a wall can look alike, as a
proud course of blocks does, it is doubtful.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Mask
from flatscan.relief.borders import Piece, measured
from flatscan.relief.pieces import EIGHT, FURTHEST, Cells, Window, proud_pieces

# what no wall stands proud by over less than a metre [m]; what boards, blocks and plaster do stand proud by [m]
TALL, THICK = 0.030, 0.013
# share of a border that is sharp: all of it; or too much for a hump
SHARP, PARTLY = 0.8, 0.6
# a top that falls by so much of its height to its sides is a hump's
DOMED = 0.3
# heights of courses of blocks and bricks with some slack [m] (common practice: blocks 190 to 215 mm, bricks 65)
COURSES = ((0.170, 0.245), (0.050, 0.085))
PATCH = 0.0095
# plates of sockets and switches, single and double (common practice)
PLATE = (0.077, 0.160)
LUMP = 0.165
# a cable is about as high as it is wide, what a trowel leaves is far wider
ROUND, FLATTISH = 0.5, 0.28
LONG = 0.4
LOW_CABLE = 0.0045
LOWEST = 0.003
# thinner than this [m] and short is mortar, wider than the second is no line; fewer cells across do not show a form
SLIM, BROAD, RESOLVED = 0.06, 0.08, 4
LEAST_CELLS = 3
# cells around a piece that little of it falls on are not measured either [m]; large cells show what falls on them
COLLAR = 0.015
# what takes more of the wall may be a level of it; more than the second is the wall
LARGEST, LARGEST_OF_ALL = 0.155, 0.4
# a bit beside a long thing is as high as it is, within so much, no lower than boards are, and small [m]
ALIKE, THICK_BIT, LARGEST_BIT = 0.002, 0.008, 0.30
SCREEN_OFF = 0.015
HIGHEST_PLATE = 0.0128
LOWEST_PLATE = 0.005
SINGLE, DOUBLE = (0.0058, 0.0088), (0.0108, 0.0148)
CREST = (0.9, 1.16)
# in cells from this size on a plate is two or three of them, and its area no better known than by half [m, m2]
COARSE, PLATES, COARSE_CREST = 0.040, (0.0050, 0.0165), 1.08
# and from this size on a lump of mortar fills as many
COARSEST = 0.062
# a frame or a lining round an opening takes little of its rectangle, and no hump of plaster runs like that
RUNS_ROUND, ROUND_SIZE, ROUND_HEIGHT = 0.4, 0.35, 0.006
# how steeply at least what is doubtful rises: humps in large cells look sharp, but less so
STEEP = 0.84
CLEARLY_LONG = 1.0
# what no course stands proud by [m]
TOO_THICK = 0.018


@dataclass(frozen=True, eq=False)
class Found:
    """A piece that is not wall, or may not be."""

    piece: Piece
    state: str


def judged(piece: Piece, cells: Cells, share: float) -> str | None:
    """``removed``, ``doubtful`` or None (wall) for a piece that takes ``share`` of the wall."""
    if share > LARGEST:
        # a large picture stands as a level or a broad patch does
        large = share < LARGEST_OF_ALL and judged(piece, cells, 0.0) is not None
        return "doubtful" if large else None
    ring, cell = piece.ring, cells.cell
    if ring.middle < -0.5 * piece.height:
        return None
    if piece.screen > SCREEN_OFF:
        return "removed" if piece.screen < FURTHEST else None
    off = max(piece.peak, piece.section.height)
    if off < LOWEST or piece.peak < 4 * ring.scatter or ring.uneven > 0.45 * piece.peak:
        return None
    if piece.height > TALL and piece.border.sharp > 0.5:
        return "removed"
    if min(piece.wide, piece.tall) < SLIM and piece.size < LONG:
        return None
    slim = piece.narrow < RESOLVED and piece.section.long > max(4 * piece.narrow * cell, LUMP)
    if slim and piece.narrow * cell < max(BROAD, 2.4 * cell):
        return _line(piece, cell)
    return _small(piece, cell) if piece.size < LUMP + 0.4 * cell else _sheet(piece)


def _line(piece: Piece, cell: float) -> str | None:
    """A long thin piece: as high as it is wide, it is a cable; a trowel's ridge is far wider than high."""
    section, sharp = piece.section, piece.border.sharp > SHARP
    if piece.size < LONG:
        return None
    if (piece.peak > 0.012 and sharp) or (section.height > LOW_CABLE and section.shape > ROUND):
        # in large cells a row of lumps is a line as well
        return "removed" if cell < COARSE or piece.size > CLEARLY_LONG else "doubtful"
    strip = piece.height > 0.006 and sharp and piece.filled > 0.7
    return "doubtful" if strip or (section.height > LOW_CABLE and section.shape > FLATTISH) else None


def _small(piece: Piece, cell: float) -> str | None:
    """A piece no larger than a plate or a lump: a plate has the sizes of one, straight sides and a flat top."""
    sides = (piece.wide, piece.tall)
    fits = min(sides) > PLATE[0] - 0.35 * cell and max(sides) < PLATE[1] + 0.35 * cell
    if piece.border.sharp < SHARP or not fits or cell > COARSEST:
        return None
    # what is flat reaches the height that its volume and its scatter tell, a dome's crest stands well over it
    height = max(piece.section.height, 1e-6)
    area, crest = piece.section.volume / height, float(np.nanmax(piece.q[piece.mask])) / height
    flat = piece.filled > 0.86 and piece.rough < 0.2 and piece.peak < 1.25 * piece.height and not piece.drop > DOMED
    shown = piece.narrow > 3.4 and piece.border.sharp > 0.95 and 0.0045 < piece.height < HIGHEST_PLATE
    if flat and shown and crest < CREST[1]:
        return "removed"
    long = max(sides) / min(sides)
    alike = (SINGLE[0] < area < SINGLE[1] and long < 1.5) or (DOUBLE[0] < area < DOUBLE[1] and long > 1.2)
    alike &= CREST[0] < crest
    if cell >= COARSE and piece.narrow < RESOLVED:
        alike |= PLATES[0] < area < PLATES[1] and crest < COARSE_CREST
    return "doubtful" if alike and crest < CREST[1] and LOWEST_PLATE < height < HIGHEST_PLATE else None


def _sheet(piece: Piece) -> str | None:
    """A piece wide enough for its border and its top to be seen."""
    border, size = piece.border, piece.size
    if border.sharp < PARTLY or border.rise < 0.75:
        return None
    if piece.drop > DOMED and piece.height < 0.020:
        return None
    even = border.sharp >= SHARP and border.rise > 0.88 and piece.drop < 0.25
    block = any(low < side < high for low, high in COURSES for side in (piece.wide, piece.tall))
    if piece.height > THICK:
        strip = size > 0.5 and size > 4 * min(piece.wide, piece.tall)
        shown = piece.height > TOO_THICK or (not block and (piece.narrow > RESOLVED or strip))
        return "removed" if even and shown else "doubtful"
    # thinner than that a course or a block looks the same, and if it is thinner still a patch of plaster
    if even and piece.height > PATCH and piece.narrow > 6 and piece.filled > 0.88 and not block:
        return "removed"
    least = 0.75 if size < 0.4 else 0.6
    runs_round = piece.filled < RUNS_ROUND and size > ROUND_SIZE and piece.height > ROUND_HEIGHT
    alike = piece.filled > least or (runs_round and border.rise > 0.95)
    return "doubtful" if border.sharp >= SHARP and border.rise > STEEP and alike else None


def found_in(cells: Cells, known: Mask) -> list[Found]:
    """All pieces that are not wall or may not be, the surest and largest first; none overlaps another.

    ``known`` cells (rows, cols) lie under objects that are known already.
    """
    taken = known.copy()
    kept: list[Found] = []
    for _ in range(3):
        fresh = _round(cells, taken, kept)
        kept += fresh
        for one in fresh:
            if one.state == "removed":
                taken[one.piece.window] |= collared(cells, one.piece)
        if not any(one.state == "removed" for one in fresh):
            break
        kept = [one for one in kept if one.state == "removed"]
    return kept


def _round(cells: Cells, taken: Mask, before: list[Found]) -> list[Found]:
    total = max(int(cells.inside.sum()), 1)
    candidates: list[Found] = []
    sure = np.zeros_like(taken)
    for window, mask in proud_pieces(cells, taken):
        if sure[window][mask].mean() > 0.7:
            continue
        piece = measured(cells, window, mask, taken)
        if piece is None or piece.mask.sum() < LEAST_CELLS:
            continue
        state = judged(piece, cells, float(piece.mask.sum()) / total)
        if state is None and any(one.state == "removed" and _goes_on(one.piece, piece, cells) for one in before):
            state = "removed"
        if state is not None:
            candidates.append(Found(piece, state))
            if state == "removed" and piece.border.sharp > 0.9:
                sure[piece.window] |= piece.mask
    candidates.sort(key=lambda one: (one.state != "removed", -one.piece.border.sharp * one.piece.area))
    used, kept = np.zeros_like(taken), []
    for one in candidates:
        here = used[one.piece.window] & one.piece.mask
        if here.sum() > 0.25 * one.piece.mask.sum():
            continue
        used[one.piece.window] |= one.piece.mask
        kept.append(one)
    return kept


def _goes_on(long: Piece, bit: Piece, cells: Cells) -> bool:
    """Whether a bit is more of a long thing: as high, in its rows or columns, with none of the wall seen between."""
    # of a bit few cells across the middle tells less than the highest cell, or what its points' scatter tells
    heights = (bit.height, bit.peak, bit.section.height)
    alike = min(abs(long.height - one) for one in heights) < ALIKE and min(long.height, max(heights)) > THICK_BIT
    if long.size < LONG or bit.size > LARGEST_BIT or not alike or bit.border.sharp < SHARP:
        return False
    (rows, cols), (here_rows, here_cols) = (_extent(piece) for piece in (long, bit))
    if _as_wide(here_rows, rows):
        between = here_rows, _gap(here_cols, cols)
    elif _as_wide(here_cols, cols):
        between = _gap(here_rows, rows), here_cols
    else:
        return False
    # mixed pixels at both ends are left
    return float(cells.known[between].mean()) < 0.3 if cells.known[between].size else True


def _extent(piece: Piece) -> Window:
    """Rows and columns of the relief that a piece takes."""
    row, col = np.nonzero(piece.mask)
    low, left = piece.window[0].start, piece.window[1].start
    return (
        slice(low + int(row.min()), low + int(row.max()) + 1),
        slice(left + int(col.min()), left + int(col.max()) + 1),
    )


def _as_wide(one: slice, other: slice) -> bool:
    """Whether two stretches are nearly the same."""
    both = min(one.stop, other.stop) - max(one.start, other.start)
    return both >= 0.7 * max(one.stop - one.start, other.stop - other.start)


def _gap(one: slice, other: slice) -> slice:
    """What lies between two stretches."""
    start, stop = min(one.stop, other.stop), max(one.start, other.start)
    return slice(start, max(start, stop))


def collared(cells: Cells, piece: Piece) -> Mask:
    """The piece with what belongs to it and the mixed pixels at its edges (window): what is not measured."""
    known = np.isfinite(piece.q)
    off = known & (piece.q > max(0.1 * piece.height, 4 * piece.ring.scatter, 0.0015))
    mixed = off | cells.split[piece.window]
    reach = max(1, round(0.04 / cells.cell))
    grown = ndimage.binary_dilation(piece.mask, EIGHT, iterations=reach, mask=piece.mask | mixed)
    collar = round(COLLAR / cells.cell)
    return ndimage.binary_dilation(grown, EIGHT, iterations=collar) if collar else grown
