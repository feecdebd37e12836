"""Straightedges at every position and in every direction of a gridded relief, with what bounds the result."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from flatscan.errors import BadValue
from flatscan.geometry import Array
from flatscan.model import Relief
from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.straightedge.lines import (
    Direction,
    Lattice,
    Triple,
    directions_of,
    find_triple,
    in_order,
    lattice,
    lay,
    supports,
)
from flatscan.straightedge.stations import sweep_stations
from flatscan.straightedge.uncertainty import (
    common_factor,
    confidence_of,
    half_factor,
    random_u,
    variance_bound,
)

METHODS = ("resting", "equal offsets", "balanced end gap")
PLACES = 5


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    relief: Relief
    grid: Lattice
    z: Array
    turns: tuple[Direction, ...]
    rule: float
    k: float
    method: str
    workers: int | None

    @property
    def signs(self) -> tuple[int, ...]:
        """Sides of the chord the method looks at: toward the room, and for equal offsets away from it as well."""
        return (1, -1) if self.method == "equal offsets" else (1,)


def sweep(
    relief: Relief,
    rule: float,
    *,
    directions: Sequence[float] | None = None,
    k: float = 1.645,
    method: str = "resting",
    workers: int | None = None,
) -> Gaps:
    """Lay a straightedge of ``rule`` metres on every position of a relief, in every direction (default: 12).

    ``directions`` are degrees from horizontal; ``k`` is the one-sided coverage factor of ``upper`` and ``lower``,
    which speak of ``method``: ``resting``, ``equal offsets`` or ``balanced end gap``. Stations are swept over the
    lines they stand on. The result does not depend on ``workers``, the number of threads. A rule, direction or
    method that makes no sense raises `BadValue`.
    """
    _refuse(relief, rule, k, method)
    turns = directions_of(directions)
    if relief.cell is None:
        asked = None if directions is None else tuple(turn.degrees for turn in turns)
        return sweep_stations(relief, rule, directions=asked, k=k, method=method)
    z = np.ascontiguousarray(np.where(relief.valid, relief.offset, np.nan))
    work = _Work(relief, lattice(relief, rule, relief.valid), z, turns, rule, k, method, workers)
    found = _first_pass(work)
    below = _ends_pass(work, -z, -z, work.turns)
    balanced = _end_gap(work, found.ends, 1)
    equal = max((gap for gap in (balanced, _end_gap(work, below, -1)) if gap), key=lambda gap: gap.value, default=None)
    places = _places(work, found) if method == "resting" else _end_places(work, found.ends, below)
    worst = _worst(work, found)
    judged = {"resting": worst, "equal offsets": equal, "balanced end gap": balanced}[method]
    lower, notes = _lower(work, judged)
    if judged is not None and judged.u is None:
        notes = (*notes, "the uncertainty of some cells is not known, so no bound on the gap can be given")
    return Gaps(
        rule=rule,
        directions=tuple(turn.degrees for turn in turns),
        worst=worst,
        balanced=balanced,
        equal_offset=equal,
        upper=_upper(work, judged),
        positions=int(found.counts[:, 2].sum()),
        coverage=found.coverage,
        deepest=found.deepest,
        skipped=found.skipped,
        shortened=int(found.counts[:, 3].sum()),
        lower=lower,
        worst_places=places,
        method=method,
        k=k,
        coverages=found.coverages,
        notes=notes,
    )


def _refuse(relief: Relief, rule: float, k: float, method: str) -> None:
    """Raise `BadValue` for a sweep that makes no sense."""
    if not (math.isfinite(rule) and rule > 0):
        raise BadValue(
            "rule", f"{rule} m", needed="a straightedge longer than 0", remedy="Give its length, such as 1.8m"
        )
    if relief.cell is not None and rule < 2 * relief.cell - 1e-9:
        raise BadValue(
            "rule",
            f"{rule * 1000:g} mm on cells of {relief.cell * 1000:g} mm",
            needed="a straightedge that reaches over at least three cell centres",
            remedy="Use a longer rule or smaller cells",
        )
    if not (math.isfinite(k) and k > 0):
        raise BadValue("coverage factor", f"{k}", needed="a number over 0", remedy="Leave it at 1.645 for 95 %")
    if method not in METHODS:
        raise BadValue("method", f"'{method}'", needed=" or ".join(METHODS), remedy="Choose one of them")


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    deepest: Array
    which: NDArray[np.int16]
    ends: tuple[Triple | None, ...]
    counts: NDArray[np.int64]

    @property
    def coverages(self) -> tuple[float, ...]:
        return tuple(float(row[1] / row[0]) for row in self.counts if row[0])

    @property
    def coverage(self) -> float | None:
        return min(self.coverages, default=None)

    @property
    def skipped(self) -> dict[str, int]:
        laid, covered, boxed = (int(self.counts[:, slot].sum()) for slot in (0, 1, 4))
        return {"not measured": laid - covered, "opening or edge": max(boxed - laid, 0)}


def _first_pass(work: _Work) -> _Found:
    """Deepest gap at each cell over all directions, the direction it was found in, the end gaps and the counts."""
    deepest = np.full(work.z.shape, np.nan)
    which = np.full(work.z.shape, -1, np.int16)
    ends, counts = [], []
    jobs = [partial(lay, work.grid, work.z, work.z, turn, ends=True) for turn in work.turns]
    for number, (one, best, count) in enumerate(in_order(jobs, work.workers)):
        deeper = (one > deepest) | (np.isfinite(one) & np.isnan(deepest))
        deepest[deeper], which[deeper] = one[deeper], number
        ends.append(_end_triple(work.turns[number], best))
        counts.append(count)
    return _Found(deepest, which, tuple(ends), np.array(counts))


def _end_triple(turn: Direction, best: Array) -> Triple | None:
    """The triple in a pass's record of the largest deviation from the line through the ends."""
    return Triple(turn, *(int(value) for value in best[1:])) if math.isfinite(best[0]) else None


