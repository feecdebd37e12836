"""Straightedges at every position and in every direction of a relief, with what bounds the result."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from flatscan.core.choices import METHODS
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.reliefs import Grid
from flatscan.straightedge.asked import none_laid, refuse, too_sparse
from flatscan.straightedge.bounds import halves_apart, interval, lower_bound
from flatscan.straightedge.gaps import (
    Direction,
    Gap,
    Gaps,
    Laying,
    Lines,
    Triple,
    all_lines,
    directions_of,
    end_triple,
    ends_pass,
    in_order,
    lay,
    lay_out,
    lines_through,
)
from flatscan.straightedge.largest import Reach, growth, less
from flatscan.straightedge.station_lines import sweep_stations
from flatscan.straightedge.triples import find_triple, gap_of, supports, value_of

PLACES = 5
_SPARSE = 8
# part of the largest gap within which others are looked at on lines between
_NEAR_LARGEST = 0.05
# what a first pass over a relief depends on: the length and the directions
Kept = tuple[float, tuple[Direction, ...]]
_BETWEEN = np.array([-1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0])


def sweep(
    relief: Relief,
    rule: float,
    *,
    directions: Sequence[float] | None = None,
    k: float = 1.645,
    method: str = "resting",
    bounded: bool = True,
    workers: int | None = None,
) -> Gaps:
    """Lay a straightedge of ``rule`` metres on every position of a relief, in every direction (default: 12).

    ``directions`` are degrees from horizontal; ``k`` is the one-sided coverage factor of ``upper`` and ``lower``,
    which speak of ``method``: ``resting``, ``equal offsets`` or ``balanced end gap``. Readings are swept over the
    lines they stand on. Without ``bounded`` the ``lower`` bound is left out. The result does not depend on
    ``workers``, the number of threads. A rule, direction or method that makes no sense raises `BadValue`.
    """
    return reaching(relief, rule, directions=directions, k=k, method=method, bounded=bounded, workers=workers)[0]


def reaching(
    relief: Relief,
    rule: float,
    *,
    directions: Sequence[float] | None = None,
    k: float = 1.645,
    method: str = "resting",
    bounded: bool = True,
    workers: int | None = None,
    kept: dict[Kept, tuple[Laying, _Found]] | None = None,
) -> tuple[Gaps, Reach | None]:
    """`sweep`, and what its bounds are told from: None on readings and where no straightedge was laid.

    ``kept`` keeps the pass over cells for another method, on the same relief with the same ``k``.
    """
    refuse(relief, rule, k, method)
    turns = directions_of(directions)
    if not isinstance(relief, Grid):
        asked = None if directions is None else tuple(turn.degrees for turn in turns)
        return sweep_stations(relief, rule, directions=asked, k=k, method=method), None
    if rule < 2 * relief.step - 1e-9:
        return none_laid(relief, rule, turns, method, k), None
    work, found = _passed(relief, rule, turns, k, method, workers, {} if kept is None else kept)
    balanced = _end_gap(work, found.ends, 1)
    below = _below(work, found, balanced)
    equal = max((gap for gap in (balanced, _end_gap(work, below, -1)) if gap), key=lambda gap: gap.value, default=None)
    places = _places(work, found) if method == "resting" else end_places(work, found.ends, below)
    worst = _worst(work, found)
    judged = {"resting": worst, "equal offsets": equal, "balanced end gap": balanced}[method]
    reach = None if judged is None else Reach(work, 0.0, judged, *best_lines(work, found), places)
    told = interval(reach, found.deepest, bounded=bounded)
    if method == METHODS[2] and told.high is not None and judged is not None:
        # few windows end at one place, so a single wild cell makes it: not under what was found
        told = replace(told, high=max(told.high, judged.value))
    between = _between_lines(work, found, judged)
    notes = (*(() if worst is not None else (too_sparse(relief, rule),)), *_shortened(work, found), *told.notes)
    if judged is not None and judged.u is None:
        notes = (*notes, note("straightedge.u-not-known"))
    gaps = Gaps(
        rule=rule,
        directions=tuple(turn.degrees for turn in turns),
        worst=less(worst, told.bias if method == "resting" else 0.0),
        balanced=less(balanced, told.bias if method == "balanced end gap" else 0.0),
        equal_offset=less(equal, told.bias if method == "equal offsets" else 0.0),
        upper=None if told.high is None else told.high + between,
        positions=int(found.counts[:, 2].sum()),
        coverage=found.coverage,
        deepest=found.deepest,
        skipped=found.skipped,
        shortened=int(found.counts[:, 3].sum()),
        lower=told.low,
        worst_places=tuple(gap for gap in (less(place, told.bias) for place in places) if gap),
        method=method,
        k=k,
        coverages=found.coverages,
        notes=notes,
        gap=told.gap,
    )
    return gaps, reach


def _passed(
    relief: Grid,
    rule: float,
    turns: tuple[Direction, ...],
    k: float,
    method: str,
    workers: int | None,
    kept: dict[Kept, tuple[Laying, _Found]],
) -> tuple[Laying, _Found]:
    """The first pass, which is the same for every method: made once of those ``kept``."""
    if (rule, turns) not in kept:
        work = lay_out(relief, rule, turns, k, method, workers)
        kept[rule, turns] = work, _first_pass(work)
    work, found = kept[rule, turns]
    return replace(work, method=method), found


def best_lines(work: Laying, found: _Found) -> tuple[tuple[Lines, ...], tuple[Array, ...]]:
    """The lines of each direction, and the largest value of the method on each of them."""
    lines = tuple(all_lines(work.grid, turn) for turn in work.turns)
    row = 0 if work.method == "resting" else 1
    tops = tuple(top[row] for top in found.tops)
    if work.method == "equal offsets":
        passes = [partial(lay, work.grid, -work.z, -work.z, turn, edges=False, ends=True) for turn in work.turns]
        other = (got[3][1] for got in in_order(passes, work.workers))
        tops = tuple(np.maximum(one, two) for one, two in zip(tops, other, strict=True))
    return lines, tops


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    deepest: Array
    which: NDArray[np.int16]
    ends: tuple[Triple | None, ...]
    counts: NDArray[np.int64]
    tops: tuple[Array, ...]

    @property
    def coverages(self) -> tuple[float, ...]:
        return tuple(float(row[6] / row[5]) for row in self.counts if row[5])

    @property
    def coverage(self) -> float | None:
        return min(self.coverages, default=None)

    @property
    def skipped(self) -> dict[str, int]:
        laid, covered, boxed = (int(self.counts[:, slot].sum()) for slot in (0, 1, 4))
        return {"not measured": laid - covered, "opening or edge": max(boxed - laid, 0)}


def _shortened(work: Laying, found: _Found) -> tuple[Note, ...]:
    """Notes where most straightedges along or up had to be shortened to the run they lie on."""
    said = []
    for turn, count in zip(work.turns, found.counts, strict=True):
        positions, short = int(count[2]), int(count[3])
        if turn.degrees in (0.0, 90.0) and 2 * short > positions:
            said.append(
                note(
                    "straightedge.shortened-up" if turn.degrees else "straightedge.shortened-along",
                    short=short,
                    positions=positions,
                    rule=metres(work.rule),
                )
            )
    return tuple(said)


def _first_pass(work: Laying) -> _Found:
    """Deepest gap at each cell over all directions, the direction it was found in, the end gaps and the counts."""
    deepest = np.full(work.z.shape, np.nan)
    which = np.full(work.z.shape, -1, np.int16)
    ends, counts, tops = [], [], []
    jobs = [partial(lay, work.grid, work.z, work.z, turn, ends=True) for turn in work.turns]
    for number, (one, best, count, top) in enumerate(in_order(jobs, work.workers)):
        deeper = (one > deepest) | (np.isfinite(one) & np.isnan(deepest))
        deepest[deeper], which[deeper] = one[deeper], number
        ends.append(end_triple(work.turns[number], best))
        counts.append(count)
        tops.append(top)
    return _Found(deepest, which, tuple(ends), np.array(counts), tuple(tops))


def _between_lines(work: Laying, found: _Found, judged: Gap | None) -> float:
    """How much larger a resting gap becomes on lines a quarter of a cell apart [m], looked for around the largest.

    Between two lines a gap changes by what the surface does over half a cell: on smoothed cells up to 3 % of the
    largest (methods/straightedge 3), so lines whose largest is more than that below it need not be looked at.
    """
    if work.method != "resting" or judged is None or judged.value <= 0:
        return 0.0
    row, col = np.nonzero(found.deepest >= (1 - _NEAR_LARGEST) * judged.value)
    direction = found.which[row, col]
    most = judged.value
    for number in np.unique(direction):
        turn, here = work.turns[number], direction == number
        across = np.unique(np.rint(row[here] * turn.cos - col[here] * turn.sin))
        lines = np.unique((across[:, None] + _BETWEEN).ravel())
        deepest, *_ = lay(work.grid, work.z, work.z, turn, lines=lines)
        most = max(most, float(np.nanmax(deepest, initial=0.0)))
    return most - judged.value


def _below(work: Laying, found: _Found, balanced: Gap | None) -> tuple[Triple | None, ...]:
    """Per direction the deepest place under the line through the straightedge's ends.

    No place is deeper under that line than under the straightedge itself, so where only the largest deviation to
    either side is wanted, lines that find nothing so deep need not be looked at.
    """
    if work.method == "equal offsets" or not np.isfinite(found.deepest).any():
        return ends_pass(work, -work.z, -work.z)
    some = ends_pass(work, -work.z, -work.z, [all_lines(work.grid, turn)[::_SPARSE] for turn in work.turns])
    known = max((gap.value for gap in (balanced, _end_gap(work, some, -1)) if gap), default=0.0)
    row, col = np.nonzero(found.deepest >= known - 1e-9)
    return ends_pass(work, -work.z, -work.z, [lines_through(turn, row, col) for turn in work.turns])


def _end_gap(work: Laying, triples: Sequence[Triple | None], sign: int) -> Gap | None:
    """The largest deviation to one side (+1 toward the room) among the directions' largest."""
    some = [(-sign * value_of(triple, supports(work.grid, work.z, triple)), triple) for triple in triples if triple]
    if not some:
        return None
    value, triple = max(some, key=lambda pair: pair[0])
    return gap_of(work, triple, max(value, 0.0))


