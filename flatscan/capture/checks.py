"""Where every reader of points ends: a checked `Cloud`, and a sentence for all that was left out or assumed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from flatscan.capture.file_unit import check_size, decide_unit, main_extents
from flatscan.capture.source import PointSource
from flatscan.capture.steps import WORTH_SAYING, file_step
from flatscan.capture.tally import Tally, finite_rows, take_tally, zero_rows
from flatscan.errors import BadValue, ReadError, TooFewPoints
from flatscan.geometry import Array, Mask
from flatscan.model import PHONE_GRAVITY, Cloud, Origin
from flatscan.units import METRES_PER, to_mm

# fewer points than this hold no wall: one 1 m2 patch in 50 mm cells of five points wants 2 000
LEAST_POINTS = 100
# points on a mesh or a fused depth map follow dots about 70 mm apart (METHODS 1a and 3b)
_DOT_PITCH = 0.07
# a stray is this many extents away from the middle 96 % of the points
_STRAY = 5.0
_NEAR = 100.0
# points of a scan laid out in rows and columns stand no further apart than this
_WIDEST_RASTER = 0.1


def checked_cloud(
    path: Path,
    source: PointSource,
    sha256: Callable[[], str],
    *,
    file_unit: str | None = None,
    max_points: int | None = None,
) -> Cloud:
    """The points of ``source`` as a `Cloud`, with rubbish removed and counted in ``origin.warnings``.

    ``sha256`` gives the file's hash when it is ready. Raises `ReadError` (nothing finite, all points equal),
    `TooFewPoints`, `UnitsUnknown`, and `BadValue` above ``max_points``.
    """
    # points drawn on a mesh are as many as are drawn: the file's size says nothing about them
    max_points = max_points if source.mesh_area is None else None
    if source.count_exact:
        refuse_above(path, source.count, max_points)
    tally = take_tally(source, max_points)
    refuse_above(path, tally.rows, max_points)
    _refuse_rubbish(path, tally, source.drop_words)
    box = _stray_box(tally)
    sample, normals = _inside(tally, box)
    unit, unit_words, extents = _unit(path, source, sample, file_unit)
    factor = METRES_PER[unit]
    drop_zero = tally.at_zero > 1 or (tally.at_zero == 1 and source.stands is not None)
    repeat_share = tally.repeats.share()
    repeated = tally.repeats.repeated(tally.rows) if repeat_share > 0 and tally.repeats.exact else None
    strays = _count_strays(source, box, repeated) if box is not None else 0
    removed = tally.not_finite + (tally.at_zero if drop_zero else 0) + strays
    count = tally.rows - removed - (int(repeated.sum()) if repeated is not None else 0)
    if count < LEAST_POINTS:
        raise TooFewPoints(
            path,
            f"{count} distinct, usable points of {tally.rows:,}",
            needed=f"at least {LEAST_POINTS}",
            remedy="Scan the wall again, or export more of it",
        )
    step = file_step(sample, source.step)
    single = source.float32 and source.step is not None and bool(step.max() <= 1.01 * source.step.max())
    middle = np.median(sample, axis=0) * factor
    shift = np.where(np.abs(middle) > _NEAR, np.round(middle), 0.0)
    warnings = (
        *source.warnings,
        *unit_words,
        *_counts_text(tally, source.drop_words, drop_zero, strays, repeat_share),
        *_bounds_text(source, tally),
        *_step_text(sample * factor, step * factor, single, middle),
    )
    chunks = _Chunks(source, factor, shift, tally.not_finite > 0, drop_zero, box if strays else None, repeated)
    return Cloud(
        origin=Origin(str(path), sha256(), source.reader, unit, count, warnings),
        sample=sample * factor - shift,
        chunks=chunks,
        count=count,
        shift=shift,
        u_step=step * factor / np.sqrt(12),
        up=source.up,
        up_from=source.up_from,
        stands=None if source.stands is None else source.stands * factor - shift,
        sample_normals=normals,
        independent_share=_independent(source, factor, count, repeat_share, repeated),
        u_up=PHONE_GRAVITY if source.u_up is None else source.u_up,
    )


def refuse_above(path: Path, count: int, max_points: int | None) -> None:
    """Raise `BadValue` for a file of more points than asked for."""
    if max_points is not None and count > max_points:
        raise BadValue(
            path,
            f"the file holds {count:,} points",
            needed=f"at most {max_points:,}",
            remedy="Allow more points or thin the scan",
        )


def _refuse_rubbish(path: Path, tally: Tally, drop_words: str) -> None:
    if tally.rows < LEAST_POINTS:
        held = f"{tally.rows} points" if tally.rows else "no points"
        gone = f" ({tally.dropped:,} are {drop_words})" if tally.dropped else ""
        raise TooFewPoints(
            path, f"the file holds {held}{gone}", needed=f"at least {LEAST_POINTS}", remedy="Export the scan again"
        )
    usable = len(tally.sample)
    if usable == 0 and tally.not_finite + tally.at_zero >= tally.rows:
        found = f"of {tally.rows:,} points {tally.not_finite:,} are not numbers and {tally.at_zero:,} lie at 0, 0, 0"
        raise ReadError(path, found, needed="points with finite coordinates", remedy="Export the scan again")
    if np.array_equal(tally.low, tally.high):
        place = ", ".join(f"{part:g}" for part in tally.low)
        raise ReadError(
            path,
            f"all {tally.rows:,} points lie at one place ({place})",
            needed="points spread over a wall",
            remedy="Export the scan again",
        )


def _stray_box(tally: Tally) -> tuple[Array, Array] | None:
    """The box outside of which points are strays, if there are any outside."""
    sample = tally.sample
    if len(sample) < LEAST_POINTS:
        return None
    low, high = np.quantile(sample, (0.02, 0.98), axis=0)
    reach = _STRAY * float((high - low).max())
    # a cloud that is mostly one repeated place has no extent to judge by
    if reach == 0 or (np.all(tally.low >= low - reach) and np.all(tally.high <= high + reach)):
        return None
    return low - reach, high + reach


def _inside(tally: Tally, box: tuple[Array, Array] | None) -> tuple[Array, Array | None]:
    sample, normals = tally.sample, tally.sample_normals
    if box is None:
        return sample, normals
    near = ((sample >= box[0]) & (sample <= box[1])).all(axis=1)
    return sample[near], None if normals is None else normals[near]


def _unit(path: Path, source: PointSource, sample: Array, asked: str | None) -> tuple[str, tuple[str, ...], Array]:
    """Unit name, sentences about it, extents in file units."""
    extents = main_extents(sample) if len(sample) > 3 else np.zeros(3)
    if extents[1] <= 1e-9 * extents[0]:
        raise ReadError(
            path, "all points lie on one line", needed="points spread over a wall", remedy="Export the scan again"
        )
    if asked is not None and asked not in METRES_PER:
        raise BadValue("file unit", f"'{asked}'", needed=" or ".join(METRES_PER), remedy="Give one of these units")
    if asked is None and source.unit is None:
        unit, sentence = decide_unit(path, extents)
        return unit, (sentence,), extents
    unit, unit_from = (asked, "as given") if asked is not None else (str(source.unit), source.unit_from)
    check_size(path, extents, unit, unit_from)
    against = asked is not None and source.unit is not None and asked != source.unit
    words = (f"read in {unit} as given, though the file says {source.unit} ({source.unit_from})",) if against else ()
    return unit, words, extents


def _count_strays(source: PointSource, box: tuple[Array, Array], repeated: Mask | None) -> int:
    # only a file whose extent passes the box pays for this second look
    count = start = 0
    with np.errstate(all="ignore"):
        for block in source.blocks():
            out = _outside(block.points, box)
            for gone in (zero_rows(block.points, source.stands), _not(finite_rows(block.points))):
                out &= True if gone is None else ~gone
            if repeated is not None:
                out &= ~repeated[start : start + len(out)]
            start += len(out)
            count += int(np.count_nonzero(out))
    return count


def _not(mask: Mask | None) -> Mask | None:
    return None if mask is None else ~mask


def _outside(points: Array, box: tuple[Array, Array]) -> Mask:
    marks = np.zeros(len(points), dtype=bool)
    for axis in range(3):
        marks |= (points[:, axis] < box[0][axis]) | (points[:, axis] > box[1][axis])
    return marks


def _counts_text(tally: Tally, drop_words: str, drop_zero: bool, strays: int, repeat_share: float) -> Iterator[str]:
    if tally.dropped:
        yield f"{tally.dropped:,} of {tally.rows + tally.dropped:,} rows are {drop_words}: left out"
    if tally.not_finite:
        yield f"{tally.not_finite:,} of {tally.rows:,} rows are not numbers (NaN or infinite): left out"
    if drop_zero:
        yield f"{tally.at_zero:,} of {tally.rows:,} rows lie exactly at the scanner's own place (range zero): left out"
    if strays:
        yield f"{strays:,} of {tally.rows:,} points lie more than {_STRAY:g} extents away from the rest: left out"
    if repeat_share and tally.repeats.exact:
        repeats = round(repeat_share * tally.repeats.taken)
        yield f"{repeats:,} of {tally.rows:,} rows repeat an earlier row exactly: left out"
    elif repeat_share:
        yield (
            f"about {100 * repeat_share:.2g} % of the rows repeat an earlier row exactly (estimated from "
            f"{tally.repeats.taken:,} of {tally.rows:,}): kept, and counted as no new returns"
        )


def _bounds_text(source: PointSource, tally: Tally) -> Iterator[str]:
    """A sentence if the points do not fill the box the header gives: a damaged header, or a file cropped without it."""
    if source.bounds is None:
        return
    step = 0.0 if source.step is None else source.step
    slack = 0.01 * (tally.high - tally.low) + 2 * step
    beyond = np.stack([source.bounds[0] - tally.low, tally.high - source.bounds[1]])
    # points the format marks as noise were in the box and are left out here, so then it may be larger
    off = (beyond > slack) | ((beyond < -slack) & (tally.dropped == 0))
    if off.any() or not np.isfinite(source.bounds).all():
        axes = ", ".join("xyz"[axis] for axis in np.flatnonzero(off.any(axis=0)))
        yield f"the points do not fill the box its header gives in {axes or 'x, y, z'}: header or points were changed"


def _step_text(sample: Array, step: Array, float32: bool, middle: Array) -> Iterator[str]:
    """Sentences on a step over 1 mm; all in metres. ``float32``: the step is what 32-bit floats leave."""
    if float32 and step.max() > WORTH_SAYING / 5:
        yield (
            f"coordinates are stored as 32-bit floats {np.abs(middle).max():,.0f} m from the file's origin and so "
            f"rounded to {_mm_text(step.max())}: what is finer was lost before this file was written"
        )
        return
    flat = np.ptp(sample, axis=0) == 0
    if flat.any():
        names = ", ".join("xyz"[axis] for axis in np.flatnonzero(flat))
        yield f"all points have the same {names}: rounded away or drawn, not a measurement"
    coarse = step > WORTH_SAYING
    if coarse.any() and not coarse.all():
        centred = sample - sample.mean(axis=0)
        spread, axes = np.linalg.eigh(centred.T @ centred)
        # a regular raster on the wall is how a scan is laid out, not how it is rounded: only the thin direction counts
        if spread[0] < 0.01 * spread[1]:
            coarse &= (np.abs(axes[:, 0]) > 0.05) | (step > _WIDEST_RASTER)
    if coarse.any():
        words = ", ".join(f"{'xyz'[axis]} {_mm_text(step[axis])}" for axis in np.flatnonzero(coarse))
        yield f"the file's own numbers come in steps ({words}): nothing finer can be seen in it"


def _mm_text(step: float) -> str:
    return f"{to_mm(step):,.0f} mm" if step >= 0.1 else f"{to_mm(step):.3g} mm"


def _independent(source: PointSource, factor: float, count: int, repeat_share: float, repeated: Mask | None) -> float:
    share = 1.0 if repeated is not None else 1.0 - repeat_share
    if source.mesh_area is not None:
        share = min(share, source.mesh_area * factor**2 / _DOT_PITCH**2 / count)
    return share


class _Chunks:
    """Streams the checked points in metres, minus the shift; a plain object so that a cloud can be pickled."""

    def __init__(
        self,
        source: PointSource,
        factor: float,
        shift: Array,
        any_bad: bool,
        drop_zero: bool,
        box: tuple[Array, Array] | None,
        repeated: Mask | None,
    ) -> None:
        self.source, self.factor, self.shift = source, factor, shift
        self.any_bad, self.drop_zero, self.box = any_bad, drop_zero, box
        self.repeated = repeated

    def __call__(self) -> Iterator[Array]:
        start = 0
        moved = bool(np.any(self.shift))
        for block in self.source.blocks():
            points = block.points
            keep = self._keep(points, start)
            start += len(points)
            if keep is not None:
                points = points[keep]
            if self.factor != 1.0:
                points = points * self.factor
            if moved:
                points = points - self.shift
            if len(points):
                yield points

    def _keep(self, points: Array, start: int) -> Mask | None:
        """Rows that stay; None for all."""
        keep = np.ones(len(points), dtype=bool)
        with np.errstate(all="ignore"):
            if self.any_bad and (good := finite_rows(points)) is not None:
                keep &= good
            if self.drop_zero and (zero := zero_rows(points, self.source.stands)) is not None:
                keep &= ~zero
            if self.box is not None:
                keep &= ~_outside(points, self.box)
        if self.repeated is not None:
            keep &= ~self.repeated[start : start + len(points)]
        return None if keep.all() else keep
