"""Where the points lie over each wall, and where they end: fine counting grids filled by one pass over the cloud.

An edge is put where the counts of points say that the surface ends, which neither loses half a spacing nor follows
stray points.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.core.geometry import Array, Mask
from flatscan.core.kernels import in_lanes
from flatscan.core.model import Counts
from flatscan.wall.fit import Fit

SLAB = 0.05
CLOSE = 0.02
REVEAL = 0.45
FRONT = 1.5
MARGIN = 0.4
FINEST, COARSEST = 0.005, 0.5
PER_CELL = 1.5
CLUMPS = (1, 2, 4, 9, 16, 25, 49)
# 2 million points on a 10 m2 wall stand 2 mm apart, in a room of six surfaces 5 mm: as close as the finest cell
ENOUGH, MOST_CELLS, LANES = 2_000_000, 250_000, 2
# in the order of the compiled pass's columns
_LAYERS = ("surface", "close", "reveal", "behind", "front", "through")
BAND, INWARD = 6, 28
BACKGROUND = 0.1
REACHED = 0.8


@dataclass(frozen=True, eq=False)
class Occupancy:
    """Counts of points over a wall in square cells [up, along] whose lower left is at ``left``, ``bottom`` [m].

    ``surface`` counts points within `SLAB` of the fitted plane, ``close`` those within `CLOSE` of it, and ``rise`` is
    the mean offset of the first [m] (NaN without points); ``reveal`` counts points behind the plane, from where noise
    does not reach up to `REVEAL`, ``behind`` all points behind it, ``front`` points up to `FRONT` before it;
    ``through`` points that a scanner saw through the wall's plane at that cell.
    """

    left: float
    bottom: float
    cell: float
    surface: Counts
    close: Counts
    rise: Array
    reveal: Counts
    behind: Counts
    front: Counts
    through: Counts
    seen: int

    @property
    def x(self) -> Array:
        """Centres of the columns [m]."""
        return self.left + (np.arange(self.surface.shape[1], dtype=np.float64) + 0.5) * self.cell

    @property
    def y(self) -> Array:
        """Centres of the rows [m]."""
        return self.bottom + (np.arange(self.surface.shape[0], dtype=np.float64) + 0.5) * self.cell


class _Tally:
    """The grids of one wall while they are being filled."""

    def __init__(self, fit: Fit, cell: float, stands: Array | None, noise: float) -> None:
        self.fit, self.cell, self.seen = fit, cell, 0
        # noise must not look like points of a reveal
        self.reveal_from = float(np.clip(4 * noise, CLOSE, SLAB))
        self.left, self.bottom = fit.low - MARGIN
        columns, rows = np.ceil((fit.high - fit.low + 2 * MARGIN) / cell).astype(int)
        self.shape = (int(rows), int(columns))
        # half the memory, and no cell sees two thousand million points
        self.counts = np.zeros((rows * columns, len(_LAYERS)), np.int32)
        self.total = np.zeros(rows * columns)
        place = fit.local(stands) if stands is not None and len(stands) else np.empty((0, 3))
        # a second station behind the wall sees the next room directly, so "seen through" would mean nothing
        self.stands = place if len(place) and (place[:, 2] > 0.05).all() else np.empty((0, 3))
        frame = fit.frame
        self.axes = np.stack([frame.along, frame.up, frame.out])
        # only what a scanner saw through the wall counts however far behind it is
        self.depths = (SLAB, CLOSE, self.reveal_from, REVEAL, FRONT, np.inf if len(self.stands) else REVEAL)

    def add(self, points: Array, first: int, every: int) -> None:
        """Count every so manieth of ``points`` (m, 3), beginning with number ``first``."""
        from flatscan.wall.occupancy_kernel import count_over

        self.seen += len(range(first, len(points), every))
        corner = np.array([self.left, self.bottom])
        frame = (self.fit.frame.at, self.axes, self.fit.lean)
        cells = (corner, self.cell, self.shape)
        count_over(points, first, every, *frame, *cells, self.depths, self.counts, self.total)
        if len(self.stands):
            place = self.fit.local(points[first::every])
            for stand in self.stands:
                self._add_through(place[place[:, 2] < -SLAB], stand)

    def _add_through(self, behind: Array, stand: Array) -> None:
        share = stand[2] / (stand[2] - behind[:, 2])
        crossing = stand[:2] + share[:, None] * (behind[:, :2] - stand[:2])
        number, inside = self._numbers(crossing[:, 0], crossing[:, 1])
        self.counts[:, -1] += np.bincount(number[inside], minlength=len(self.total)).astype(np.int32)

    def _numbers(self, x: Array, y: Array) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        column = np.floor((x - self.left) / self.cell).astype(np.int64)
        row = np.floor((y - self.bottom) / self.cell).astype(np.int64)
        inside = (column >= 0) & (row >= 0) & (column < self.shape[1]) & (row < self.shape[0])
        return row * self.shape[1] + column, inside

    def joined(self, other: _Tally) -> _Tally:
        """The tally with what another of the same wall has counted."""
        self.seen += other.seen
        self.counts += other.counts
        self.total += other.total
        return self

    def done(self) -> Occupancy:
        layers = {name: self.counts[:, i].reshape(self.shape).astype(np.int64) for i, name in enumerate(_LAYERS)}
        count = layers["surface"]
        total = self.total.reshape(self.shape)
        rise = np.divide(total, count, out=np.full(self.shape, np.nan), where=count > 0)
        return Occupancy(float(self.left), float(self.bottom), self.cell, rise=rise, seen=self.seen, **layers)


def occupancy_cell(area: float, points: float) -> float:
    """Cell size [m] that holds about `PER_CELL` of so many ``points`` spread over ``area``, 5 to 500 mm.

    A large wall has cells up to 10 mm all the same: a quarter of a million cells draw its openings well enough.
    """
    finest = min(max(FINEST, np.sqrt(area / MOST_CELLS)), 2 * FINEST)
    return float(np.clip(np.sqrt(PER_CELL * area / max(points, 1.0)), finest, COARSEST))


def stride(count: int) -> int:
    """Every how manieth of ``count`` points is enough to draw outlines and openings with."""
    return max(1, count // ENOUGH)


def clump(surface: Counts) -> int:
    """How many points typically lie on one spot: 1 for free returns, more for repeated rows or rounded coordinates.

    Where m points fall on a cell on average, a share exp(-m / clump) of the cells stays empty (Poisson).
    """
    around = ndimage.uniform_filter(surface.astype(float), 9, mode="constant")
    use = (around > 1) & (around < 4)
    if use.sum() < 400:
        return 1
    empty = float((surface[use] == 0).mean())
    return next((size for size in CLUMPS if float(np.exp(-around[use] / size).mean()) > empty - 0.1), CLUMPS[-1])


def declumped(grid: Occupancy) -> Occupancy:
    """The grid in cells so large that clumped points still fill them; unchanged where points lie freely."""
    block = int(np.ceil(np.sqrt(clump(grid.surface))))
    if block == 1:
        return grid
    layers = {name: _in_blocks(getattr(grid, name), block) for name in _LAYERS}
    total = _in_blocks(np.nan_to_num(grid.rise) * grid.surface, block)
    count = layers["surface"]
    rise = np.divide(total, count, out=np.full(count.shape, np.nan), where=count > 0)
    return Occupancy(grid.left, grid.bottom, grid.cell * block, rise=rise, seen=grid.seen, **layers)


def _in_blocks(layer: NDArray[Any], block: int) -> NDArray[Any]:
    """Sums over blocks of ``block`` x ``block`` cells, the last ones filled up with nothing."""
    rows, columns = (-(-n // block) for n in layer.shape)
    padded = np.zeros((rows * block, columns * block), layer.dtype)
    padded[: layer.shape[0], : layer.shape[1]] = layer
    return padded.reshape(rows, block, columns, block).sum(axis=(1, 3))


def count_points(
    chunks: Iterator[Array], fits: list[Fit], cells: list[float], stands: Array | None, *, noise: float, every: int = 1
) -> list[Occupancy]:
    """One `Occupancy` per fit, from one pass over the cloud's chunks of points (m, 3) with scatter ``noise`` [m].

    Only one point in ``every`` is counted, the same ones however the cloud is cut into chunks.
    """
    lanes = [[_Tally(fit, cell, stands, noise) for fit, cell in zip(fits, cells, strict=True)] for _ in range(LANES)]

    def add(lane: int, points: Array, start: int) -> None:
        for tally in lanes[lane]:
            tally.add(np.ascontiguousarray(points), -start % every, every)

    in_lanes(chunks, add, LANES)
    return [declumped(one.joined(other).done()) for one, other in zip(*lanes, strict=True)]


def clean(surface: Counts) -> Mask:
    """Occupied cells with company: at least three in ten of the 25 about them are occupied too."""
    occupied = surface > 0
    company = ndimage.uniform_filter(occupied.astype(float), 5, mode="constant")
    result: Mask = occupied & (company > 0.3)
    return result


def right_edge(surface: Counts, occupied: Mask) -> float:
    """Where the rows end on the right, in cells from the grid's left.

    The end that a fifth of the rows reach is taken; rows that end early (a notch, a gable) do not count.
    """
    rows = occupied.any(axis=1)
    ends = occupied.shape[1] - np.argmax(occupied[:, ::-1], axis=1)
    target = int(np.quantile(ends[rows], REACHED, method="lower"))
    inward = min(INWARD, target)
    if inward < 2 * BAND:
        return float(target)
    reference = surface[:, target - inward : target - BAND]
    usable = rows & (np.abs(ends - target) <= BAND) & ((reference > 0).mean(axis=1) > 0.6)
    per_column = reference[usable].sum() / reference.shape[1] if usable.any() else 0.0
    if per_column == 0:
        return float(target)
    profile = surface[usable, target - BAND : min(target + BAND, surface.shape[1])].sum(axis=0)
    return target - BAND + end_of_profile(profile / per_column, float(per_column))


def end_of_profile(share: Array, per_column: float) -> float:
    """Where a surface ends along columns that hold ``share`` (n,) of what a full column does, in columns from 0.

    The end of greatest Poisson likelihood: full columns before it, a part in its own, a little `BACKGROUND` (mixed
    pixels, strays) after it. Its error is that of the last few points, not that of all that were counted.
    """
    ends = np.arange(0, len(share) + 1e-9, 0.05)
    covered = np.clip(ends[:, None] - np.arange(len(share)), 0, 1)
    rate = BACKGROUND + (1 - BACKGROUND) * covered
    # another surface that meets the wall here puts many points into the last columns: they count as one surface's
    seen = np.minimum(share, 1.3)
    likelihood = per_column * (seen * np.log(rate) - rate).sum(axis=1)
    best = likelihood >= likelihood.max() - 1e-9 * max(1.0, abs(float(likelihood.max())))
    return float(ends[best].mean())


def bounds(grid: Occupancy, occupied: Mask) -> Array:
    """Left, bottom, right and top edge [m] of the surface."""
    counts = np.where(ndimage.binary_dilation(occupied, iterations=2), grid.surface, 0)
    rows, columns = occupied.shape
    turned, marks = counts.T, occupied.T
    return np.array(
        [
            grid.left + grid.cell * (columns - right_edge(counts[:, ::-1], occupied[:, ::-1])),
            grid.bottom + grid.cell * (rows - right_edge(turned[:, ::-1], marks[:, ::-1])),
            grid.left + grid.cell * right_edge(counts, occupied),
            grid.bottom + grid.cell * right_edge(turned, marks),
        ]
    )
