"""How large the cells of a wall are: the smallest that the points carry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatscan.core import geometry
from flatscan.core.geometry import Array
from flatscan.core.kernels import in_lanes
from flatscan.core.model import Cloud, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.relief.footprint import extent

# sizes are multiples of the step [m]
STEP, FINEST, COARSEST = 0.005, 0.010, 0.200
ENOUGH_POINTS, ENOUGH_CELLS = 5, 0.95
# a cell of two points has a spread of its own
MEASURED = 2
# what stands in the way of the capture is a matter of coverage, not of density: blocks without any point do not count
_SEEN = 0.050
_LANES, _LARGE = 2, 20_000_000
# a mean of 9.2 leaves one cell in twenty with fewer than 5 where points fall at random (Poisson)
AT_RANDOM = 9.2

Numbers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class CellSize:
    """The size chosen [m], the fewest points that make a cell count as measured, and what must be said of it."""

    size: float
    fewest: int = MEASURED
    notes: tuple[Note, ...] = ()


def largest_cell(wall: Wall) -> float:
    """Largest cell [m] that leaves five across the wall's shorter side, as multiple of 5 mm and at most 200 mm."""
    _, _, width, height = extent(wall)
    return min(COARSEST, max(FINEST, STEP * int(min(width, height) / 5 / STEP + 1e-9)))


def small_counts(
    cloud: Cloud, wall: Wall, coarse: Array, within: tuple[tuple[float, float, float, float], float, float]
) -> Numbers:
    """Points near a coarse surface in cells of 5 mm (rows, cols), each counted up to 65535.

    ``within`` holds left, bottom, right and top [m] of the points that count, the size of a coarse cell [m] and how far
    off it points count [m].
    """
    bounds, coarse_cell, reach = within
    from flatscan.relief.cell_sums_kernel import count_near

    frame, (left, bottom, width, height) = wall.frame, extent(wall)
    axes, corner = np.stack([frame.along, frame.up, frame.out]), np.array([left, bottom])
    rows, cols = geometry.cell_count(height, STEP), geometry.cell_count(width, STEP)
    lanes = _LANES if rows * cols <= _LARGE else 1
    counts = np.zeros((lanes, rows, cols), np.uint16)
    shape = (rows, cols, round(coarse_cell / STEP))

    def add(lane: int, points: Array, _: int) -> None:
        count_near(
            np.ascontiguousarray(points), frame.at, axes, corner, STEP, bounds, shape, coarse, reach, counts[lane]
        )

    in_lanes(cloud.chunks(), add, lanes)
    return counts.sum(axis=0, dtype=np.int64)


def held_share(counts: Array, cell: float) -> float:
    """Share of the cells of size ``cell`` [m] that the capture saw which hold at least 5 of ``counts`` (rows, cols)."""
    numbers = counts.astype(np.int64)
    return _held(_corner_sums(numbers), _corner_sums(_seen(numbers, cell)), numbers.shape, 1)[0]


def choose_cell(counts: Numbers, largest: float) -> CellSize:
    """The smallest multiple of 5 mm, from 10 to ``largest`` [m], with at least 5 points in 95 % of the cells seen.

    Where there is none, the smallest with at least 2 points in as many; where there is none either, the largest, and a
    single point makes a cell. ``counts`` (rows, cols) are of cells of 5 mm.
    """
    total, seen = _corner_sums(counts), _corner_sums(_seen(counts, STEP))
    sizes = range(round(FINEST / STEP), round(largest / STEP) + 1)
    held = [(block, *_held(total, seen, counts.shape, block)) for block in sizes]
    for block, full, _ in held:
        if full >= ENOUGH_CELLS:
            return CellSize(block * STEP)
    for block, full, some in held:
        if some >= ENOUGH_CELLS:
            return CellSize(block * STEP, notes=(_sparse(block * STEP, full),))
    block, full, _ = held[-1]
    return CellSize(block * STEP, 1, (_sparse(block * STEP, full),))


def _sparse(size: float, held: float) -> Note:
    return note("relief.sparse", share=share(held), cell=metres(size), points=ENOUGH_POINTS, needed=share(ENOUGH_CELLS))


def _seen(counts: Numbers, cell: float) -> Numbers:
    """1 for cells of size ``cell`` [m] in blocks of 50 mm that hold any point, else 0 (rows, cols)."""
    block = max(1, round(_SEEN / cell))
    any_point = (_blocks(_corner_sums(counts), counts.shape, block) > 0).astype(np.int64)
    spread: Numbers = np.repeat(np.repeat(any_point, block, 0), block, 1)[: counts.shape[0], : counts.shape[1]]
    return spread


def _corner_sums(values: Numbers) -> Numbers:
    """Sums (rows + 1, cols + 1) over all that lies below and left of each corner."""
    sums = np.zeros((values.shape[0] + 1, values.shape[1] + 1), np.int64)
    np.cumsum(values, axis=0, out=sums[1:, 1:])
    np.cumsum(sums[1:, 1:], axis=1, out=sums[1:, 1:])
    return sums


def _blocks(sums: Numbers, shape: tuple[int, ...], block: int) -> Numbers:
    """Sums over blocks of ``block`` x ``block`` cells; the last of a row or column may be cut off."""
    rows, cols = (np.append(np.arange(0, size, block), size) for size in shape)
    at: Numbers = sums[np.ix_(rows, cols)]
    return at[1:, 1:] - at[:-1, 1:] - at[1:, :-1] + at[:-1, :-1]


def _held(total: Numbers, seen: Numbers, shape: tuple[int, ...], block: int) -> tuple[float, float]:
    here = _blocks(seen, shape, block) > 0
    for axis, size in enumerate(shape):
        cut = size % block
        if 0 < cut < block / 2 and size > block:
            here[(slice(None),) * axis + (-1,)] = False
    points = _blocks(total, shape, block)[here]
    if not points.size:
        return 0.0, 0.0
    return float((points >= ENOUGH_POINTS).mean()), float((points >= MEASURED).mean())
