"""Where the wall that photos show ends: what is matched beyond its edges is of other surfaces, and lies scattered."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array, Mask

# strips along each side are so wide, and looked at so far in from the last point [m]
STRIP, _REACH = 0.01, 0.60
# a strip is the wall's where nine points in ten lie within so many times what is usual, and at least this [m], and
# where it holds at least this share of the usual points
_TIMES, _LEAST, _FULL = 4.0, 0.012, 0.15
# so many strips one behind the other begin the wall, as chance does not
_BEGUN = 4


def within_edges(points: Array) -> Mask:
    """Which points (n, 3) [m] lie on the wall between its own edges, upright and level, as far as they tell."""
    kept = np.ones(len(points), bool)
    for axis in (0, 1):
        low, high = _ends(points[:, axis], points[:, 2])
        kept &= (points[:, axis] >= low) & (points[:, axis] <= high)
    return kept


def _ends(at: Array, heights: Array) -> tuple[float, float]:
    """Where along one axis the wall begins and ends [m]."""
    first = float(at.min())
    strip = ((at - first) / STRIP).astype(np.int64)
    order = np.argsort(strip, kind="stable")
    starts = np.searchsorted(strip[order], np.arange(strip.max() + 2))
    ordered = heights[order]
    counts = np.diff(starts)
    spread = np.array([_spread(ordered[a:b]) for a, b in zip(starts, starts[1:], strict=False)])
    inner = slice(len(counts) // 4, len(counts) - len(counts) // 4)
    usual = float(np.nanmedian(spread[inner])), float(np.median(counts[inner]))
    own = (spread <= max(_TIMES * usual[0], _LEAST)) & (counts >= _FULL * usual[1])
    begin, end = _first(own), len(own) - _first(own[::-1])
    return first + begin * STRIP, first + end * STRIP


def _first(own: Mask) -> int:
    """The number of the first strip from outside with which the wall begins; 0 where none in reach does."""
    for number in range(min(round(_REACH / STRIP), len(own) - _BEGUN)):
        if own[number : number + _BEGUN].all():
            return number
    return 0


def _spread(heights: Array) -> float:
    """Height between the lowest and the highest tenth [m]."""
    if len(heights) < 3:
        return np.inf
    low, high = np.quantile(heights, (0.1, 0.9))
    return float(high - low)
