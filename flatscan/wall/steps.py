"""Lines along which a wall goes over from one level to another, in the heights of its points.

A line runs level or upright over the wall. Along it the surface on both sides is followed up to it by straight lines
over 300 mm, in segments of the line; the step is what is left between the two. A belly, a lean or a hump leaves next
to none, a ridge or a course leaves two that cancel, and a wave is not sharp.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import stdtrit

from flatscan.core.geometry import Array, Mask, robust_scale

# a step under this is a matter of flatness; between boards it is a few mm (common practice)
LEAST_STEP = 0.008
# how far to both sides of a line the surface is followed, and the least height or width of a part [m]
REACH = 0.3
SEGMENT, BINS = 0.3, (0.02, 0.03, 0.05)
_ENOUGH, _FEWEST_SEGMENTS = 6, 4
_ALONG, _ALIKE, _STEPPING, _SIZED = 0.7, 0.9, 0.5, 0.4
_FILLED = 0.5
_CERTAIN, _OVER_REST = 5.0, 3.0
_SHARP, _NEAREST, _NEAR = 0.7, 0.010, 0.045
# no smooth wall falls by so much between points 0.1 m apart
PLAIN = 0.04
# points so far off both levels belong to neither
_STRAY = 0.03


@dataclass(frozen=True, slots=True)
class StepLine:
    """A line at ``place`` [m] along ``axis`` (0 along, 1 up): what is beyond stands ``size`` [m] proud, +- ``u``."""

    axis: int
    place: float
    size: float
    u: float


@dataclass(frozen=True, eq=False)
class Profiles:
    """Median heights (segments, bins) [m] of a surface in bins of ``t`` along one axis; NaN where it holds no points.

    ``s`` and ``t`` (n,) are the points' places along and across the segments, ``r`` (n,) their heights; ``start`` and
    ``edges`` say where bins begin, ``segment`` (n,) is each point's segment.
    """

    axis: int
    t: Array
    r: Array
    segment: NDArray[np.int64]
    heights: Array
    start: float
    bin: float


def profiles(place: Array, axis: int, low: Array, high: Array) -> Profiles | None:
    """The heights of points (n, 3) within ``low`` and ``high`` (2,) across an axis; None where they are too few."""
    inside = ((place[:, :2] > low) & (place[:, :2] < high)).all(axis=1)
    place = place[inside]
    size = high - low
    pieces = max(_FEWEST_SEGMENTS, round(size[1 - axis] / SEGMENT))
    density = len(place) / max(float(np.prod(size)), 1e-9)
    wide = next((one for one in BINS if density * size[1 - axis] / pieces * one >= _ENOUGH), None)
    if wide is None:
        pieces = _FEWEST_SEGMENTS
        wide = BINS[-1]
    if density * size[1 - axis] / pieces * wide < _ENOUGH or size[axis] < 2 * REACH:
        return None
    t, r = place[:, axis], place[:, 2]
    segment = np.minimum(((place[:, 1 - axis] - low[1 - axis]) / size[1 - axis] * pieces).astype(np.int64), pieces - 1)
    bins = int(np.ceil(size[axis] / wide))
    number = segment * bins + np.minimum(((t - low[axis]) / wide).astype(np.int64), bins - 1)
    order = np.lexsort((r, number))
    held, first, count = np.unique(number[order], return_index=True, return_counts=True)
    middle = (r[order][first + (count - 1) // 2] + r[order][first + count // 2]) / 2
    heights = np.full(pieces * bins, np.nan)
    heights[held[count >= 2]] = middle[count >= 2]
    return Profiles(axis, t, r, segment, heights.reshape(pieces, bins), float(low[axis]), wide)


def _followed(known: Profiles, *, beyond: bool, skip: int = 1) -> tuple[Array, Array]:
    """Height and slope (segments, bins - 1) at each border between bins, of the line through the bins on one side.

    The bin right at the border holds points of both sides: the first ``skip`` bins do not count.
    """
    reach = max(3, round(REACH / known.bin))
    bins, margin = known.heights.shape[1], reach + skip
    ok = np.isfinite(known.heights)
    arm = (np.arange(reach) + skip + 0.5) * known.bin
    # windows of bins that begin at each border, or end there, read away from it
    first = margin + skip + 1 if beyond else margin - skip - reach + 1
    arm = arm if beyond else -arm[::-1]
    terms = np.stack([np.ones(reach), arm, arm**2], axis=1)

    def along(values: Array) -> Array:
        padded = np.pad(values, ((0, 0), (margin, margin)))
        return sliding_window_view(padded, reach, axis=1)[:, first : first + bins - 1]

    count, one, two = np.moveaxis(along(ok.astype(float)) @ terms, 2, 0)
    total, cross = np.moveaxis(along(np.where(ok, known.heights, 0.0)) @ terms[:, :2], 2, 0)
    spread = count * two - one**2
    fine = (count >= _FILLED * reach) & (spread > 1e-12)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.where(fine, (two * total - one * cross) / spread, np.nan)
        slope = np.where(fine, (count * cross - one * total) / spread, np.nan)
    return value, slope


def step_lines(known: Profiles) -> list[StepLine]:
    """The lines along which the surface steps, from low to high; at least 300 mm apart and from the ends."""
    before, slope_before = _followed(known, beyond=False)
    after, slope_after = _followed(known, beyond=True)
    steps = after - before
    held = np.isfinite(steps).sum(axis=0)
    alive = int(np.isfinite(known.heights).any(axis=1).sum())
    with np.errstate(all="ignore"):
        typical = np.full(steps.shape[1], np.nan)
        full = held >= max(_FEWEST_SEGMENTS - 1, _ALONG * alive)
        typical[full] = np.nanmedian(steps[:, full], axis=0)
    open_, found = np.isfinite(typical), list[StepLine]()
    borders = known.start + (np.arange(steps.shape[1]) + 1) * known.bin
    blanked = np.zeros_like(open_)
    while True:
        left = open_ & ~blanked
        if not left.any() or np.abs(typical[left]).max() < LEAST_STEP:
            break
        at = int(np.flatnonzero(left)[np.argmax(np.abs(typical[left]))])
        blanked |= np.abs(borders - borders[at]) < REACH - 1e-9
        line = _judged(known, (before, slope_before), (after, slope_after), at, borders[at])
        if line is not None:
            found.append(line)
    found = [line for line in found if _goes_on(known, (before, after), line, found)]
    clear = open_ & (np.min([np.abs(borders - line.place) for line in found], axis=0) > REACH) if found else open_
    rest = float(np.median(np.abs(typical[clear]))) if clear.sum() >= 5 else 0.0
    return sorted((line for line in found if abs(line.size) > _OVER_REST * rest), key=lambda line: line.place)


def _goes_on(known: Profiles, near: tuple[Array, Array], line: StepLine, found: list[StepLine]) -> bool:
    """Whether the wall stays on its level 300 to 600 mm past the line: after a course or a ridge it comes back."""
    reach = max(3, round(REACH / known.bin))
    at = int(round((line.place - known.start) / known.bin)) - 1
    for beyond in (True, False):
        if any(0 < (other.place - line.place) * (1 if beyond else -1) < 2 * REACH for other in found):
            continue
        far, _ = _followed(known, beyond=beyond, skip=reach)
        steps = far[:, at] - near[0][:, at] if beyond else near[1][:, at] - far[:, at]
        ok = np.isfinite(steps)
        if ok.sum() >= _FEWEST_SEGMENTS - 1 and float(np.median(steps[ok])) * np.sign(line.size) < abs(line.size) / 2:
            return False
    return True


def _judged(
    known: Profiles, before: tuple[Array, Array], after: tuple[Array, Array], at: int, border: float
) -> StepLine | None:
    """The step at a border where it is large, certain, alike all along, and sharp."""
    sides = [np.stack([part[:, at] for part in side], axis=1) for side in (before, after)]
    steps = sides[1][:, 0] - sides[0][:, 0]
    ok = np.isfinite(steps)
    size = float(np.median(steps[ok]))
    count = int(ok.sum())
    # a few segments know their own spread badly: Student's factor for k = 1
    u = 1.25 * robust_scale(steps[ok]) / np.sqrt(count) * float(stdtrit(count - 1, 0.8413))
    if abs(size) < _CERTAIN * u or not _all_along(sides, ok, size):
        return None
    place, sharp = _placed(known, sides, ok, border, size)
    return StepLine(known.axis, place, size, u) if sharp else None


def _all_along(sides: list[Array], ok: Mask, size: float) -> bool:
    """Whether the surface steps wherever along the line it lies on the two levels.

    A door leaf steps back over most of a wall's height, and above it the wall goes on. What is on neither level (a
    leaf in a plinth's door) speaks neither for nor against.
    """
    heights = [side[:, 0] for side in sides]
    steps = ok & ((heights[1] - heights[0]) * np.sign(size) > _SIZED * abs(size))
    if steps.sum() < _STEPPING * len(ok):
        return False
    place = np.arange(len(ok))
    levels = [np.polyval(np.polyfit(place[steps], height[steps], 1), place) for height in heights]
    on = [np.min([np.abs(height - level) for level in levels], axis=0) < _SIZED * abs(size) for height in heights]
    against = ok & ~steps & on[0] & on[1]
    return bool(steps.sum() >= _ALIKE * (steps.sum() + against.sum()))


def _placed(known: Profiles, sides: list[Array], ok: Mask, border: float, size: float) -> tuple[float, bool]:
    """Where the points go over from one level to the other, and whether they do so at once."""
    near = (np.abs(known.t - border) < 2.5 * known.bin + _NEAR) & ok[known.segment]
    t, r, segment = known.t[near] - border, known.r[near], known.segment[near]
    low, high = (side[segment, 0] + side[segment, 1] * t for side in sides)
    step = high - low
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (r - low) / step
    fits = np.isfinite(part) & (np.abs(part - 0.5) < 0.5 + _STRAY / np.maximum(np.abs(step), 1e-6))
    t, part = t[fits], part[fits]
    order = np.argsort(t, kind="stable")
    t, beyond = t[order], part[order] > 0.5
    # before the line points should lie on the one level, after it on the other
    wrong = np.concatenate([[0], np.cumsum(beyond)]) + np.concatenate([np.cumsum((~beyond)[::-1])[::-1], [0]])
    best = np.flatnonzero(wrong == wrong.min())
    cuts = np.concatenate([[t[0]], (t[1:] + t[:-1]) / 2, [t[-1]]]) if len(t) else np.zeros(1)
    place = float(cuts[best].mean())
    off, part = t - place, part[order]
    ends = [part[(side * off > _NEAREST) & (side * off < _NEAR)] for side in (-1, 1)]
    if min(len(end) for end in ends) < 10:
        return border + place, abs(size) > PLAIN
    return border + place, bool(np.median(ends[1]) - np.median(ends[0]) > _SHARP) or abs(size) > PLAIN
