"""Grid cells along a line and over a wall: edges, centres and indices, in one place so the fence-post lives here."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_SLACK = 1e-9


def cell_count(extent: float, cell: float) -> int:
    """Cells of size ``cell`` that cover ``extent``; the last may be partly outside."""
    return max(1, math.ceil(extent / cell - _SLACK))


def edges(extent: float, cell: float) -> Array:
    """Cell edges from 0, one more than there are cells."""
    return np.arange(cell_count(extent, cell) + 1, dtype=np.float64) * cell


def centres(extent: float, cell: float) -> Array:
    """Cell centres; cell i spans [i cell, (i + 1) cell]."""
    return (np.arange(cell_count(extent, cell), dtype=np.float64) + 0.5) * cell


def index(position: Array, cell: float) -> NDArray[np.int64]:
    """Cell in which each position lies; a position on an edge belongs to the cell above it."""
    return np.floor(np.asarray(position) / cell + _SLACK).astype(np.int64)


def among(position: Array, centre: Array, cell: float) -> Array:
    """Fractional index of positions among cell ``centre`` (n,); a rounding error off the outer ones is taken off."""
    index, last = (position - centre[0]) / cell, len(centre) - 1
    near = np.clip(index, 0, last)
    return np.where(np.abs(near - index) < 1e-6, near, index)


def samples_within(length: float, step: float) -> int:
    """How many samples ``step`` apart lie at most ``length`` apart from first to last.

    >>> samples_within(1.8, 0.01)
    181
    """
    return int(math.floor(length / step + _SLACK)) + 1


def overlap(extent: float, cell: float, start: float, stop: float) -> Array:
    """Length of each cell of [0, extent] that lies in [start, stop]."""
    edge = edges(extent, cell)
    low, high = np.maximum(edge[:-1], max(start, 0.0)), np.minimum(edge[1:], min(stop, extent))
    return np.clip(high - low, 0.0, None)


def midline_widths(at: Array, extent: float) -> Array:
    """Length each station of a sorted row owns: to the midlines, and to the wall's ends 0 and ``extent``."""
    borders = np.concatenate(([0.0], (at[1:] + at[:-1]) / 2, [extent]))
    return np.diff(borders)
