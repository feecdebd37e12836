"""Straight lines across a scan where its two sides stand apart: seams between sweeps, or steps of the wall itself.

Which of the two a line is, the scan cannot tell; readings on both sides can.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.model import Relief
from flatscan.core.reliefs import Grid
from flatscan.relief.tie_kernel import band_sums, strip_moments
from flatscan.relief.trend import Seam

# bands beside a line [m], and lengths along it that must all show the step
_BAND, _PART = 0.10, 0.30
_DIRECTIONS = 36
# a step under this [m] is lost in what the readings know; over this it stands out of what the wall's own form does
_LEAST, _OUTSTANDING = 0.0015, 6.0
# parts along the line, at least so many, that show the step, and how many of them on the same side
_FEWEST, _SAME_SIDE = 4, 0.85
_MOST_SEAMS = 2
# the surface beside a seam is a polynomial of so many terms across it and along it
_ACROSS, _ALONG = 4, 6
# what rounding may take off a count of bands
_ROUNDING = 1e-8


def seams(relief: Relief) -> tuple[Seam, ...]:
    """The seams of a scan, the plainest first; none at stations, and where cells are too large to show one."""
    found = list[Seam]()
    if not isinstance(relief, Grid):
        return ()
    z = np.where(relief.valid, relief.offset, np.nan)
    for _ in range(_MOST_SEAMS):
        best = _plainest(relief, z)
        if best is None:
            break
        found.append(best)
        across, upward = relief.places
        off = best.off(np.column_stack([across.ravel(), upward.ravel()])).reshape(z.shape)
        z = np.where(np.abs(off) <= best.wide, np.nan, z - best.jump * (off > 0))
    return tuple(found)


def _plainest(relief: Grid, z: Array) -> Seam | None:
    """The line whose step stands out most of all steps along lines of its direction, if it does."""
    known = np.isfinite(z)
    if not known.any():
        return None
    cells = _Cells.of(relief, known, z)
    fine = max(relief.cell, _BAND / 4)
    best: tuple[float, Seam] | None = None
    for turn in np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS:
        way = np.array([np.cos(turn), np.sin(turn)])
        lines, jumps, same = _steps(cells, way, fine)
        if not len(lines):
            continue
        usual = max(robust_scale(jumps), _LEAST / _OUTSTANDING)
        stands_out = np.where(same, np.abs(jumps) / usual, 0.0)
        here = int(np.argmax(stands_out))
        if stands_out[here] < _OUTSTANDING or abs(jumps[here]) < _LEAST:
            continue
        # of lines a little turned against the seam a part only shows it: the largest step is the straightest
        score = abs(float(jumps[here]))
        if best is None or score > best[0]:
            best = score, Seam(cells.middle + lines[here] * way, way, float(jumps[here]), _wide(relief.cell))
    if best is None:
        return None
    settled = _settled(best[1], cells)
    return settled if abs(settled.jump) >= _LEAST else None


def _wide(cell: float) -> float:
    """Half the strip [m] in which a cell may belong to either side."""
    # a straightedge reaches over 100 mm that were not measured
    return max(0.45 * _BAND, 0.49 * cell)


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """Places ``at`` (n, 2) and values ``z`` (n,) of measured cells, their ``middle`` (2,) and the ``ends`` of rows."""

    at: Array
    z: Array
    middle: Array
    ends: Array

    @classmethod
    def of(cls, relief: Grid, known: Mask, z: Array) -> _Cells:
        across, upward = relief.places
        at = np.column_stack([across[known], upward[known]])
        rows = np.flatnonzero(known.any(axis=1))
        first, last = known[rows].argmax(axis=1), known.shape[1] - 1 - known[rows, ::-1].argmax(axis=1)
        ends = np.column_stack([relief.x[np.append(first, last)], np.tile(relief.y[rows], 2)])
        return cls(at, z[known], (ends.max(axis=0) + ends.min(axis=0)) / 2, ends)


def _steps(cells: _Cells, way: Array, fine: float) -> tuple[Array, Array, Array]:
    """Lines (n,) [m], the median step (n,) over each, and whether nearly all parts along it step the same way.

    Lines are as far along ``way`` (2,) from the cells' middle. A part's step is what the two bands beside the line
    differ by, less what the bands beyond let expect.
    """
    band = max(round(_BAND / fine), 1)
    ends = cells.ends - cells.middle
    off, along = ends @ way, ends @ np.array([-way[1], way[0]])
    low, start = float(off.min()), float(along.min())
    shape = int((along.max() - start) / _PART + _ROUNDING) + 1, int((off.max() - low) / fine + _ROUNDING) + 1
    count, total = np.zeros(shape), np.zeros(shape)
    band_sums(cells.at, cells.z, cells.middle, way, np.array([start, low]), np.array([_PART, fine]), count, total)
    counts, totals = (np.pad(np.cumsum(one, axis=1), ((0, 0), (1, 0))) for one in (count, total))
    last = shape[1] - 4 * band
    if last < 1:
        return (np.empty(0),) * 3
    bands = []
    for k in range(4):
        first = np.arange(last + 1) + k * band
        many = counts[:, first + band] - counts[:, first]
        some = many >= 2
        bands.append(np.where(some, (totals[:, first + band] - totals[:, first]) / np.maximum(many, 1), np.nan))
    jump = 1.5 * (bands[2] - bands[1]) - 0.5 * (bands[3] - bands[0])
    parts = np.isfinite(jump).sum(axis=0)
    enough = parts >= _FEWEST
    jump, lines = jump[:, enough], (low + (np.arange(last + 1) + 2 * band) * fine)[enough]
    if not len(lines):
        return (np.empty(0),) * 3
    middle = np.nanmedian(jump, axis=0)
    same = (np.sign(jump) == np.sign(middle)).sum(axis=0) >= _SAME_SIDE * parts[enough]
    return lines, middle, same


def _settled(seam: Seam, cells: _Cells) -> Seam:
    """The seam moved and turned by ever less while its two sides come apart more plainly."""
    reach = 3 * _BAND
    best, value = seam, -np.inf
    turn, shift = float(np.arctan2(seam.way[1], seam.way[0])), 0.0
    for size in (1.0, 0.5, 0.25, 0.125):
        tries = [
            (turn + size * a * np.pi / _DIRECTIONS / 2, shift + size * b * _BAND / 2)
            for a in (-1, 0, 1)
            for b in (-2, -1, 0, 1, 2)
        ]
        for angle, moved in tries:
            way = np.array([np.cos(angle), np.sin(angle)])
            one = Seam(seam.at + moved * way, way, seam.jump, seam.wide)
            jump, explained = _jump_of(one, cells.at, cells.z, reach)
            if explained > value:
                value, best, turn, shift = explained, Seam(one.at, way, jump, seam.wide), angle, moved
    return best


def _jump_of(seam: Seam, at: Array, z: Array, reach: float) -> tuple[float, float]:
    """The step of a smooth strip along the line, and how much less of its bends are left with it.

    By sums of powers s^i t^j of how far beyond the line and along it a cell lies: the smooth strip's and the step's
    normal equations hold no others.
    """
    sides, heights = np.zeros((2, 2 * _ACROSS - 1, 2 * _ALONG - 1)), np.zeros((2, _ACROSS, _ALONG))
    furthest = strip_moments(at, z, seam.at, seam.way, reach, sides, heights)
    i, j = (one.ravel() for one in np.indices((_ACROSS, _ALONG)))
    # t as a part of the furthest, which keeps the equations well posed
    scale = max(furthest, 1e-9) ** -(np.arange(2 * _ALONG - 1.0))
    sides, heights = sides * scale, heights * scale[:_ALONG]
    smooth = sides.sum(axis=0)[i[:, None] + i, j[:, None] + j]
    step, count = ((sides[1] - sides[0]) / 2)[i, j], float(sides[:, 0, 0].sum())
    by_step, by_height = np.linalg.lstsq(smooth, np.column_stack([step, heights.sum(axis=0)[i, j]]), rcond=1e-12)[0].T
    size = count / 4 - float(step @ by_step)
    # of a step that the smooth strip itself can show, rounding is left
    if size <= 1e-6 * count:
        return seam.jump, -np.inf
    jump = float((heights[1] - heights[0])[0, 0] / 2 - step @ by_height) / size
    return jump, jump**2 * size
