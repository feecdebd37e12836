"""Doors, windows and small holes: rectangles without wall surface, and only with evidence that they are openings.

Evidence is one of: points of a reveal along its sides; a surface set back inside it (a door leaf, a frame); points
seen through it. Each must be clearly stronger there than just outside, so that the next room's wall, which lies
behind the solid wall as well, proves nothing. A hole without evidence is not measured: it may be furniture's shadow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask, in_polygon
from flatscan.core.model import Counts, Opening
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, square_metres
from flatscan.wall.features import recessed
from flatscan.wall.occupancy import PER_CELL, Occupancy, right_edge

LEAST = 0.05
LARGE = 0.3
SIDE = 0.4
FILLED, FULL = 0.35, 0.7
CONTRAST = 3.0
SNAP = 0.06
MOST = 40
UNLIKELY = 12.0
DENSE = 0.015
SLIT = 0.08
ACROSS, MOST_AREA = 0.8, 0.5
SOLID = (0.6, 0.85)
SET_BACK = note("wall.set-back")
HIDDEN = 0.02
RECTANGULAR = 0.85

Box = tuple[int, int, int, int]


@dataclass(frozen=True, eq=False)
class Holes:
    """What was found in the surface: openings with evidence, and remarks on holes without."""

    openings: tuple[Opening, ...]
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Unexplained:
    """A hole that is no opening: its area [m2] and bounding rectangle [m], and what it looks like.

    ``kind`` is ``hidden`` where something stands before it, ``rectangular`` where it fills its rectangle as a door or
    window does, else ``ragged``.
    """

    area: float
    left: float
    bottom: float
    right: float
    top: float
    kind: str


def find_openings(grid: Occupancy, occupied: Mask, outline: Array) -> Holes:
    """Openings and unexplained holes within ``outline`` (k, 2), in the outline's coordinates [m] of the grid."""
    across, upward = np.meshgrid(grid.x, grid.y)
    inside = in_polygon(across, upward, outline)
    set_back = recessed(grid, occupied)
    hole = inside & ~(occupied & ~set_back)
    thinnest = _thinnest(grid, occupied)
    side = int(np.clip(np.ceil(np.sqrt(UNLIKELY / thinnest)), 2, 20))
    sure = ndimage.binary_opening(hole, np.ones((side, side)))
    hole = ndimage.binary_opening(hole, np.ones((2, 2)))
    openings: list[Opening] = []
    labels, number = ndimage.label(hole)
    sizes = ndimage.sum_labels(hole, labels, np.arange(1, number + 1))
    for label in np.argsort(-sizes, kind="stable")[:MOST]:
        if sizes[label] * thinnest < UNLIKELY / 2:
            break
        part = labels == label + 1
        while True:
            box = largest_rectangle(part)
            wide, tall = (box[3] - box[1]) * grid.cell, (box[2] - box[0]) * grid.cell
            if not _plausible(grid, outline, wide, tall):
                break
            small = min(wide, tall) < LARGE
            evidence = find_evidence(grid, set_back, box, small=small)
            if evidence is None or _share_ring(occupied & ~set_back, inside, box, grid.cell) < SOLID[small]:
                break
            # points on a reveal's first millimetres would draw the edges inward: of those, few are close to the plane
            counts = grid.surface if evidence == SET_BACK or _far_off(grid, occupied) else grid.close
            solid = occupied & ~set_back if evidence == SET_BACK else occupied
            opening = _edges(grid, np.where(solid, counts, 0), box, outline, evidence)
            openings.append(opening)
            part = part & ~_covered(grid, opening)
            sure &= ~_covered(grid, opening)
    return Holes(tuple(openings), _remarks(_unexplained(grid, sure, outline), outline.min(axis=0)))


