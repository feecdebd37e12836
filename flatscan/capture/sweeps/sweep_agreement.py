"""How lines of a sweep agree with the lines beside them: what one alone shows is left out, and how far they differ.

See methods/laser-line 15.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.capture.sweeps.sweep_lines import SweptLine
from flatscan.core.geometry import Array, robust_scale

Rows = NDArray[np.int64]
# steps along the lines are no shorter than the finest cells [m]
FINEST = 0.010
# lines, and steps along them, whose median a row is held against, and how many times their scatter it may be off
_LINES, _STEPS, _OFF, _FLOOR = 3, 5, 6.0, 0.0002
# lines nearer than so many pixels are at one place
_SAME_PLACE = 0.5
# with next to no rows left a line is none
_FEWEST_ROWS = 20
# scatter with tails counts up to so many robust standard deviations
_TAIL = 5.0


def spacing(at: Array, part: float = 0.95) -> float:
    """How far lines at places ``at`` (n,) [m] lie apart: ``part`` of the way between the outer two is in such gaps."""
    gaps = np.sort(np.diff(np.sort(at)))
    way = np.cumsum(gaps)
    return float(gaps[np.searchsorted(way, part * way[-1])])


def agreeing(lines: Sequence[SweptLine], axis: int) -> list[SweptLine]:
    """The lines in their order across the wall, without rows that stand off what the lines beside them show as well.

    A row is held against the median over three lines by five steps along them: what is as wide as two of each stays.
    Lines at the place of another, as a laser makes that stands still for a while, tell nothing new and are left out.
    """
    order = apart_by(sorted(lines, key=lambda line: (line.at, line.number)), _SAME_PLACE)
    step = max(FINEST, spacing(np.array([line.at for line in order])) / 2)
    heights, low = _stepped(order, axis, step)
    # what no line shows takes the nearest that does, so that medians at borders are of something
    known = np.isfinite(heights)
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    around = ndimage.median_filter(heights[tuple(nearest)], (_LINES, _STEPS), mode="nearest")
    off = [line.points[:, 2] - around[i, _step_of(line, axis, step) - low] for i, line in enumerate(order)]
    most = _OFF * max(robust_scale(np.concatenate(off)), _FLOOR)
    kept = [replace(line, points=line.points[np.abs(part) <= most]) for line, part in zip(order, off, strict=True)]
    return [line for line in kept if len(line.points) >= _FEWEST_ROWS]


def apart_by(lines: Sequence[SweptLine], pixels: float) -> list[SweptLine]:
    """Of lines in their order across the wall those that lie so many ``pixels`` of theirs from the last one taken."""
    kept = list[SweptLine]()
    for line in lines:
        if not kept or line.at - kept[-1].at >= pixels * line.pixel:
            kept.append(line)
    return kept


def alone(lines: Sequence[SweptLine]) -> float:
    """Which part of the lines stands by itself: those nearer than a line is wide meet the same grain of the wall."""
    way = float(np.ptp([line.at for line in lines])) / max(len(lines) - 1, 1)
    wide = float(np.median([line.width * line.pixel for line in lines]))
    return min(1.0, way / max(wide, 1e-9))


def patch_error(lines: Sequence[SweptLine], axis: int, size: float) -> float:
    """How far the mean of one line over ``size`` [m] of it is off [m], as lines side by side differ.

    Third differences from line to line of white noise have 20 times its variance, and the wall's own form next to
    nothing where lines lie close; where they lie apart it is in the answer. Rows that share an error share it here, and
    only lines are compared that lie a line's width apart.
    """
    width = float(np.median([line.width for line in lines]))
    heights, _ = _stepped(apart_by(lines, width), axis, size)
    third = np.diff(heights, n=3, axis=0)
    third = third[np.isfinite(third)]
    if len(third) < 8:
        return 0.0
    most = _TAIL * robust_scale(third)
    return float(np.sqrt(np.mean(np.clip(third, -most, most) ** 2) / 20))


def _step_of(line: SweptLine, axis: int, step: float) -> Rows:
    return np.floor(line.points[:, 1 - axis] / step).astype(np.int64)


def _stepped(lines: Sequence[SweptLine], axis: int, step: float) -> tuple[Array, int]:
    """Medians (lines, steps) of heights in steps along the lines, NaN without any, and the first step's number."""
    steps = [_step_of(line, axis, step) for line in lines]
    low, high = min(int(part.min()) for part in steps), max(int(part.max()) for part in steps)
    found = np.full((len(lines), high - low + 1), np.nan)
    for i, (line, part) in enumerate(zip(lines, steps, strict=True)):
        order = np.lexsort((line.points[:, 2], part))
        where, first, count = np.unique(part[order], return_index=True, return_counts=True)
        z = line.points[order, 2]
        found[i, where - low] = (z[first + (count - 1) // 2] + z[first + count // 2]) / 2
    return found, low