def _worst(work: Laying, found: _Found) -> Gap | None:
    """The largest resting gap; one of 0 is shown as near the middle of the wall as contacts can be had."""
    if not np.isfinite(found.deepest).any():
        return None
    flat = int(np.nanargmax(found.deepest))
    value = float(found.deepest.flat[flat])
    triple = find_triple(work.grid, work.z, work.turns[found.which.flat[flat]], flat) if value > 0 else None
    if triple is None:
        triple = _any_triple(work, found)
    return None if triple is None else gap_of(work, triple, value)


def _any_triple(work: Laying, found: _Found) -> Triple | None:
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


def _places(work: Laying, found: _Found) -> tuple[Gap, ...]:
    """Up to five of the deepest resting gaps, at least half a rule apart."""
    left = np.where(found.deepest > 1e-9, found.deepest, -np.inf)
    across, upward = np.meshgrid(work.relief.x, work.relief.y)
    places: list[Gap] = []
    while len(places) < PLACES and np.isfinite(left).any():
        flat = int(np.argmax(left))
        triple = find_triple(work.grid, work.z, work.turns[found.which.flat[flat]], flat)
        if triple is not None:
            places.append(gap_of(work, triple, float(left.flat[flat])))
        away = np.hypot(across - across.flat[flat], upward - upward.flat[flat])
        left = np.where(away < work.rule / 2, -np.inf, left)
    return tuple(places)