def _ends_pass(work: _Work, h: Array, base: Array, turns: Sequence[Direction]) -> tuple[Triple | None, ...]:
    """Per direction the triple of the largest height of ``h`` over the chord of ``base`` between window ends."""
    jobs = [partial(lay, work.grid, h, base, turn, edges=False, ends=True) for turn in turns]
    return tuple(_end_triple(turn, got[1]) for turn, got in zip(turns, in_order(jobs, work.workers), strict=True))


def _value(triple: Triple, at: Array) -> float:
    """l z_a + (1 - l) z_b - z_c from the three supports (3,)."""
    share = (triple.right - triple.at) / (triple.right - triple.left)
    return float(share * at[0] + (1 - share) * at[2] - at[1])


def _parts(work: _Work, triple: Triple) -> tuple[float | None, float]:
    """Random and common standard uncertainty of the gap at a triple; the random one None if a support's u is."""
    lags = (triple.at - triple.left, triple.right - triple.at)
    places = (np.array(work.grid.point(triple, step)) for step in (triple.left, triple.at, triple.right))
    common = float(work.relief.common.u_gap_at(*places))
    u2 = supports(work.grid, np.where(work.relief.valid, work.relief.u, np.nan) ** 2, triple)
    if not np.isfinite(u2).all():
        return None, common
    turn = triple.direction
    return random_u(np.sqrt(u2), lags, work.relief.window, turn.cos, turn.sin), common


def _gap(work: _Work, triple: Triple, value: float) -> Gap:
    random, common = _parts(work, triple)
    left, at, right = (work.grid.point(triple, step) for step in (triple.left, triple.at, triple.right))
    whole = None if random is None else math.hypot(random, common)
    return Gap(value, whole, at, left, right, triple.direction.degrees, random, common)


def _end_gap(work: _Work, triples: Sequence[Triple | None], sign: int) -> Gap | None:
    """The largest deviation to one side (+1 toward the room) among the directions' largest."""
    some = [(-sign * _value(triple, supports(work.grid, work.z, triple)), triple) for triple in triples if triple]
    if not some:
        return None
    value, triple = max(some, key=lambda pair: pair[0])
    return _gap(work, triple, max(value, 0.0))


