"""Where every reader of points ends: a checked `Cloud`, with a note for all that was left out or assumed."""

from __future__ import annotations

from collections.abc import Callable
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
from flatscan.capture.source import PointSource
from flatscan.capture.unit_and_step import check_size, decide_unit, file_step, main_extents, notes_on_step
from flatscan.core.errors import BadValue, ReadError, TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import PHONE_GRAVITY, Cloud, Origin
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share
from flatscan.core.units import METRES_PER

# fewer points than this hold no wall: one 1 m2 patch in 50 mm cells of five points wants 2 000
LEAST_POINTS = 100
# points on a mesh or a fused depth map follow dots about 70 mm apart (METHODS 1a and 3b)
_DOT_PITCH = 0.07
_NEAR = 100.0


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
    _refuse_rubbish(path, tally)
    repeated = tally.repeats.share()
    cleaning, strays = plan_cleaning(source, tally, repeated)
    count = _count_left(path, tally, cleaning, strays)
    kept = cleaning.keep_sample(tally)
    sample, normals = tally.sample[kept], tally.sample_normals
    unit, unit_notes = _unit(path, source, sample, file_unit)
    factor, step = METRES_PER[unit], file_step(sample, source.step)
    single = source.float32 and source.step is not None and bool(step.max() <= 1.01 * source.step.max())
    middle = np.median(sample, axis=0) * factor
    shift = np.where(np.abs(middle) > _NEAR, np.round(middle), 0.0)
    notes = (
        *source.warnings,
        *unit_notes,
        *notes_on_rows(tally, source, cleaning, strays, repeated),
        *notes_on_bounds(source, tally),
        *notes_on_step(sample * factor, step * factor, single, middle),
    )
    return Cloud(
        origin=Origin(str(path), sha256(), source.reader, unit, count, notes, source.kind),
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
        u_up=PHONE_GRAVITY if source.u_up is None else source.u_up,
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
            needed="points with finite coordinates",
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


def _unit(path: Path, source: PointSource, sample: Array, asked: str | None) -> tuple[str, tuple[Note, ...]]:
    """Unit name and notes on it."""
    extents = main_extents(sample) if len(sample) > 3 else np.zeros(3)
    if extents[1] <= 1e-9 * extents[0]:
        raise ReadError(
            path, "all points lie on one line", needed="points spread over a wall", remedy="Export the scan again"
        )
    if asked is not None and asked not in METRES_PER:
        raise BadValue(
            "{set:file_unit}",
            "'{asked}'",
            needed=" or ".join(METRES_PER),
            remedy="Give one of these units",
            asked=asked,
        )
    unit = source.unit if asked is None else asked
    if unit is None:
        unit, taken = decide_unit(path, extents)
        return unit, (taken,)
    check_size(path, extents, unit, given=asked is not None)
    if source.unit is None or unit == source.unit:
        return unit, ()
    return unit, (note("capture.unit-against-file", unit=unit, other=source.unit, unit_from=source.unit_from),)


def _independent(source: PointSource, factor: float, count: int, repeats_kept: float) -> float:
    independent = 1.0 - repeats_kept
    if source.mesh_area is not None:
        independent = min(independent, source.mesh_area * factor**2 / _DOT_PITCH**2 / count)
    return independent