def end_places(work: Laying, over: Sequence[Triple | None], under: Sequence[Triple | None]) -> tuple[Gap, ...]:
    """Up to five of the directions' largest deviations from the line through the ends, half a rule apart."""
    some = [_end_gap(work, [triple], 1) for triple in over]
    if -1 in work.signs:
        some += [_end_gap(work, [triple], -1) for triple in under]
    places: list[Gap] = []
    for gap in sorted((gap for gap in some if gap and gap.value > 1e-9), key=lambda gap: -gap.value):
        if len(places) < PLACES and all(math.dist(gap.at, other.at) >= work.rule / 2 for other in places):
            places.append(gap)
    return tuple(places)


@dataclass(frozen=True, slots=True, eq=False)
class Stair:
    """Contacts from ``start`` to under ``stop`` [m] apart have one ``limit`` [m]; ``gaps`` is the sweep up to there.

    The sweep holds shorter distances too. Their limit is no larger, so a gap over this limit is over its own as well,
    and a wall exceeds the limit exactly if it does on one stair.
    """

    start: float
    stop: float
    limit: float
    gaps: Gaps


def largest_distance(relief: Relief) -> float:
    """Diagonal of the relief [m]: no two contacts stand further apart."""
    return math.hypot(float(np.ptp(relief.x)), float(np.ptp(relief.y))) + 1e-6


