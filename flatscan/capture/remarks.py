"""Sentences on what a file of points left out, rounded or changed; its user reads them before any number."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from flatscan.capture.cleaning import STRAY
from flatscan.capture.source import PointSource
from flatscan.capture.steps import WORTH_SAYING
from flatscan.capture.tally import Tally
from flatscan.core.geometry import Array
from flatscan.core.units import to_mm

# points of a scan laid out in rows and columns stand no further apart than this
_WIDEST_RASTER = 0.1


def counts_text(tally: Tally, drop_words: str, drop_zero: bool, strays: int, repeat_share: float) -> Iterator[str]:
    """A sentence with its count for each kind of row that was left out, or kept though it tells nothing new."""
    if tally.dropped:
        yield f"{tally.dropped:,} of {tally.rows + tally.dropped:,} rows are {drop_words}: left out"
    if tally.not_finite:
        yield f"{tally.not_finite:,} of {tally.rows:,} rows are not numbers (NaN or infinite): left out"
    if drop_zero:
        yield f"{tally.at_zero:,} of {tally.rows:,} rows lie exactly at the scanner's own place (range zero): left out"
    if strays:
        yield f"{strays:,} of {tally.rows:,} points lie more than {STRAY:g} extents away from the rest: left out"
    if repeat_share and tally.repeats.exact:
        repeats = round(repeat_share * tally.repeats.taken)
        yield f"{repeats:,} of {tally.rows:,} rows repeat an earlier row exactly: left out"
    elif repeat_share:
        yield (
            f"about {100 * repeat_share:.2g} % of the rows repeat an earlier row exactly (estimated from "
            f"{tally.repeats.taken:,} of {tally.rows:,}): kept, and counted as no new returns"
        )


def bounds_text(source: PointSource, tally: Tally) -> Iterator[str]:
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


def step_text(sample: Array, step: Array, float32: bool, middle: Array) -> Iterator[str]:
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
