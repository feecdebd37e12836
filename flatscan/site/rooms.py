"""Storeys of a building, and the rooms of a storey: free space under its ceiling, parted by what stands up to it.

Between two storeys lies a slab that no scanner sees into.

Doors end below the ceiling, so just under it every wall is closed: the free cells there fall into one piece a room.
Every place within reach of a piece belongs to the nearest one, so that each room takes its own face of a partition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.core.geometry import Array, Mask

_BIN = 0.02
LEAST_STOREY = 1.8
# a slab is at least so thick, and even a stairwell leaves it emptier than this share of what walls hold
_SLAB, _EMPTY = 0.10, 0.10
FINEST, COARSEST = 0.05, 0.15
_POINTS_A_CELL = 2.5
LEAST_ROOM = 1.5
REACH = 0.30
# a wall shows in at least half of the cells of its column between these distances under the column's top
_UNDER_TOP, _DOWN_TO, _WALL_SHARE = 0.10, 0.50, 0.5
_MOST_CELLS = 600_000_000

Storey = tuple[float, float]
Labels = NDArray[np.int16]


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


@dataclass(eq=False)
class Columns:
    """Which cells of a storey hold points, (rows, cols, levels), filled block by block; ``cell`` is their size [m]."""

    storey: Storey
    low: Array
    cell: float
    filled: Mask

    @classmethod
    def empty(cls, storey: Storey, low: Array, high: Array, cell: float) -> Columns:
        """Cells for a storey over the plan from ``low`` (2,) to ``high`` (2,) [m]; coarser where that is too many."""
        while True:
            cols, rows = (np.ceil((high - low) / cell) + 1).astype(int)
            levels = int(np.ceil((storey[1] - storey[0]) / cell)) + 1
            if int(rows) * int(cols) * levels <= _MOST_CELLS:
                return cls(storey, low, cell, np.zeros((int(rows), int(cols), levels), dtype=bool))
            cell *= 1.25

    def add(self, points: Array, axes: Array) -> None:
        """Mark the cells of points (n, 3); ``axes`` (3, 3) has the two plan axes and up as rows."""
        from flatscan.site import columns_kernel

        columns_kernel.mark(points, axes, self.low, self.cell, np.array(self.storey), self.filled)

    def number(self, points: Array, axes: Array, labels: Labels, base: int, numbers: NDArray[np.int64]) -> None:
        """Write ``base`` + label into ``numbers`` (n,) for points (n, 3) in one of this storey's rooms."""
        from flatscan.site import columns_kernel

        ends = np.array(self.storey)
        columns_kernel.room_numbers(points, axes, self.low, self.cell, ends, labels, base, numbers)


def cell_for(sample: Array, count: int) -> float:
    """Size of cells [m] that two or three of ``count`` points fall into where there is a surface.

    The area of all surfaces is judged by how many cubes of 200 mm an even ``sample`` (n, 3) touches.
    """
    cube = 0.2
    place = np.floor((sample - sample.min(axis=0)) / cube).astype(np.int64)
    wide = place.max(axis=0) + 1
    cubes = len(np.unique((place[:, 0] * wide[1] + place[:, 1]) * wide[2] + place[:, 2]))
    return float(np.clip(np.sqrt(_POINTS_A_CELL * cubes * cube**2 / max(count, 1)), FINEST, COARSEST))


def rooms_of(columns: Columns) -> Labels:
    """Number of the room, from 1, that each plan cell (rows, cols) belongs to; 0 for none."""
    filled, cell = columns.filled, columns.cell
    levels = filled.shape[2]
    top = levels - 1 - np.argmax(filled[:, :, ::-1], axis=2)
    covered = filled.any(axis=2) & (top * cell >= LEAST_STOREY)
    wall = covered & (_filled_below(filled, top, cell) >= _WALL_SHARE)
    wall = ndimage.binary_dilation(wall, np.ones((3, 3), bool))
    pieces, number = ndimage.label(covered & ~wall)
    sizes = ndimage.sum_labels(np.ones_like(pieces), pieces, np.arange(1, number + 1)) * cell**2
    kept = np.zeros(number + 1, np.int16)
    large = np.flatnonzero(sizes >= LEAST_ROOM) + 1
    kept[large] = np.arange(1, len(large) + 1)
    labels = kept[pieces]
    if not len(large):
        return labels
    away, (row, col) = ndimage.distance_transform_edt(labels == 0, return_indices=True)
    return np.where(away * cell <= REACH + 2 * cell, labels[row, col], np.int16(0))


def _filled_below(filled: Mask, top: NDArray[np.int64], cell: float) -> Array:
    """Share of filled cells in each column between 100 and 500 mm under its top."""
    first, last = round(_UNDER_TOP / cell), round(_DOWN_TO / cell)
    total = np.zeros(top.shape)
    for step in range(first, last + 1):
        level = np.maximum(top - step, 0)
        total += np.take_along_axis(filled, level[:, :, None], axis=2)[:, :, 0]
    return total / (last - first + 1)
