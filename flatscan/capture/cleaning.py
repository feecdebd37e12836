"""What one pass over a file finds out about its rows, and which of them are left out, with the words for it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.source import Block, PointSource, Rows
from flatscan.capture.strays import Bounds, outside, stray_box
from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share

Hashes = NDArray[np.uint64]
SAMPLE = 600_000
_SEED = 20_261
# one coordinate larger than this in any unit is rubbish in the file, not a place
_LARGEST = 1e12
# up to this many rows every hash is kept (8 bytes each); above, only positions whose hash falls in a fixed share
EXACT_ROWS = 2_000_000


def _mix(value: Hashes) -> Hashes:
    """Finaliser of splitmix64 (Steele, Lea and Flood, OOPSLA 2014), in place."""
    value ^= value >> np.uint64(30)
    value *= np.uint64(0xBF58476D1CE4E5B9)
    value ^= value >> np.uint64(27)
    value *= np.uint64(0x94D049BB133111EB)
    value ^= value >> np.uint64(31)
    return value


def row_hashes(points: Array) -> Hashes:
    """A 64-bit hash per row (n, 3); equal rows have equal hashes.

    Two different rows share one with odds n^2 / 2^65: 1e-7 for two million rows.
    """
    # + 0.0 makes the two zeros one; each axis is mixed in turn because the bits of small numbers are mostly alike
    bits = np.add(points, 0.0).view(np.uint64)
    value = _mix(bits[:, 0].copy())
    for axis in (1, 2):
        value += bits[:, axis]
        value = _mix(value)
    return value


@dataclass
class RepeatCounter:
    """Collects row hashes of ``rows`` rows at most, in bounded memory."""

    rows: int
    kept: list[Hashes] = field(default_factory=list)
    seen: list[NDArray[np.int64]] = field(default_factory=list)

    @property
    def exact(self) -> bool:
        """Whether every row takes part."""
        return self.rows <= EXACT_ROWS

    @property
    def taken(self) -> int:
        """How many rows took part so far."""
        return sum(len(part) for part in self.kept)

    def add(self, points: Array, numbers: NDArray[np.int64] | slice, start: int) -> None:
        """Take in the rows ``points``, which are rows ``start`` + ``numbers`` of the file."""
        value = row_hashes(points)
        if self.exact:
            at = np.arange(len(points)) if isinstance(numbers, slice) else numbers
            self.seen.append((at + start).astype(np.int64))
        else:
            # a position is in the sample or not whichever row it comes from, so repeats stay together
            value = value[value < np.uint64(int(2**64 * (EXACT_ROWS / 2) / self.rows))]
        self.kept.append(value)

    def share(self) -> float:
        """Share of rows that repeat an earlier one (exact, or estimated from the sampled positions)."""
        value = np.sort(np.concatenate(self.kept)) if self.kept else np.empty(0, np.uint64)
        return float(np.count_nonzero(value[1:] == value[:-1])) / len(value) if len(value) else 0.0

    def repeated(self, total: int) -> Mask:
        """(total,) marks of rows that repeat an earlier row; only where `exact`."""
        marks = np.zeros(total, dtype=bool)
        value, row = np.concatenate(self.kept), np.concatenate(self.seen)
        order = np.argsort(value, kind="stable")
        same = value[order][1:] == value[order][:-1]
        marks[row[order][1:][same]] = True
        return marks


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
    colours: list[NDArray[np.uint8]] = field(default_factory=list)
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

    @property
    def sample_colours(self) -> NDArray[np.uint8] | None:
        """Their red, green and blue (n, 3), if every part of the file has any."""
        found = np.concatenate(self.colours) if self.colours else None
        return found if found is not None and len(found) == sum(map(len, self.samples)) else None


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


def _take_block(tally: Tally, block: Block, wanted: Rows, stands: Array | None, *, colours: bool) -> None:
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
    if colours and block.colours is not None:
        tally.colours.append(block.colours(rows))


def take_tally(source: PointSource, most: int | None = None, *, colours: bool = False) -> Tally:
    """Run the first pass over ``source``, stopping beyond ``most`` rows; errors of its reader pass through.

    ``colours`` takes the sample's too, where the file has any.
    """
    tally = Tally(repeats=RepeatCounter(source.count))
    wanted = sample_rows(source.count)
    # signalling NaN and infinity in damaged files are counted, not worth a floating-point warning each
    with np.errstate(all="ignore"):
        for block in source.blocks():
            _take_block(tally, block, wanted, source.stands, colours=colours)
            if most is not None and tally.rows > most:
                break
    return tally


@dataclass(frozen=True, eq=False)
class Cleaning:
    """What to leave out: rows that are not finite, at range zero, outside ``box``, or marked in ``repeated``."""

    source: PointSource
    not_finite: bool
    at_zero: bool
    box: Bounds | None
    repeated: Mask | None

    def keep(self, points: Array, start: int) -> Mask | None:
        """Which of the rows ``points`` (m, 3), the first of them row ``start`` of the file, stay; None for all."""
        keep = np.ones(len(points), dtype=bool)
        with np.errstate(all="ignore"):
            if self.not_finite and (good := finite_rows(points)) is not None:
                keep &= good
            if self.at_zero and (zero := zero_rows(points, self.source.stands)) is not None:
                keep &= ~zero
            if self.box is not None:
                keep &= ~outside(points, self.box)
        if self.repeated is not None:
            keep &= ~self.repeated[start : start + len(points)]
        return None if keep.all() else keep

    def keep_sample(self, tally: Tally) -> Mask:
        """Which points of the first pass's sample stay; those not finite or at range zero are not in it."""
        keep = np.ones(len(tally.sample), dtype=bool)
        if self.box is not None:
            keep &= ~outside(tally.sample, self.box)
        if self.repeated is not None:
            keep &= ~self.repeated[tally.sample_rows]
        return keep


