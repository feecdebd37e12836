"""Where every reader of points ends: a checked `Cloud`, and a sentence for all that was left out or assumed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from flatscan.capture.cleaning import CleanChunks, Cleaning, plan_cleaning
from flatscan.capture.file_unit import check_size, decide_unit, main_extents
from flatscan.capture.remarks import bounds_text, counts_text, step_text
from flatscan.capture.source import PointSource
from flatscan.capture.steps import file_step
from flatscan.capture.tally import Tally, take_tally
from flatscan.core.errors import BadValue, ReadError, TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import PHONE_GRAVITY, Cloud, Origin
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
    _refuse_rubbish(path, tally, source.drop_words)
    share = tally.repeats.share()
    cleaning, strays = plan_cleaning(source, tally, share)
    count = _count_left(path, tally, cleaning, strays)
    kept = cleaning.keep_sample(tally)
    sample, normals = tally.sample[kept], tally.sample_normals
    unit, unit_words = _unit(path, source, sample, file_unit)
    factor, step = METRES_PER[unit], file_step(sample, source.step)
    single = source.float32 and source.step is not None and bool(step.max() <= 1.01 * source.step.max())
    middle = np.median(sample, axis=0) * factor
    shift = np.where(np.abs(middle) > _NEAR, np.round(middle), 0.0)
    warnings = (
        *source.warnings,
        *unit_words,
        *counts_text(tally, source.drop_words, cleaning.at_zero, strays, share),
        *bounds_text(source, tally),
        *step_text(sample * factor, step * factor, single, middle),
    )
    return Cloud(
        origin=Origin(str(path), sha256(), source.reader, unit, count, warnings),
        sample=sample * factor - shift,
        chunks=CleanChunks(cleaning, factor, shift),
        count=count,
        shift=shift,
        u_step=step * factor / np.sqrt(12),
        up=source.up,
        up_from=source.up_from,
        stands=None if source.stands is None else source.stands * factor - shift,
        sample_normals=None if normals is None else normals[kept],
        independent_share=_independent(source, factor, count, 0.0 if tally.repeats.exact else share),
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
            f"{count} distinct, usable points of {tally.rows:,}",
            needed=f"at least {LEAST_POINTS}",
            remedy="Scan the wall again, or export more of it",
        )
    return count


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
        held = "no points" if not tally.rows else "1 point" if tally.rows == 1 else f"{tally.rows} points"
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


def _unit(path: Path, source: PointSource, sample: Array, asked: str | None) -> tuple[str, tuple[str, ...]]:
    """Unit name and sentences about it."""
    extents = main_extents(sample) if len(sample) > 3 else np.zeros(3)
    if extents[1] <= 1e-9 * extents[0]:
        raise ReadError(
            path, "all points lie on one line", needed="points spread over a wall", remedy="Export the scan again"
        )
    if asked is not None and asked not in METRES_PER:
        raise BadValue("file unit", f"'{asked}'", needed=" or ".join(METRES_PER), remedy="Give one of these units")
    if asked is None and source.unit is None:
        unit, sentence = decide_unit(path, extents)
        return unit, (sentence,)
    unit, unit_from = (asked, "as given") if asked is not None else (str(source.unit), source.unit_from)
    check_size(path, extents, unit, unit_from)
    against = asked is not None and source.unit is not None and asked != source.unit
    words = (f"read in {unit} as given, though the file says {source.unit} ({source.unit_from})",) if against else ()
    return unit, words


def _independent(source: PointSource, factor: float, count: int, repeats_kept: float) -> float:
    share = 1.0 - repeats_kept
    if source.mesh_area is not None:
        share = min(share, source.mesh_area * factor**2 / _DOT_PITCH**2 / count)
    return share
