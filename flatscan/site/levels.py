"""Storeys of a building out of the heights of its points: between two of them lies a slab that no scanner sees into."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array

_BIN = 0.02
LEAST_STOREY = 1.8
# a slab is at least so thick, and even a stairwell leaves it emptier than this share of what walls hold
_SLAB, _EMPTY = 0.10, 0.10

Storey = tuple[float, float]


def storeys(heights: Array) -> list[Storey]:
    """Lower and upper end [m] of each storey, lowest first, from heights (n,) of an even sample of points.

    A storey is a run of heights at which points stand, at least 1.8 m tall; runs are parted by 100 mm or more with
    less than a tenth of the points that the middle height of the building holds.
    """
    if len(heights) == 0:
        return []
    low, high = np.quantile(heights, (0.0005, 0.9995))
    edges = np.arange(low - 2 * _BIN, high + 3 * _BIN, _BIN)
    count, _ = np.histogram(heights, edges)
    typical = float(np.median(count[count > 0]))
    filled = np.flatnonzero(count > _EMPTY * typical)
    breaks = np.flatnonzero(np.diff(filled) * _BIN > _SLAB) + 1
    runs = [(float(edges[run[0]]), float(edges[run[-1] + 1])) for run in np.split(filled, breaks)]
    return [run for run in runs if run[1] - run[0] >= LEAST_STOREY]