def plan_cleaning(
    source: PointSource, tally: Tally, repeat_share: float, *, cropped: bool = False
) -> tuple[Cleaning, Strays | None]:
    """What to leave out of ``source`` after its first pass, and its strays; none in a part that somebody chose."""
    # a lone point at the origin may be real; two, or one where a scanner stood, are returns of range zero
    at_zero = tally.at_zero > 1 or (tally.at_zero == 1 and source.stands is not None)
    repeated = tally.repeats.repeated(tally.rows) if repeat_share > 0 and tally.repeats.exact else None
    cleaning = Cleaning(source, tally.not_finite > 0, at_zero, None, repeated)
    box = None if cropped else stray_box(tally.sample, tally.low, tally.high)
    if box is None:
        return cleaning, None
    strays = _count_strays(Cleaning(source, True, True, None, repeated), box)
    if not strays.count:
        return cleaning, None
    return Cleaning(source, tally.not_finite > 0, at_zero, box, repeated), strays


@dataclass(frozen=True, eq=False)
class Strays:
    """How many rows are strays, and how far from what stays the furthest lies [file units]."""

    count: int
    away: float


def _count_strays(cleaning: Cleaning, box: Bounds) -> Strays:
    # only a file whose extent passes the box pays for this second look
    count = start = 0
    away = 0.0
    for block in cleaning.source.blocks():
        keep = cleaning.keep(block.points, start)
        start += len(block.points)
        out = outside(block.points, box)
        out = out if keep is None else out & keep
        if out.any():
            count += int(np.count_nonzero(out))
            gone = block.points[out]
            beyond = np.maximum(np.maximum(box[0] - gone, gone - box[1]), 0.0)
            away = max(away, float(np.linalg.norm(beyond, axis=1).max()))
    return Strays(count, away)


@dataclass(frozen=True, eq=False)
class CleanChunks:
    """Streams the points that stay, in metres, minus the shift; a plain object so that a cloud can be pickled."""

    cleaning: Cleaning
    factor: float
    shift: Array

    def __call__(self) -> Iterator[Array]:
        """Blocks (m, 3) of the points that stay, in the file's order."""
        start = 0
        moved = bool(np.any(self.shift))
        for block in self.cleaning.source.blocks():
            points = block.points
            keep = self.cleaning.keep(points, start)
            start += len(points)
            if keep is not None:
                points = points[keep]
            if self.factor != 1.0:
                points = points * self.factor
            if moved:
                points = points - self.shift
            if len(points):
                yield points


def notes_on_rows(
    tally: Tally, source: PointSource, cleaning: Cleaning, strays: Strays | None, repeated: float, factor: float
) -> Iterator[Note]:
    """A note with its count for each kind of row that was left out, or kept though it tells nothing new.

    ``repeated`` is the share of rows that repeat an earlier one, ``factor`` the metres in one file unit.
    """
    rows = tally.rows
    if tally.dropped and source.dropped_as is not None:
        yield note(
            "capture.rows-dropped", dropped=tally.dropped, rows=rows + tally.dropped, dropped_as=source.dropped_as
        )
    if tally.not_finite:
        yield note("capture.rows-not-numbers", count=tally.not_finite, rows=rows)
    if cleaning.at_zero:
        yield note("capture.rows-at-scanner", count=tally.at_zero, rows=rows)
    if strays is not None:
        yield note("capture.strays", count=strays.count, rows=rows, away=metres(strays.away * factor))
    if repeated and tally.repeats.exact:
        yield note("capture.rows-repeat", count=round(repeated * tally.repeats.taken), rows=rows)
    elif repeated:
        yield note("capture.repeats-estimated", share=share(repeated), taken=tally.repeats.taken, rows=rows)


def notes_on_bounds(source: PointSource, tally: Tally) -> Iterator[Note]:
    """A note if the points do not fill the box the header gives: a damaged header, or a file cropped without it."""
    if source.bounds is None:
        return
    step = 0.0 if source.step is None else source.step
    slack = 0.01 * (tally.high - tally.low) + 2 * step
    beyond = np.stack([source.bounds[0] - tally.low, tally.high - source.bounds[1]])
    # points the format marks as noise were in the box and are left out here, so then it may be larger
    off = (beyond > slack) | ((beyond < -slack) & (tally.dropped == 0))
    if off.any() or not np.isfinite(source.bounds).all():
        axes = tuple("xyz"[axis] for axis in np.flatnonzero(off.any(axis=0))) or tuple("xyz")
        yield note("capture.box-not-filled", axes=axes)
