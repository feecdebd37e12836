"""How much noise adds to the largest of many gaps, told by adding more of it.

The largest of noisy values is too large, by how much depends on how many places come near it, and that the data tell:
noise of the same size added once more lifts the largest again. Where one place stands alone it adds nothing, however
much is added; among equals it grows with the root of the variance (methods/decision 4).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array
from flatscan.core.notes import Note
from flatscan.core.reliefs import Grid
from flatscan.core.resolution import smoothing_row
from flatscan.straightedge.gaps import Direction, Gap, Laying, Lines, end_triple, in_order, lay
from flatscan.straightedge.triples import find_triple, gap_of

# noise added makes the variance twice and four times what it was: with the root of the variance the bias grows by as
# much again from one to four, and in proportion to the variance from one to two
DOUBLE, FOURFOLD = 1.0, 3.0**0.5
# a line this many u below the largest does not come to hold it by the noise added
NEAR = 5.0
# windows of one direction that a common error may choose from, of lines that come so many u of it near the largest
_WINDOWS, NEAR_WARP = 6, 3.0
# pairs of noise fields, as many as this many samples of lines allow: half a second's work at most, and on a clean wall,
# where few lines come near the largest, a tenth of it
_MOST_PAIRS, _WORK = 8, 2e6
_DRAWS = 400
# on cells that show no feature narrower than this [m] nothing can be within (methods/decision 5)
COARSE = 0.22


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """Straightedges laid over a relief, held against a ``limit`` [m], with the largest gap found.

    ``lines`` are those of every direction, ``tops`` the largest value on each of them; ``places`` are separate gaps
    that may be the largest.
    """

    work: Laying
    limit: float
    gap: Gap
    lines: tuple[Lines, ...]
    tops: tuple[Array, ...]
    places: tuple[Gap, ...] = ()

    @property
    def over(self) -> float:
        """The largest value on any line, over the limit [m]."""
        return max(float(top.max(initial=-np.inf)) for top in self.tops) - self.limit

    def over_on(self, lines: Sequence[Lines]) -> float:
        """The same on some of its lines."""
        some = (top[np.isin(every, chosen)] for every, top, chosen in zip(self.lines, self.tops, lines, strict=True))
        return max(float(top.max(initial=-np.inf)) for top in some) - self.limit

    def near(self, least: float, apart: int) -> tuple[Lines, ...]:
        """The lines of each direction that reach ``least`` [m] over the limit, so many lines ``apart``."""
        return tuple(
            lines[top - self.limit >= least][::apart] for lines, top in zip(self.lines, self.tops, strict=True)
        )


@dataclass(frozen=True, slots=True)
class Growth:
    """What is added to the largest gap [m] by the same error once more, and by three times its variance."""

    doubled: float = 0.0
    fourfold: float = 0.0


@dataclass(frozen=True, slots=True)
class Added:
    """What is added by the noise of the cells or readings, and by the common error, each for itself.

    Among equal places the bias is ``fourfold``, which is 2.4 times ``doubled``; where it goes with the variance it is
    ``doubled`` itself (methods/decision 4). The factors between are those that the proof found right on the average.
    ``seen`` is the share of the noise's variance that was seen, in halves of the points: 0 where it is only stated.
    On ``coarse`` cells few places compete, and the bias goes more with the variance.
    """

    random: Growth
    common: Growth
    seen: float
    coarse: bool = False

    @property
    def taken(self) -> float:
        """What noise added to the largest gap found [m]; nothing where the noise was not seen, as it may be smaller."""
        some = 1.8 if self.coarse else 2.0
        return min(some * self.random.doubled, self.random.fourfold) if self.seen else 0.0

    @property
    def at_most(self) -> float:
        """What the lower end must do without [m]."""
        some = 0.6 if self.coarse else 0.8
        return some * self.random.fourfold / math.sqrt(self.seen or 1.0) + self.common.fourfold

    @property
    def of_flat(self) -> float:
        """The largest gap that a wall without any would show on the average, if this was added to it [m]."""
        return self.random.fourfold / math.sqrt(self.seen or 1.0) + self.common.fourfold


@dataclass(frozen=True, slots=True)
class Interval:
    """A 95 % interval (at the usual confidence) of the true largest gap [m], and the best estimate of it.

    None where it cannot be formed. ``bias`` [m] is what noise added to the largest gap found.
    """

    gap: float | None
    low: float | None
    high: float | None
    bias: float = 0.0
    notes: tuple[Note, ...] = ()


def less(gap: Gap | None, bias: float) -> Gap | None:
    """A gap without what noise adds to the largest [m]."""
    return gap if gap is None or bias == 0 else replace(gap, value=max(gap.value - bias, 0.0))


def growth(reaches: Sequence[Reach], apart: float) -> Added:
    """What more noise adds to the largest excess of all ``reaches`` over their limits, of both parts of the error.

    ``apart`` is the share of the cells' variance that the two halves do not share (`bounds.halves_apart`).
    """
    relief = reaches[0].work.relief
    alone = relief.half_a is None or relief.half_b is None
    seen = 0.0 if alone else min(max(apart, 0.05), 1.0)
    return Added(_random_growth(reaches), _common_growth(reaches), seen, relief.smallest_feature > COARSE)


def _random_growth(reaches: Sequence[Reach]) -> Growth:
    """By the noise of the cells: lines that come near the largest are laid again on the relief with noise added."""
    u = max(reach.gap.u_random or 0.0 for reach in reaches)
    if u == 0:
        return Growth()
    relief = reaches[0].work.relief
    least = max(reach.over for reach in reaches) - NEAR * u
    # lines much closer together than the smoothing is wide show the same humps
    lines = [reach.near(least, max(1, relief.window // 3)) for reach in reaches]
    laid = sum(len(some) for group in lines for some in group)
    samples = 4 * laid * math.sqrt(relief.valid.size)
    fields = noise_fields(relief, int(np.clip(_WORK / max(samples, 1), 1, _MOST_PAIRS)))
    known = max(reach.over_on(group) for reach, group in zip(reaches, lines, strict=True))
    steps = [(field, sign * size) for field in fields for size in (DOUBLE, FOURFOLD) for sign in (1, -1)]
    found = np.array([_largest(reaches, size * field, lines) for field, size in steps])
    grown = found.reshape(-1, 2, 2).mean(axis=(0, 2)) - known
    return Growth(*(float(max(one, 0.0)) for one in grown))


def _largest(reaches: Sequence[Reach], noise: Array, lines: Sequence[tuple[Lines, ...]]) -> float:
    """The largest value over its limit [m] that straightedges find on some lines with ``noise`` added."""
    jobs = []
    for reach, group in zip(reaches, lines, strict=True):
        z = reach.work.z + noise
        chosen = [(turn, some) for turn, some in zip(reach.work.turns, group, strict=True) if len(some)]
        jobs += [partial(_on_lines, reach.work, z, turn, some, reach.limit) for turn, some in chosen]
    return max(in_order(jobs, reaches[0].work.workers))


def _on_lines(work: Laying, z: Array, turn: Direction, lines: Lines, limit: float) -> float:
    """The same of one direction."""
    edges = work.method == "resting"
    how = partial(lay, work.grid, turn=turn, edges=edges, ends=not edges, lines=lines, mapped=False)
    tops = [how(sign * z, sign * z)[3][0 if edges else 1] for sign in work.signs]
    return max(float(top.max()) for top in tops) - limit


def noise_fields(relief: Grid, pairs: int) -> list[Array]:
    """Fields (rows, cols) [m] of noise like that of the cells, 0 where nothing was measured.

    The first is half the difference of the two halves: noise of the very kind that is in their mean, and independent
    of it. Others are the same laid elsewhere. Without halves it is drawn, smoothed as the relief is (seeded).
    """
    u = np.where(relief.valid, np.nan_to_num(relief.u), 0.0)
    generator = np.random.default_rng(20)
    if relief.half_a is None or relief.half_b is None:
        return [u * _white(relief, generator) for _ in range(pairs)]
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = np.where(u > 0, (relief.half_a - relief.half_b) / (2 * u), 0.0)
    unit = np.nan_to_num(unit)
    fields = [unit * u]
    for _ in range(pairs - 1):
        moved = np.roll(unit, tuple(int(generator.integers(1, max(size, 2))) for size in unit.shape), axis=(0, 1))
        fields.append(moved * u)
    return fields


def _white(relief: Grid, generator: np.random.Generator) -> Array:
    """Noise (rows, cols) of sd 1, smoothed as the relief is."""
    noise = generator.standard_normal(relief.valid.shape)
    row = smoothing_row(relief.window)
    for axis in (0, 1):
        noise = ndimage.correlate1d(noise, row, axis=axis, mode="reflect")
    return np.asarray(noise / float((row**2).sum()), float)


def _common_growth(reaches: Sequence[Reach]) -> Growth:
    """By the common error: of the largest gap of each direction and of each place, drawn together (seeded)."""
    common = reaches[0].work.relief.common
    some = [(gap, reach.limit) for reach in reaches for gap in (*_of_directions(reach), *reach.places)]
    if common.stationary and common.sd == 0 or len(some) < 2:
        return Growth()
    value = np.array([abs(gap.value) - limit for gap, limit in some])
    places = np.array([(gap.left, gap.at, gap.right) for gap, _ in some])
    near, far = (np.hypot(*(places[:, 1] - places[:, side]).T) for side in (0, 2))
    weight = np.stack([far, -(near + far), near], axis=1) / (near + far)[:, None]
    at = places.reshape(-1, 2)
    covariance = common.covariance(at, at) * np.outer(weight.ravel(), weight.ravel())
    covariance = covariance.reshape(len(some), 3, len(some), 3).sum(axis=(1, 3))
    size, form = np.linalg.eigh(covariance)
    root = form * np.sqrt(np.clip(size, 0.0, None))
    error = np.random.default_rng(20).standard_normal((_DRAWS, len(some))) @ root.T
    error = np.concatenate([error, -error])
    grown = [float((value + size * error).max(axis=1).mean()) - value.max() for size in (DOUBLE, FOURFOLD)]
    return Growth(*(round(max(one, 0.0), 7) for one in grown))


def _of_directions(reach: Reach) -> list[Gap]:
    """The largest gap of each direction."""
    work, found = reach.work, list[Gap]()
    if work.relief.common.stationary and work.relief.common.sd == 0:
        return found
    if work.method != "resting":
        return _windows(reach)
    for turn, lines, top in zip(work.turns, reach.lines, reach.tops, strict=True):
        if np.isfinite(top).any():
            best = int(np.argmax(top))
            deepest, *_ = lay(work.grid, work.z, work.z, turn, lines=lines[best : best + 1])
            triple = find_triple(work.grid, work.z, turn, int(np.nanargmax(deepest)))
            if triple is not None:
                found.append(gap_of(work, triple, float(top[best])))
    return found


def _windows(reach: Reach) -> list[Gap]:
    """Windows of each direction that come near the largest, on lines well apart: on a bow many are as good."""
    work, found = reach.work, list[Gap]()
    least = reach.gap.value - NEAR_WARP * (reach.gap.u_common or 0.0)
    for turn, lines, top in zip(work.turns, reach.lines, reach.tops, strict=True):
        near = lines[top >= least]
        for one in near[:: max(1, -(-len(near) // _WINDOWS))]:
            for sign in work.signs:
                z = sign * work.z
                _, best, *_ = lay(work.grid, z, z, turn, edges=False, ends=True, lines=one[None])
                triple = end_triple(turn, best)
                if triple is not None:
                    found.append(gap_of(work, triple, float(best[0])))
    return found