def _plausible(grid: Occupancy, outline: Array, wide: float, tall: float) -> bool:
    """Whether a hole has the size of an opening: 300 mm both ways, or 50 mm where the points are dense; no slit.

    One that takes up most of the wall is a part that was not scanned.
    """
    least = LEAST if grid.cell <= DENSE * np.sqrt(PER_CELL) * 1.01 else LARGE
    across, upward = np.ptp(outline, axis=0)
    sized = min(wide, tall) >= max(least, 1.9 * grid.cell, SLIT * max(wide, tall))
    return bool(sized and wide < ACROSS * across and wide * tall < MOST_AREA * across * upward)


def _thinnest(grid: Occupancy, occupied: Mask) -> float:
    """Points per cell where the wall was scanned most thinly: what chance leaves empty there is no hole."""
    around = ndimage.gaussian_filter(np.where(occupied, grid.surface, 0).astype(float), 8)
    return max(float(np.quantile(around[occupied], 0.05)), 1e-3) if occupied.any() else 1.0


def _unexplained(grid: Occupancy, sure: Mask, outline: Array) -> list[Unexplained]:
    """Each hole that is no opening, largest first."""
    labels, number = ndimage.label(sure)
    found = [_bounded(grid, labels == label, outline) for label in range(1, number + 1)]
    return sorted((hole for hole in found if hole.area > HIDDEN), key=lambda hole: -hole.area)


def largest_rectangle(mask: Mask) -> Box:
    """Row and column ranges (row0, col0, row1, col1; ends excluded) of the largest all-true rectangle.

    The stack algorithm for the largest rectangle under a histogram, one row at a time (textbook, from memory).
    """
    rows, columns = np.nonzero(mask)
    if not len(rows):
        return (0, 0, 0, 0)
    r0, c0 = int(rows.min()), int(columns.min())
    window = mask[r0 : rows.max() + 1, c0 : columns.max() + 1]
    heights = np.zeros(window.shape[1] + 1, dtype=int)
    best, found = 0, (0, 0, 0, 0)
    for i, line in enumerate(window):
        heights[:-1] = np.where(line, heights[:-1] + 1, 0)
        area, (start, stop, tall) = _under_histogram(heights.tolist())
        if area > best:
            best, found = area, (r0 + i + 1 - tall, c0 + start, r0 + i + 1, c0 + stop)
    return found


def _under_histogram(heights: list[int]) -> tuple[int, tuple[int, int, int]]:
    """Area, and (start, stop, height), of the largest rectangle under a histogram that ends in 0."""
    stack: list[tuple[int, int]] = []
    best, found = 0, (0, 0, 0)
    for place, height in enumerate(heights):
        start = place
        while stack and stack[-1][1] >= height:
            start, tall = stack.pop()
            if (place - start) * tall > best:
                best, found = (place - start) * tall, (start, place, tall)
        stack.append((start, height))
    return best, found


def find_evidence(grid: Occupancy, set_back: Mask, box: Box, *, small: bool = False) -> Note | None:
    """What shows that a hole is an opening, or None; a ``small`` one needs a reveal on three sides."""
    back = set_back | (grid.reveal > 0)
    filled, around = _share_inside(back, box, grid.cell), _share_around(back, box, grid.cell)
    # points all over a large hole are a leaf or a pane; in a small one a reveal's own points come close to that
    if not small and filled > FULL and filled > CONTRAST * around:
        return SET_BACK
    reveals = reveal_sides(grid.reveal > 0, box, grid.cell)
    if len(reveals) >= (3 if small else 2):
        return note("wall.reveal", sides=tuple(reveals))
    if filled > FILLED and filled > CONTRAST * around:
        return SET_BACK
    through = grid.through if grid.through.any() else grid.behind
    seen, beside = _share_inside(through > 0, box, grid.cell), _share_around(through > 0, box, grid.cell)
    if seen > FILLED and seen > CONTRAST * beside:
        return note("wall.seen-through")
    return None


