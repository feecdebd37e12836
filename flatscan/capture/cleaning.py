"""Which rows of a file of points stay: finite ones, none at range zero, no far strays, each place once; and notes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from flatscan.capture.source import PointSource
from flatscan.capture.tally import Tally, finite_rows, zero_rows
from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share

# a stray is this many extents away from the middle 96 % of the points
STRAY = 5.0
# a sample of fewer points has no extent to judge strays by
_LEAST_SAMPLE = 100


@dataclass(frozen=True, eq=False)
class Cleaning:
    """What to leave out: rows that are not finite, at range zero, outside ``box``, or marked in ``repeated``."""

    source: PointSource
    not_finite: bool
    at_zero: bool
    box: tuple[Array, Array] | None
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
                keep &= ~_outside(points, self.box)
        if self.repeated is not None:
            keep &= ~self.repeated[start : start + len(points)]
        return None if keep.all() else keep

    def keep_sample(self, tally: Tally) -> Mask:
        """Which points of the first pass's sample stay; those not finite or at range zero are not in it."""
        keep = np.ones(len(tally.sample), dtype=bool)
        if self.box is not None:
            keep &= ~_outside(tally.sample, self.box)
        if self.repeated is not None:
            keep &= ~self.repeated[tally.sample_rows]
        return keep


def plan_cleaning(source: PointSource, tally: Tally, repeat_share: float) -> tuple[Cleaning, int]:
    """What to leave out of ``source`` after its first pass, and how many rows are strays."""
    # a lone point at the origin may be real; two, or one where a scanner stood, are returns of range zero
    at_zero = tally.at_zero > 1 or (tally.at_zero == 1 and source.stands is not None)
    repeated = tally.repeats.repeated(tally.rows) if repeat_share > 0 and tally.repeats.exact else None
    cleaning = Cleaning(source, tally.not_finite > 0, at_zero, None, repeated)
    box = _stray_box(tally)
    if box is None:
        return cleaning, 0
    strays = _count_strays(Cleaning(source, True, True, None, repeated), box)
    return (Cleaning(source, tally.not_finite > 0, at_zero, box, repeated), strays) if strays else (cleaning, 0)


def _stray_box(tally: Tally) -> tuple[Array, Array] | None:
    """The box outside of which points are strays, if there are any outside."""
    sample = tally.sample
    if len(sample) < _LEAST_SAMPLE:
        return None
    low, high = np.quantile(sample, (0.02, 0.98), axis=0)
    reach = STRAY * float((high - low).max())
    # a cloud that is mostly one repeated place has no extent to judge by
    if reach == 0 or (np.all(tally.low >= low - reach) and np.all(tally.high <= high + reach)):
        return None
    return low - reach, high + reach


def _count_strays(cleaning: Cleaning, box: tuple[Array, Array]) -> int:
    # only a file whose extent passes the box pays for this second look
    count = start = 0
    for block in cleaning.source.blocks():
        keep = cleaning.keep(block.points, start)
        start += len(block.points)
        out = _outside(block.points, box)
        count += int(np.count_nonzero(out if keep is None else out & keep))
    return count


def _outside(points: Array, box: tuple[Array, Array]) -> Mask:
    marks = np.zeros(len(points), dtype=bool)
    with np.errstate(invalid="ignore"):
        for axis in range(3):
            marks |= (points[:, axis] < box[0][axis]) | (points[:, axis] > box[1][axis])
    return marks


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
    tally: Tally, source: PointSource, cleaning: Cleaning, strays: int, repeated: float
) -> Iterator[Note]:
    """A note with its count for each kind of row that was left out, or kept though it tells nothing new.

    ``repeated`` is the share of rows that repeat an earlier one.
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
    if strays:
        yield note("capture.strays", count=strays, rows=rows, extents=share(STRAY))
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