def _worst(work: _Work, found: _Found) -> Gap | None:
    """The largest resting gap; one of 0 is shown as near the middle of the wall as contacts can be had."""
    if not np.isfinite(found.deepest).any():
        return None
    flat = int(np.nanargmax(found.deepest))
    value = float(found.deepest.flat[flat])
    triple = find_triple(work.grid, work.z, work.turns[found.which.flat[flat]], flat) if value > 0 else None
    if triple is None:
        triple = _any_triple(work, found)
    return None if triple is None else _gap(work, triple, value)


def _any_triple(work: _Work, found: _Found) -> Triple | None:
    """Some place a straightedge rests at, the nearest to the middle of the cells that has contacts."""
    rows, cols = work.z.shape
    row, col = np.nonzero(np.isfinite(found.deepest))
    order = np.argsort(np.hypot(row - rows / 2, col - cols / 2), kind="stable")
    for one in order[:400]:
        for turn in work.turns:
            triple = find_triple(work.grid, work.z, turn, int(row[one] * cols + col[one]))
            if triple is not None:
                return triple
    return None


def _places(work: _Work, found: _Found) -> tuple[Gap, ...]:
    """Up to five of the deepest resting gaps, at least half a rule apart."""
    left = np.where(found.deepest > 1e-9, found.deepest, -np.inf)
    across, upward = np.meshgrid(work.relief.x, work.relief.y)
    places: list[Gap] = []
    while len(places) < PLACES and np.isfinite(left).any():
        flat = int(np.argmax(left))
        triple = find_triple(work.grid, work.z, work.turns[found.which.flat[flat]], flat)
        if triple is not None:
            places.append(_gap(work, triple, float(left.flat[flat])))
        away = np.hypot(across - across.flat[flat], upward - upward.flat[flat])
        left = np.where(away < work.rule / 2, -np.inf, left)
    return tuple(places)


def _end_places(work: _Work, over: Sequence[Triple | None], under: Sequence[Triple | None]) -> tuple[Gap, ...]:
    """Up to five of the directions' largest deviations from the line through the ends, half a rule apart."""
    some = [_end_gap(work, [triple], 1) for triple in over]
    if -1 in work.signs:
        some += [_end_gap(work, [triple], -1) for triple in under]
    places: list[Gap] = []
    for gap in sorted((gap for gap in some if gap and gap.value > 1e-9), key=lambda gap: -gap.value):
        if len(places) < PLACES and all(math.dist(gap.at, other.at) >= work.rule / 2 for other in places):
            places.append(gap)
    return tuple(places)


def _upper(work: _Work, judged: Gap | None) -> float | None:
    """The largest of gap + k u over all positions, or a little over it (METHODS 3d).

    The bound must hold for every triple, not only for the worst of each position. u^2 <= l s_a + (1 - l) s_b + s_c
    with s of the cells (`variance_bound`), and sqrt(s) <= sqrt(s0) + (s - s0) / (2 sqrt(s0)), because a root is
    concave. So u separates into a part of the contacts, which lifts the profile the straightedge rests on, and a part
    of the place, which lowers the profile the gap is read to: one more exact sweep.
    """
    relief, valid = work.relief, work.relief.valid
    if judged is None or not np.isfinite(relief.u[valid]).all():
        return None
    factor, common2 = variance_bound(
        relief.common, relief.window, work.grid.w, relief.x, relief.y, float(relief.u[valid].min())
    )
    u2 = np.where(valid, relief.u, np.nan) ** 2 * factor
    # any s0 gives a bound; the one where the largest gap stands gives a close one
    typical = max(float(np.median(common2[valid])), 0.0 if relief.common.stationary else (judged.u_common or 0.0) ** 2)
    s0 = typical + 2 * float(np.median(u2[valid]))
    if s0 == 0 or float(np.ptp(u2[valid])) + float(np.ptp(common2[valid])) < 1e-9 * s0:
        return judged.value + work.k * math.sqrt(s0)
    raised = work.k * u2 / (2 * math.sqrt(s0))
    lowered = raised + work.k * (common2 - typical) / (2 * math.sqrt(s0))
    jobs: list[Callable[[], float]]
    if work.method == "resting":
        jobs = [partial(_highest, work.grid, work.z + raised, work.z - lowered, turn, True) for turn in work.turns]
    else:
        jobs = [
            partial(_highest, work.grid, sign * work.z + raised, sign * work.z - lowered, turn, False)
            for sign in work.signs
            for turn in work.turns
        ]
    return max(in_order(jobs, work.workers)) + work.k * (math.sqrt(s0) + (typical - s0) / (2 * math.sqrt(s0)))