class Sweeps:
    """Straightedges laid over one relief: once for each length, method and directions, whoever asks for them."""

    def __init__(self, relief: Relief, k: float = 1.645) -> None:
        self.relief, self.k = relief, k
        self._laid: dict[tuple[float, str, tuple[float, ...] | None, bool], tuple[Gaps, Reach | None]] = {}
        self.kept: dict[Kept, tuple[Laying, _Found]] = {}

    def of(
        self,
        rule: float,
        method: str = "resting",
        directions: Sequence[float] | None = None,
        *,
        bounded: bool = True,
    ) -> Gaps:
        """The gaps under a straightedge ``rule`` metres long, as `sweep` finds them."""
        return self.reaching(rule, method, directions, bounded=bounded)[0]

    def reaching(
        self, rule: float, method: str = "resting", directions: Sequence[float] | None = None, *, bounded: bool = True
    ) -> tuple[Gaps, Reach | None]:
        """The same with what its bounds are told from."""
        turns = None if directions is None else tuple(directions)
        key = rule, method, turns, bounded
        if key not in self._laid:
            self._laid[key] = reaching(
                self.relief, rule, directions=turns, k=self.k, method=method, bounded=bounded, kept=self.kept
            )
        return self._laid[key]


def sweep_stairs(
    sweeps: Sweeps, stairs: Sequence[tuple[float, float, float]], directions: Sequence[float] | None = None
) -> tuple[tuple[Stair, ...], float | None]:
    """Sweep every stair (start, stop, limit) [m] of a limit that rises with the distance between the contacts.

    Returns the stairs that the cells are fine enough for and the selection-corrected lower bound [m] of the largest
    excess over the limit, None where it cannot be formed. All stairs are one choice in that bound.
    """
    relief, longest = sweeps.relief, largest_distance(sweeps.relief)
    done, reaches = [], list[Reach]()
    for start, stop, limit in stairs:
        rule = min(stop - 1e-6, longest)
        if start >= longest or rule < max(2 * relief.step, 1e-3):
            continue
        gaps, reach = sweeps.reaching(rule, directions=directions, bounded=False)
        done.append(Stair(start, stop, limit, gaps))
        if reach is not None and gaps.upper is not None:
            reaches.append(replace(reach, limit=limit))
    if isinstance(relief, Grid):
        # contacts so far apart, not straightedges so long, have this limit
        halves = halves_apart(relief)
        return tuple(done), lower_bound(reaches, growth(reaches, halves[0]), halves, whole=False) if reaches else None
    excess = [stair.gaps.lower - stair.limit for stair in done if stair.gaps.lower is not None]
    # stations: each stair has its own quantile of errors, so the stairs share the error probability no further
    return tuple(done), max(excess, default=None)


def deepest_at(relief: Relief, rule: float, directions: Sequence[float] | None = None) -> Array:
    """The deepest resting gap (rows, cols) [m] of each place alone, as `sweep` finds it; NaN where none can be laid."""
    refuse(relief, rule, 1.645, "resting")
    if not isinstance(relief, Grid):
        return sweep_stations(relief, rule, directions=directions, k=1.645, method="resting").deepest
    if rule < 2 * relief.step - 1e-9:
        return np.full(relief.offset.shape, np.nan)
    return _first_pass(lay_out(relief, rule, directions_of(directions), 1.645, "resting")).deepest
