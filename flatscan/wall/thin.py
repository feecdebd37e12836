"""An evenly thinned copy of a cloud: one point a box, so that near surfaces do not outvote far ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array

MOST_POINTS = 40_000
FINEST_BOX = 0.02


def box_numbers(points: Array, size: float) -> NDArray[np.int64]:
    """One whole number (n,) per cubic box of ``size`` [m] for the points (n, 3)."""
    steps = np.floor((points - points.min(axis=0)) / size).astype(np.int64)
    spans = steps.max(axis=0) + 1
    return (steps[:, 0] * spans[1] + steps[:, 1]) * spans[2] + steps[:, 2]


def thin(points: Array, *, most: int = MOST_POINTS, finest: float = FINEST_BOX) -> tuple[Array, float]:
    """First point of each occupied box, and the box size [m]: the finest that leaves at most ``most`` points."""
    size, first = finest, np.empty(0, np.int64)
    held = len(np.unique(box_numbers(points, size)))
    while held > most or not len(first):
        size *= max(1.1, float(np.sqrt(held / most))) if held > most else 1.0
        # where the first of each box stands takes a stable sort, several times as long as the count to begin with
        _, first = np.unique(box_numbers(points, size), return_index=True)
        held = len(first)
    return points[np.sort(first)], size
