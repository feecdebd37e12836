"""The first pass over a file of points: counts, extent, an even sample and repeats, in bounded memory."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from flatscan.capture.repeats import RepeatCounter
from flatscan.capture.source import Block, PointSource, Rows
from flatscan.core.geometry import Array, Mask

SAMPLE = 600_000
_SEED = 20_261
# one coordinate larger than this in any unit is rubbish in the file, not a place
_LARGEST = 1e12


@dataclass
class Tally:
    """What the first pass found, in file units."""

    rows: int = 0
    dropped: int = 0
    not_finite: int = 0
    at_zero: int = 0
    low: Array = field(default_factory=lambda: np.full(3, np.inf))
    high: Array = field(default_factory=lambda: np.full(3, -np.inf))
    samples: list[Array] = field(default_factory=list)
    normals: list[Array] = field(default_factory=list)
    numbers: list[Rows] = field(default_factory=list)
    repeats: RepeatCounter = field(default_factory=lambda: RepeatCounter(0))

    @property
    def sample(self) -> Array:
        """Evenly drawn finite rows (n, 3), none at range zero."""
        return np.concatenate(self.samples) if self.samples else np.empty((0, 3))

    @property
    def sample_rows(self) -> Rows:
        """Their row numbers in the file (n,)."""
        return np.concatenate(self.numbers) if self.numbers else np.empty(0, np.int64)

    @property
    def sample_normals(self) -> Array | None:
        """Their normals (n, 3), if the file has any."""
        return np.concatenate(self.normals) if self.normals else None


def sample_rows(count: int, size: int = SAMPLE) -> Rows:
    """Row numbers of an even sample: one at a seeded random place in each of ``size`` equal runs of rows."""
    if count <= size:
        return np.arange(count, dtype=np.int64)
    edge = np.linspace(0, count, size + 1)
    place = np.floor(edge[:-1] + np.random.default_rng(_SEED).random(size) * np.diff(edge)).astype(np.int64)
    return np.minimum(place, count - 1)


def finite_rows(points: Array) -> Mask | None:
    """Which rows (n, 3) are numbers and places; None if all are."""
    # the sum of a block is finite only if every number in it is, and costs a third of looking at each
    if np.isfinite(points.sum()) and float(np.abs(points).max(initial=0.0)) < _LARGEST:
        return None
    good = np.asarray((np.abs(points) < _LARGEST).all(axis=1))
    return None if good.all() else good


def zero_rows(points: Array, stands: Array | None) -> Mask | None:
    """Which rows (n, 3) lie exactly at the file's origin or at a scanner: returns of range zero; None if none do."""
    marks = (points[:, 0] == 0) & (points[:, 1] == 0) & (points[:, 2] == 0)
    for stand in () if stands is None else stands:
        marks |= (points == stand).all(axis=1)
    return marks if marks.any() else None


def _take_block(tally: Tally, block: Block, wanted: Rows, stands: Array | None) -> None:
    points, start = block.points, tally.rows
    good, zero = finite_rows(points), zero_rows(points, stands)
    tally.rows += len(points)
    tally.dropped += block.dropped
    tally.not_finite += 0 if good is None else int(np.count_nonzero(~good))
    tally.at_zero += 0 if zero is None else int(np.count_nonzero(zero))
    first, last = np.searchsorted(wanted, (start, start + len(points)))
    rows = wanted[first:last] - start
    numbers: Rows | slice = slice(None)
    if good is not None or zero is not None:
        real = np.ones(len(points), dtype=bool)
        for gone in (zero, None if good is None else ~good):
            real &= True if gone is None else ~gone
        rows = rows[real[rows]]
        numbers = np.flatnonzero(real)
    usable = points[numbers]
    if len(usable):
        tally.repeats.add(usable, numbers, start)
        # column by column: a reduction over the short axis of (n, 3) is several times slower
        for axis in range(3):
            tally.low[axis] = min(tally.low[axis], usable[:, axis].min())
            tally.high[axis] = max(tally.high[axis], usable[:, axis].max())
    tally.samples.append(points[rows])
    tally.numbers.append(rows + start)
    if block.normals is not None:
        tally.normals.append(block.normals(rows))


def take_tally(source: PointSource, most: int | None = None) -> Tally:
    """Run the first pass over ``source``, stopping beyond ``most`` rows; errors of its reader pass through."""
    tally = Tally(repeats=RepeatCounter(source.count))
    wanted = sample_rows(source.count)
    # signalling NaN and infinity in damaged files are counted, not worth a floating-point warning each
    with np.errstate(all="ignore"):
        for block in source.blocks():
            _take_block(tally, block, wanted, source.stands)
            if most is not None and tally.rows > most:
                break
    return tally
