"""Straightedges on stations: only over three or more of them that stand on one line, nothing interpolated between."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.warp import CommonError
from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.straightedge.largest import Added, Growth, Interval
from flatscan.straightedge.uncertainty import half_factor

# stations this far off the line between two others still stand on it (positions are typed to a millimetre)
OFF_LINE = 1e-3
PLACES = 5
_AT_ONCE = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Triples:
    """Three stations on a line (n,): indices of the contacts and the place between, and the distances [m] to both."""

    left: NDArray[np.int64]
    at: NDArray[np.int64]
    right: NDArray[np.int64]
    near: Array
    far: Array
    degrees: Array

    def some(self, which: slice | NDArray[np.int64]) -> Triples:
        """A part of them."""
        return Triples(
            self.left[which], self.at[which], self.right[which], self.near[which], self.far[which], self.degrees[which]
        )

    def gaps(self, z: Array) -> Array:
        """Gap (..., n) at each triple for offsets z (..., stations)."""
        share = self.far / (self.near + self.far)
        return share * z[..., self.left] + (1 - share) * z[..., self.right] - z[..., self.at]


def collinear_triples(x: Array, y: Array, rule: float, directions: Sequence[float] | None = None) -> Triples:
    """All triples of stations (n,) on one line with the outer two at most ``rule`` apart [m]."""
    order = np.lexsort((y, x))
    place = np.stack([x, y], axis=1)[order]
    first, other, near, angle = _arms(place, rule)
    # what lies within a hair's breadth of the line to a station is seen from the first at nearly its angle: sorted by
    # that, the ends behind a middle stand in one stretch
    turn = 4.0 * first + angle
    wide = np.arcsin(np.minimum(OFF_LINE / np.maximum(near, OFF_LINE), 1.0)) + 1e-9
    low, high = np.searchsorted(turn, turn - wide, "left"), np.searchsorted(turn, turn + wide, "right")
    blocks = _blocks(high - low)
    rows = [_on_one_line(place, first, other, near, low[part], high[part], part) for part in blocks]
    columns = [np.concatenate(column) for column in zip(*rows, strict=True)] if rows else [np.empty(0)] * 6
    # in the order of the places: first, end, middle
    ranked = np.lexsort((columns[2], columns[1], columns[0]))
    columns = [column[ranked] for column in columns]
    keep = np.ones(columns[0].size, bool)
    if directions is not None:
        turned = np.abs((columns[5][:, None] - np.asarray(directions) + 90.0) % 180.0 - 90.0)
        keep = (turned < 0.5).any(axis=1)
    left, at, right = (order[column[keep].astype(np.int64)] for column in columns[:3])
    return Triples(left, at, right, columns[3][keep], columns[4][keep], columns[5][keep])


def _arms(place: Array, rule: float) -> tuple[NDArray[np.int64], NDArray[np.int64], Array, Array]:
    """Pairs of places (n, 2), which are sorted, at most ``rule`` apart [m]: indices of both, distance, angle.

    Sorted by the first place and the angle at which it sees the other.
    """
    from scipy.spatial import cKDTree

    pairs = cKDTree(place).query_pairs(rule + 1e-9, output_type="ndarray")
    first, other = pairs.min(axis=1).astype(np.int64), pairs.max(axis=1).astype(np.int64)
    arm = place[other] - place[first]
    near, angle = np.hypot(arm[:, 0], arm[:, 1]), np.arctan2(arm[:, 1], arm[:, 0])
    kept = np.flatnonzero(near > OFF_LINE)
    kept = kept[np.lexsort((other[kept], 4.0 * first[kept] + angle[kept]))]
    return first[kept], other[kept], near[kept], angle[kept]


def _blocks(counts: NDArray[np.int64]) -> list[slice]:
    """Stretches of pairs whose counts come to some millions together, so that memory stays bounded."""
    total = np.cumsum(counts)
    cuts = np.searchsorted(total, np.arange(_AT_ONCE, total[-1] if total.size else 0, _AT_ONCE)) + 1
    edges = np.unique(np.concatenate([[0], cuts, [len(counts)]]))
    return [slice(int(a), int(b)) for a, b in pairwise(edges)]


def _on_one_line(
    place: Array,
    first: NDArray[np.int64],
    other: NDArray[np.int64],
    near: Array,
    low: NDArray[np.int64],
    high: NDArray[np.int64],
    part: slice,
) -> tuple[Array, ...]:
    """First, middle, end, both distances [m] and angle [degrees] of triples whose middles are the pairs in ``part``."""
    count = high - low
    middle = np.repeat(np.arange(part.start, part.stop), count)
    end = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(low, count)
    arm, reach = place[other[end]] - place[first[end]], near[end]
    inner = place[other[middle]] - place[first[middle]]
    along = (inner * arm).sum(axis=1) / reach
    off = np.abs(inner[:, 0] * arm[:, 1] - inner[:, 1] * arm[:, 0]) / reach
    on = (other[middle] != other[end]) & (off <= OFF_LINE) & (along > OFF_LINE) & (along < reach - OFF_LINE)
    middle, end, along, reach, arm = middle[on], end[on], along[on], reach[on], arm[on]
    turn = np.degrees(np.arctan2(arm[:, 1], arm[:, 0])) % 180.0
    return first[middle], other[middle], other[end], along, reach - along, turn


def added_by_errors(
    triples: Triples, x: Array, y: Array, z: Array, u: Array, common: CommonError, sign: int = 1, *, draws: int = 400
) -> Growth:
    """What the readings' errors once more, and three times their variance, add to the largest gap of offsets z [m].

    ``sign`` -1 looks at heights over the chord, 0 at both. Seeded; every draw is taken both ways.
    """
    if not u.any() and common.stationary and common.sd == 0:
        return Growth()
    generator = np.random.default_rng(20)
    # many triples of the same stations are much alike: fewer draws give their largest as well
    draws = int(min(draws, max(60, 1e7 / max(triples.at.size, 1))))
    error = generator.standard_normal((draws, x.size)) * u
    if common.sd > 0 or not common.stationary:
        places = np.stack([x, y], axis=1)
        shared = common.covariance(places, places) + 1e-9 * max(common.sd, 1e-6) ** 2 * np.eye(x.size)
        error += generator.standard_normal((draws, x.size)) @ np.linalg.cholesky(shared).T
    largest = {0.0: -np.inf * np.ones(1), 1.0: -np.inf * np.ones(2 * draws), 3.0**0.5: -np.inf * np.ones(2 * draws)}
    block = max(1, int(1e7 / draws))
    for start in range(0, triples.at.size, block):
        some = triples.some(slice(start, start + block))
        gap, spread = some.gaps(z[None]), some.gaps(error)
        for size, found in largest.items():
            read = gap if size == 0 else np.concatenate([gap + size * spread, gap - size * spread])
            read = np.abs(read) if sign == 0 else sign * read
            largest[size] = np.maximum(found, read.max(axis=1))
    known, doubled, fourfold = (float(found.mean()) for found in largest.values())
    # to a micrometre: no more is known, and the order of sums in a matrix product does not show
    return Growth(round(max(doubled - known, 0.0), 6), round(max(fourfold - known, 0.0), 6))


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """Readings (m,) with u, their triples (n,), and the gap [m] with both parts of its u at each triple."""

    x: Array
    y: Array
    z: Array
    u: Array
    triples: Triples
    gap: Array
    random: Array
    common: Array

    def record(self, which: int, sign: int = 1) -> Gap:
        """The gap at a triple; ``sign`` -1 takes it as a height over the chord."""
        at, left, right = (
            (float(self.x[index[which]]), float(self.y[index[which]]))
            for index in (self.triples.at, self.triples.left, self.triples.right)
        )
        random, common = float(self.random[which]), float(self.common[which])
        value, turn = max(sign * float(self.gap[which]), 0.0), float(self.triples.degrees[which])
        if not math.isfinite(random):
            return Gap(value, None, at, left, right, turn, None, common)
        return Gap(value, math.hypot(random, common), at, left, right, turn, random, common)


def _read(
    relief: Relief, row: NDArray[np.int64], col: NDArray[np.int64], rule: float, directions: Sequence[float] | None
) -> _Read:
    """The valid stations at (row, col) of the relief and every gap they show."""
    across, upward = relief.places
    x, y, z, u = across[row, col], upward[row, col], relief.offset[row, col], relief.u[row, col]
    triples = collinear_triples(x, y, rule, directions)
    share = triples.far / np.maximum(triples.near + triples.far, 1e-12)
    left, right, at = u[triples.left], u[triples.right], u[triples.at]
    random = np.sqrt((share * left) ** 2 + ((1 - share) * right) ** 2 + at**2)
    places = np.stack([x, y], axis=1)
    common = relief.common.u_gap_at(places[triples.left], places[triples.at], places[triples.right])
    return _Read(x, y, z, u, triples, triples.gaps(z), random, common)


def sweep_stations(relief: Relief, rule: float, *, directions: Sequence[float] | None, k: float, method: str) -> Gaps:
    """Gaps over stations; ``worst`` is None, with a note, if no three of them stand on a line within ``rule`` [m]."""
    row, col = np.nonzero(relief.valid)
    read = _read(relief, row, col, rule, directions)
    triples, gap = read.triples, read.gap
    deepest = np.full(relief.offset.shape, np.nan)
    if gap.size == 0:
        notes = (note("straightedge.no-three-on-a-line", rule=metres(rule)),)
        return Gaps(
            rule, (), None, None, None, None, 0, None, deepest, method=method, k=k, known_between=False, notes=notes
        )
    for index in (triples.left, triples.right):
        deepest[row[index], col[index]] = 0.0
    np.fmax.at(deepest, (row[triples.at], col[triples.at]), np.maximum(gap, 0.0))
    worst = read.record(int(np.argmax(gap)))
    whole = np.nonzero(triples.near + triples.far >= rule - OFF_LINE)[0]
    balanced = read.record(int(whole[np.argmin(gap[whole])]), -1) if whole.size else None
    below = read.record(int(whole[np.argmax(gap[whole])])) if whole.size else None
    equal = max((one for one in (balanced, below) if one), key=lambda one: one.value, default=None)
    judged = {"equal offsets": equal, "balanced end gap": balanced}.get(method, worst)
    told = _bounds(read, relief.common, judged, k, method, whole)
    pairs = np.unique(np.stack([triples.left, triples.right]), axis=1).shape[1]
    turned = tuple(sorted({round(float(value), 1) % 180.0 for value in triples.degrees}))
    places = _places([read.record(int(which)) for which in np.argsort(-gap, kind="stable")[:200]], rule)
    return Gaps(
        rule=rule,
        directions=turned,
        worst=worst,
        balanced=balanced,
        equal_offset=equal,
        upper=told.high,
        positions=pairs,
        coverage=None,
        deepest=deepest,
        lower=told.low,
        worst_places=places,
        method=method,
        k=k,
        known_between=False,
        notes=(note("straightedge.stations-only"),),
        gap=told.gap,
    )


def _bounds(
    read: _Read, common: CommonError, judged: Gap | None, k: float, method: str, whole: NDArray[np.int64]
) -> Interval:
    """The interval of the method's largest gap, as that of a relief of cells (methods/decision 9)."""
    if judged is None or not np.isfinite(read.random).all():
        return Interval(None if judged is None else judged.value, None, None)
    sign = {"resting": 1, "balanced end gap": -1}.get(method, 0)
    reach = np.abs(read.gap) if sign == 0 else sign * read.gap
    chosen = slice(None) if method == "resting" else whole
    wide = half_factor(k)
    high = float((np.maximum(reach, 0.0) + wide * np.hypot(read.random, read.common))[chosen].max())
    parts = ((read.u, CommonError(0.0)), (np.zeros_like(read.u), common))
    some = read.triples.some(chosen)
    random, shared = (added_by_errors(some, read.x, read.y, read.z, *part, sign) for part in parts)
    added = Added(random, shared, 0.0)
    low = judged.value - added.at_most - wide * (judged.u or 0.0)
    # what noise adds is taken off the lower end alone: it is stated, not seen, and may be smaller
    return Interval(judged.value, min(max(low, 0.0), judged.value), max(high, judged.value))


def _places(gaps: list[Gap], rule: float) -> tuple[Gap, ...]:
    """Up to five gaps from a list in falling order, at least half a rule apart."""
    places: list[Gap] = []
    for one in gaps:
        if one.value > 1e-9 and len(places) < PLACES and all(math.dist(one.at, p.at) >= rule / 2 for p in places):
            places.append(one)
    return tuple(places)
