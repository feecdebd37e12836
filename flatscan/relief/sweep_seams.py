"""Straight lines across a scan where its two sides stand apart: seams between sweeps, or steps of the wall itself.

Which of the two a line is, the scan cannot tell; readings on both sides can.
"""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array, robust_scale
from flatscan.core.reliefs import Grid
from flatscan.relief.trend import Seam

# bands beside a line [m], and lengths along it that must all show the step
_BAND, _PART = 0.10, 0.30
_DIRECTIONS = 36
# a step under this [m] is lost in what the readings know; over this it stands out of what the wall's own form does
_LEAST, _OUTSTANDING = 0.0015, 6.0
# parts along the line, at least so many, that show the step, and how many of them on the same side
_FEWEST, _SAME_SIDE = 4, 0.85
_MOST_SEAMS = 2


def seams(relief: Grid) -> tuple[Seam, ...]:
    """The seams of a scan, the plainest first; none where cells are too large to show one."""
    found = list[Seam]()
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
    across, upward = relief.places
    at = np.column_stack([across[known], upward[known]])
    middle = (at.max(axis=0) + at.min(axis=0)) / 2
    fine = max(relief.cell, _BAND / 4)
    best: tuple[float, Seam] | None = None
    for turn in np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS:
        way = np.array([np.cos(turn), np.sin(turn)])
        off, along = (at - middle) @ way, (at - middle) @ np.array([-way[1], way[0]])
        lines, jumps, same = _steps(off, along, z[known], fine)
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
            best = score, Seam(middle + lines[here] * way, way, float(jumps[here]), _wide(relief.cell))
    if best is None:
        return None
    settled = _settled(best[1], at, z[known])
    return settled if abs(settled.jump) >= _LEAST else None


def _wide(cell: float) -> float:
    """Half the strip [m] in which a cell may belong to either side."""
    # a straightedge reaches over 100 mm that were not measured
    return max(0.45 * _BAND, 0.49 * cell)


def _steps(off: Array, along: Array, z: Array, fine: float) -> tuple[Array, Array, Array]:
    """Lines (n,) [m], the median step (n,) over each, and whether nearly all parts along it step the same way.

    A part's step is what the two bands beside the line differ by, less what the bands beyond let expect.
    """
    band = max(round(_BAND / fine), 1)
    low, start = float(off.min()), float(along.min())
    rows = ((along - start) // _PART).astype(int)
    cols = np.floor((off - low) / fine + 1e-9).astype(int)
    shape = int(rows.max()) + 1, int(cols.max()) + 1
    number = rows * shape[1] + cols
    count = np.bincount(number, minlength=shape[0] * shape[1]).reshape(shape).astype(float)
    total = np.bincount(number, weights=z, minlength=shape[0] * shape[1]).reshape(shape)
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


def _settled(seam: Seam, at: Array, z: Array) -> Seam:
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
            jump, explained = _jump_of(one, at, z, reach)
            if explained > value:
                value, best, turn, shift = explained, Seam(one.at, way, jump, seam.wide), angle, moved
    return best


def _jump_of(seam: Seam, at: Array, z: Array, reach: float) -> tuple[float, float]:
    """The step of a smooth strip along the line, and how much less of its bends are left with it."""
    off = seam.off(at)
    near = np.abs(off) <= reach
    s = (off[near]) / reach
    t = (at[near] - seam.at) @ np.array([-seam.way[1], seam.way[0]])
    t = t / max(float(np.abs(t).max(initial=0.0)), 1e-9)
    smooth = np.column_stack([s**i * t**j for i in range(4) for j in range(6)])
    side = np.where(s > 0, 0.5, -0.5)
    basis, _ = np.linalg.qr(smooth)
    side = side - basis @ (basis.T @ side)
    size = float(side @ side)
    if size < 1e-9:
        return seam.jump, -np.inf
    jump = float(side @ z[near]) / size
    return jump, jump**2 * size