def reveal_sides(reveal: Mask, box: Box, cell: float) -> list[Note]:
    """Sides of the hole along which points lie behind the wall, and fewer both outside and further inside."""
    r0, c0, r1, c1 = box
    reach, step = max(1, round(0.03 / cell)), max(1, round(0.04 / cell))
    beyond = max(2, round(0.10 / cell))
    found = []
    for side, lines, origin, sign, first, last in (
        (note("wall.side-left"), reveal.T, c0, -1, r0, r1),
        (note("wall.side-right"), reveal.T, c1 - 1, 1, r0, r1),
        (note("wall.side-foot"), reveal, r0, -1, c0, c1),
        (note("wall.side-head"), reveal, r1 - 1, 1, c0, c1),
    ):
        at = _steps_filled(lines, origin - reach, origin + reach + 1, first, last, step)
        near = origin + sign * (reach + 1)
        low, high = sorted((near, near + sign * beyond))
        outside = _steps_filled(lines, low, high, first, last, step)
        if at >= SIDE and at > CONTRAST * outside * (2 * reach + 1) / beyond:
            found.append(side)
    return found


def _steps_filled(lines: Mask, low: int, high: int, first: int, last: int, step: int) -> float:
    """Share of steps along a side in which any of the lines from ``low`` to ``high`` holds a point."""
    band = lines[max(low, 0) : max(high, 0), first:last]
    parts = max(1, (last - first) // step)
    return float(np.mean([part.any() for part in np.array_split(band, parts, axis=1)]))


def _share_inside(mask: Mask, box: Box, cell: float) -> float:
    """Share of blocks of 40 mm well inside the box that hold a true cell."""
    r0, c0, r1, c1 = box
    inset = min(round(0.04 / cell), (r1 - r0 - 1) // 3, (c1 - c0 - 1) // 3)
    return _blocks_filled(mask[r0 + inset : r1 - inset, c0 + inset : c1 - inset], cell)


def _share_around(mask: Mask, box: Box, cell: float) -> float:
    """The same just outside the box: a ring from 80 to 250 mm off it."""
    r0, c0, r1, c1 = box
    near, far = max(2, round(0.08 / cell)), max(4, round(0.25 / cell))
    pieces = [
        mask[max(r0 - far, 0) : max(r0 - near, 0), max(c0 - far, 0) : c1 + far],
        mask[r1 + near : r1 + far, max(c0 - far, 0) : c1 + far],
        mask[max(r0 - near, 0) : r1 + near, max(c0 - far, 0) : max(c0 - near, 0)],
        mask[max(r0 - near, 0) : r1 + near, c1 + near : c1 + far],
    ]
    size = [piece.size for piece in pieces]
    shares = [_blocks_filled(piece, cell) for piece in pieces]
    return float(np.average(shares, weights=size)) if sum(size) else 0.0


def _share_ring(surface: Mask, inside: Mask, box: Box, cell: float) -> float:
    """How much of the wall close around a hole is there: a strip 60 mm wide, as far as it lies on the wall."""
    r0, c0, r1, c1 = box
    near, far = 2, 2 + max(2, round(0.06 / cell))
    ring = np.zeros(surface.shape, dtype=bool)
    ring[max(r0 - far, 0) : r1 + far, max(c0 - far, 0) : c1 + far] = True
    ring[max(r0 - near, 0) : r1 + near, max(c0 - near, 0) : c1 + near] = False
    ring &= inside
    return float(ndimage.binary_closing(surface, np.ones((3, 3)))[ring].mean()) if ring.any() else 0.0


def _blocks_filled(mask: Mask, cell: float) -> float:
    if not mask.size:
        return 0.0
    block = max(1, round(0.04 / cell))
    rows, columns = (max(1, n // block) for n in mask.shape)
    return float(
        np.mean([part.any() for band in np.array_split(mask, rows) for part in np.array_split(band, columns, axis=1)])
    )


def _far_off(grid: Occupancy, occupied: Mask) -> bool:
    """Whether the wall strays so far from its plane that points close to the plane do not stand for it."""
    return float(grid.close[occupied].sum()) < 0.9 * float(grid.surface[occupied].sum())


def _edges(grid: Occupancy, counts: Counts, box: Box, outline: Array, evidence: Note) -> Opening:
    """The opening's rectangle, its edges where the wall's points end, or the outline's where it reaches that."""
    r0, c0, r1, c1 = box
    middle_rows = slice(r0 + (r1 - r0) // 5, max(r1 - (r1 - r0) // 5, r0 + 1))
    middle_columns = slice(c0 + (c1 - c0) // 5, max(c1 - (c1 - c0) // 5, c0 + 1))
    edges = np.array(
        [
            grid.left + grid.cell * _ends(counts[middle_rows], c0),
            grid.bottom + grid.cell * _ends(counts[:, middle_columns].T, r0),
            grid.left + grid.cell * (counts.shape[1] - _ends(counts[middle_rows, ::-1], counts.shape[1] - c1)),
            grid.bottom + grid.cell * (counts.shape[0] - _ends(counts[::-1, middle_columns].T, counts.shape[0] - r1)),
        ]
    )
    low, high = outline.min(axis=0), outline.max(axis=0)
    reach = max(SNAP, 3 * grid.cell)
    edges[:2] = np.where(edges[:2] < low + reach, low, edges[:2])
    edges[2:] = np.where(edges[2:] > high - reach, high, edges[2:])
    left, bottom, right, top = (float(edge) for edge in edges)
    return Opening(left, bottom, right - left, top - bottom, evidence)


def _ends(counts: Counts, start: int) -> float:
    """Where the surface to the left of column ``start`` ends, in cells: within two cells of it."""
    first = max(0, start - 34)
    strip = counts[:, first : start + 2]
    if not (strip > 0).any():
        return float(start)
    return float(np.clip(first + right_edge(strip, strip > 0), start - 2, start + 2))


def _covered(grid: Occupancy, opening: Opening) -> Mask:
    slack = 2 * grid.cell
    across = (grid.x > opening.left - slack) & (grid.x < opening.right + slack)
    upward = (grid.y > opening.bottom - slack) & (grid.y < opening.top + slack)
    result: Mask = upward[:, None] & across[None, :]
    return result


def _bounded(grid: Occupancy, part: Mask, outline: Array) -> Unexplained:
    """A hole with its bounding rectangle."""
    row, column = np.nonzero(part)
    area = float(part.sum()) * grid.cell**2
    left, bottom = float(grid.x[column.min()] - grid.cell / 2), float(grid.y[row.min()] - grid.cell / 2)
    wide, tall = (float(np.ptp(index) + 1) * grid.cell for index in (column, row))
    full = area > RECTANGULAR * wide * tall and min(wide, tall) > LARGE and _plausible(grid, outline, wide, tall)
    before = (grid.front > 0)[row.min() : row.max() + 1, column.min() : column.max() + 1]
    kind = "hidden" if _blocks_filled(before, grid.cell) > FILLED else "rectangular" if full else "ragged"
    return Unexplained(area, left, bottom, left + wide, bottom + tall, kind)


def _remarks(unexplained: list[Unexplained], corner: Array) -> tuple[Note, ...]:
    """Say what was not measured, and which holes may be openings; places are from the outline's ``corner`` (2,)."""
    if not unexplained:
        return ()
    largest = [(hole, _place(hole, corner)) for hole in unexplained[:3]]
    total = square_metres(sum(hole.area for hole in unexplained))
    holes = tuple(note("wall.hidden-hole", hole=at) if hole.kind == "hidden" else at for hole, at in largest)
    doubtful = (note("wall.maybe-opening", hole=at) for hole, at in largest if hole.kind == "rectangular")
    return note("wall.not-measured", area=total, holes=holes), *doubtful


def _place(hole: Unexplained, corner: Array) -> Note:
    left, right, bottom, top = (
        metres(edge - corner[axis]) for edge, axis in ((hole.left, 0), (hole.right, 0), (hole.bottom, 1), (hole.top, 1))
    )
    return note("wall.hole", left=left, right=right, bottom=bottom, top=top)
