"""Where every reader of points ends: a checked `Cloud`, with a note for all that was left out or assumed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from flatscan.capture.cleaning import (
    CleanChunks,
    Cleaning,
    Tally,
    notes_on_bounds,
    notes_on_rows,
    plan_cleaning,
    take_tally,
)
from flatscan.capture.file_unit import settle_unit
from flatscan.capture.source import PointSource
from flatscan.capture.strays import cropped
from flatscan.core.errors import BadValue, ReadError, TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import PHONE_GRAVITY, Cloud, Origin
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.core.units import METRES_PER

_LOOK_AT = 100_000
# a step above this is worth a note whatever the limit turns out to be: a fifth of the tightest usual limit, 5 mm
_WORTH_SAYING = 1e-3
# points of a scan laid out in rows and columns stand no further apart than this
_WIDEST_RASTER = 0.1


def axis_step(values: Array) -> float:
    """Step of the numbers ``values`` (n,) along one axis, 0 where they show none.

    A lattice is recognised when every distance between neighbours is a whole multiple of the least one; steps of
    changing size (a depth camera's) when few values are shared by many points: then the step the middle point sees.
    """
    level, count = np.unique(values[:_LOOK_AT], return_counts=True)
    if len(level) < 2:
        return 0.0
    gap = np.diff(level)
    # numbers that went through a unit or a float differ in their last digits though they mean one value
    noise = 4 * np.spacing(np.abs(level).max())
    gap = gap[gap > noise]
    if not len(gap):
        return 0.0
    least = float(gap.min())
    ratio = gap / least
    lattice = bool(np.all(np.abs(ratio - np.round(ratio)) < 0.02)) and len(gap) > 5
    shared = len(level) * 10 < min(len(values), _LOOK_AT)
    if shared:
        beside = np.minimum(np.append(np.diff(level), np.inf), np.append(np.inf, np.diff(level)))
        order = np.argsort(beside)
        middle = np.searchsorted(np.cumsum(count[order]), count.sum() / 2)
        return max(least if lattice else 0.0, float(beside[order][middle]))
    return least if lattice else 0.0


def file_step(sample: Array, stored: Array | None) -> Array:
    """Step (3,) along each axis in file units: the coarser of what the numbers show and what the format stores."""
    seen = np.array([axis_step(sample[:, axis]) for axis in range(3)])
    return seen if stored is None else np.maximum(seen, stored)


def notes_on_step(sample: Array, step: Array, float32: bool, middle: Array) -> Iterator[Note]:
    """Notes on a step over 1 mm; all in metres. ``float32``: the step is what 32-bit floats leave."""
    if float32 and step.max() > _WORTH_SAYING / 5:
        yield note("capture.stored-as-float32", away=metres(np.abs(middle).max()), step=metres(step.max()))
        return
    flat = np.ptp(sample, axis=0) == 0
    if flat.any():
        yield note("capture.same-coordinate", axes=tuple("xyz"[axis] for axis in np.flatnonzero(flat)))
    coarse = step > _WORTH_SAYING
    if coarse.any() and not coarse.all():
        centred = sample - sample.mean(axis=0)
        spread, axes = np.linalg.eigh(centred.T @ centred)
        # a regular raster on the wall is how a scan is laid out, not how it is rounded: only the thin direction counts
        if spread[0] < 0.01 * spread[1]:
            coarse &= (np.abs(axes[:, 0]) > 0.05) | (step > _WIDEST_RASTER)
    if coarse.any():
        steps = (
            note("capture.axis-step", axis="xyz"[axis], step=metres(step[axis])) for axis in np.flatnonzero(coarse)
        )
        yield note("capture.coarse-steps", steps=tuple(steps))


# fewer points than this hold no wall: one 1 m2 patch in 50 mm cells of five points wants 2 000
LEAST_POINTS = 100
# points on a mesh or a fused depth map follow dots about 70 mm apart (methods/uncertainty 3)
_DOT_PITCH = 0.07
_NEAR = 100.0


def checked_cloud(
    path: Path,
    source: PointSource,
    sha256: Callable[[], str],
    *,
    file_unit: str | None = None,
    max_points: int | None = None,
    crop: tuple[float, ...] | None = None,
    colours: bool = False,
) -> Cloud:
    """The points of ``source`` as a `Cloud`, with rubbish removed and counted in ``origin.warnings``.

    ``crop`` (x0, y0, z0, x1, y1, z1 in file units) is the part that counts; then nothing in it is a stray.
    ``colours`` brings those of the sample along, for pictures. ``sha256`` gives the file's hash when it is ready.
    Raises `ReadError` (nothing finite, all points equal), `TooFewPoints`, `UnitsUnknown`, and `BadValue` above
    ``max_points``.
    """
    # points drawn on a mesh are as many as are drawn: the file's size says nothing about them
    max_points = max_points if source.mesh_area is None else None
    if source.count_exact:
        refuse_above(path, source.count, max_points)
    if colours and source.coloured is not None:
        source = replace(source, blocks=source.coloured)
    if crop is not None:
        source = cropped(path, source, crop, LEAST_POINTS)
    tally = take_tally(source, max_points, colours=colours)
    refuse_above(path, tally.rows, max_points)
    _refuse_rubbish(path, tally)
    repeated = tally.repeats.share()
    cleaning, strays = plan_cleaning(source, tally, repeated, cropped=crop is not None)
    count = _count_left(path, tally, cleaning, 0 if strays is None else strays.count)
    kept = cleaning.keep_sample(tally)
    sample, normals, painted = tally.sample[kept], tally.sample_normals, tally.sample_colours
    settled, unit_notes = settle_unit(path, source, sample, file_unit, count)
    unit = settled.value
    factor, step = METRES_PER[unit], file_step(sample, source.step)
    single = source.float32 and source.step is not None and bool(step.max() <= 1.01 * source.step.max())
    middle = np.median(sample, axis=0) * factor
    shift = np.where(np.abs(middle) > _NEAR, np.round(middle), 0.0)
    notes = (
        *source.warnings,
        *unit_notes,
        *notes_on_rows(tally, source, cleaning, strays, repeated, factor),
        *notes_on_bounds(source, tally),
        *notes_on_step(sample * factor, step * factor, single, middle),
    )
    return Cloud(
        origin=Origin(str(path), sha256(), source.reader, unit, count, notes, source.kind, captured=source.captured),
        sample=sample * factor - shift,
        chunks=CleanChunks(cleaning, factor, shift),
        count=count,
        shift=shift,
        u_step=step * factor / np.sqrt(12),
        up=source.up,
        up_from=source.up_from,
        stands=None if source.stands is None else source.stands * factor - shift,
        sample_normals=None if normals is None else normals[kept],
        independent_share=_independent(source, factor, count, 0.0 if tally.repeats.exact else repeated),
        drawn=source.mesh_area is not None,
        u_up=PHONE_GRAVITY if source.u_up is None else source.u_up,
        unit=settled,
        sample_colours=None if painted is None else painted[kept],
        swept=source.swept,
        photographed=source.photographed,
    )


def _count_left(path: Path, tally: Tally, cleaning: Cleaning, strays: int) -> int:
    """Points that stay; raises `TooFewPoints` where they are no wall."""
    count = tally.rows - tally.not_finite - strays - (tally.at_zero if cleaning.at_zero else 0)
    if cleaning.repeated is not None:
        count -= int(cleaning.repeated.sum())
    if count < LEAST_POINTS:
        raise TooFewPoints(
            path,
            "{count} distinct, usable points of {rows:count}",
            needed="at least {least}",
            remedy="Scan the wall again, or export more of it",
            count=count,
            rows=tally.rows,
            least=LEAST_POINTS,
        )
    return count


def refuse_above(path: Path, count: int, max_points: int | None) -> None:
    """Raise `BadValue` for a file of more points than asked for."""
    if max_points is not None and count > max_points:
        raise BadValue(
            path,
            "the file holds {count:count} points",
            needed="at most {most:count}",
            remedy="Allow more points or thin the scan",
            count=count,
            most=max_points,
        )


def _refuse_rubbish(path: Path, tally: Tally) -> None:
    if tally.rows < LEAST_POINTS:
        held = "no points" if not tally.rows else "1 point" if tally.rows == 1 else "{rows} points"
        gone = " ({dropped:count} more are marked as no returns)" if tally.dropped else ""
        raise TooFewPoints(
            path,
            f"the file holds {held}{gone}",
            needed="at least {least}",
            remedy="Export the scan again",
            rows=tally.rows,
            dropped=tally.dropped,
            least=LEAST_POINTS,
        )
    if len(tally.sample) == 0 and tally.not_finite + tally.at_zero >= tally.rows:
        raise ReadError(
            path,
            "of {rows:count} points {wrong:count} are not numbers and {zero:count} lie at 0, 0, 0",
            needed="points with real numbers",
            remedy="Export the scan again",
            rows=tally.rows,
            wrong=tally.not_finite,
            zero=tally.at_zero,
        )
    if np.array_equal(tally.low, tally.high):
        raise ReadError(
            path,
            "all {rows:count} points lie at one place ({at:number})",
            needed="points spread over a wall",
            remedy="Export the scan again",
            rows=tally.rows,
            at=tuple(share(part) for part in tally.low),
        )


def _independent(source: PointSource, factor: float, count: int, repeats_kept: float) -> float:
    independent = 1.0 - repeats_kept
    if source.swept is not None:
        independent = min(independent, source.swept.independent)
    if source.mesh_area is not None:
        independent = min(independent, source.mesh_area * factor**2 / _DOT_PITCH**2 / count)
    return independent
