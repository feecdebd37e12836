"""Points into the cells of a building and into its rooms, compiled: each point is looked at once."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array, Mask
from flatscan.core.kernels import compiled


@compiled
def mark(points: Array, axes: Array, low: Array, cell: float, ends: Array, filled: Mask) -> None:
    """Mark the cells (rows, cols, levels) that points (n, 3) fall into.

    ``axes`` (3, 3) has the two plan axes and up as rows, ``low`` (2,) is the plan's corner, ``ends`` (2,) the
    storey's lower and upper end [m].
    """
    rows, cols, levels = filled.shape
    for i in range(len(points)):
        x, y, z = points[i]
        height = axes[2, 0] * x + axes[2, 1] * y + axes[2, 2] * z
        if not ends[0] <= height < ends[1]:
            continue
        col = math.floor((axes[0, 0] * x + axes[0, 1] * y + axes[0, 2] * z - low[0]) / cell)
        row = math.floor((axes[1, 0] * x + axes[1, 1] * y + axes[1, 2] * z - low[1]) / cell)
        level = math.floor((height - ends[0]) / cell)
        if 0 <= row < rows and 0 <= col < cols and level < levels:
            filled[row, col, level] = True


@compiled
def room_numbers(
    points: Array,
    axes: Array,
    low: Array,
    cell: float,
    ends: Array,
    labels: NDArray[np.int16],
    base: int,
    numbers: NDArray[np.int64],
) -> None:
    """Write ``base`` + label into ``numbers`` (n,) for points (n, 3) of this storey that lie in one of its rooms."""
    rows, cols = labels.shape
    for i in range(len(points)):
        x, y, z = points[i]
        height = axes[2, 0] * x + axes[2, 1] * y + axes[2, 2] * z
        if not ends[0] <= height < ends[1]:
            continue
        col = math.floor((axes[0, 0] * x + axes[0, 1] * y + axes[0, 2] * z - low[0]) / cell)
        row = math.floor((axes[1, 0] * x + axes[1, 1] * y + axes[1, 2] * z - low[1]) / cell)
        if 0 <= row < rows and 0 <= col < cols and labels[row, col] > 0:
            numbers[i] = base + labels[row, col]


@compiled
def gather(points: Array, numbers: NDArray[np.int64], middles: Array) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Points (n, 3) of rooms 1 to k less their room's middle (k + 1, 3), room by room in their own order.

    Returns the rows as 32-bit floats and where each room's begin (k + 2,); points of number 0 stand first.
    """
    start = np.zeros(len(middles) + 1, np.int64)
    for number in numbers:
        start[number + 1] += 1
    for k in range(1, len(start)):
        start[k] += start[k - 1]
    at = start.copy()
    rows = np.empty((len(points), 3), np.float32)
    for i in range(len(points)):
        number = numbers[i]
        for axis in range(3):
            rows[at[number], axis] = points[i, axis] - middles[number, axis]
        at[number] += 1
    return rows, start