def _highest(grid: Lattice, h: Array, base: Array, turn: Direction, edges: bool) -> float:
    """Largest value one pass finds, over all cells (edges) or all windows' ends."""
    deepest, best, _ = lay(grid, h, base, turn, edges=edges, ends=not edges)
    if not edges:
        return float(best[0])
    return float(np.nanmax(deepest)) if np.isfinite(deepest).any() else -math.inf


def _lower(work: _Work, judged: Gap | None) -> tuple[float | None, tuple[str, ...]]:
    """Selection-corrected lower bound of the largest gap, and words where there is none (METHODS 3d)."""
    relief = work.relief
    if judged is None or judged.u_random is None or judged.u_common is None:
        return None, ()
    factor = common_factor(relief.common, relief.x, relief.y, work.rule, work.k)
    if relief.half_a is None or relief.half_b is None:
        # no second look: every triple that could have been chosen counts (Bonferroni), for any correlation
        many = relief.valid.sum() * len(work.turns) * work.grid.w**2 / 2
        cautious = float(-ndtri((1 - confidence_of(work.k)) / max(many, 1)))
        return judged.value - math.hypot(cautious * judged.u_random, factor * judged.u_common), ()
    both = relief.valid & np.isfinite(relief.half_a) & np.isfinite(relief.half_b)
    if not both.any():
        return None, ("the two halves of the points share no cell, so no lower bound can be formed",)
    grid = lattice(relief, work.rule, both)
    half = [np.ascontiguousarray(np.where(both, values, np.nan)) for values in (relief.half_a, relief.half_b)]
    bounds = [_tested(work, grid, one, other, factor) for one, other in (half, half[::-1])]
    known = [bound for bound in bounds if bound is not None]
    return (max(known) if known else None), ()


def _tested(work: _Work, grid: Lattice, chosen: Array, tested: Array, factor: float) -> float | None:
    """The triple that stands out most on one half, read on the other half, less its margin."""
    best: tuple[float, float] | None = None
    for sign, triple in _candidates(work, grid, chosen):
        random, common = _parts(work, triple)
        if random is None:
            continue
        # each half holds half the points, so its random variance is twice that of the whole
        margin = math.hypot(half_factor(work.k) * math.sqrt(2) * random, factor * common)
        score = sign * _value(triple, supports(grid, chosen, triple)) - margin
        if best is None or score > best[0]:
            best = score, sign * _value(triple, supports(grid, tested, triple)) - margin
    return None if best is None else best[1]


def _candidates(work: _Work, grid: Lattice, z: Array) -> list[tuple[int, Triple]]:
    """The largest gap of each direction on one half, with the sign that makes it positive."""
    if work.method == "resting":
        jobs = [partial(_deepest_triple, grid, z, turn) for turn in work.turns]
        return [(1, triple) for triple in in_order(jobs, work.workers) if triple]
    chosen: list[tuple[int, Triple]] = []
    for sign in work.signs:
        some = [partial(lay, grid, sign * z, sign * z, turn, edges=False, ends=True) for turn in work.turns]
        ends = (_end_triple(turn, got[1]) for turn, got in zip(work.turns, in_order(some, work.workers), strict=True))
        chosen += [(-sign, triple) for triple in ends if triple]
    return chosen


def _deepest_triple(grid: Lattice, z: Array, turn: Direction) -> Triple | None:
    deepest, _, _ = lay(grid, z, z, turn)
    return find_triple(grid, z, turn, int(np.nanargmax(deepest))) if np.isfinite(deepest).any() else None
