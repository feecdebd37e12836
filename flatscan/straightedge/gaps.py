"""Gaps under a straightedge laid along parallel lines over a grid: directions, passes, what stood at one place."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, samples_within
from flatscan.core.model import Relief
from flatscan.core.notes import Note
from flatscan.core.quantity import COVER, Quantity, metres, share, square_metres
from flatscan.core.reliefs import Grid, Why

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Gap:
    """One gap [m] at ``at`` between the contacts ``left`` and ``right`` (wall coordinates), with its uncertainty.

    ``u`` is None where it cannot be known. ``direction`` is in degrees from horizontal, counter-clockwise.
    ``u_random`` and ``u_common`` are the two parts of ``u``. For the balanced and the equal-offset deviation ``left``
    and ``right`` are the straightedge's ends, and the sign of ``value`` is + toward the room.
    """

    value: float
    u: float | None
    at: Point
    left: Point
    right: Point
    direction: float
    u_random: float | None = None
    u_common: float | None = None


@dataclass(frozen=True, eq=False)
class Gaps:
    """Every position of a straightedge ``rule`` metres long, in every direction.

    ``worst`` is the largest gap under the resting straightedge, ``balanced`` the largest end gap when it is balanced
    on a hump, ``equal_offset`` the largest |deviation| from the line through its ends; None where no position could
    be evaluated. ``gap`` is the best estimate of the wall's true largest gap, what noise adds to a largest value taken
    out, ``low`` to ``high`` a 95 % interval of it (at k = 1.645, one-sided); ``worst`` and ``worst_places`` have the
    same taken out. ``deepest`` (rows, cols) is the deepest resting gap any placement finds at each cell as measured,
    NaN where none does. ``positions`` counts placements, ``coverage`` is the share of the wall's area (less openings)
    that was measured and lies under a straightedge of the whole length, or of all the wall has room for: the least of
    all directions.
    ``skipped`` counts placements not evaluated by reason; ``shortened`` those on runs shorter than the rule.
    ``lower`` and ``upper`` are the ends of that interval by which a limit is judged (methods/decision 3 and 4), None
    where they cannot be formed. ``worst_places`` are up to five separate places worth checking by hand, deepest first.
    ``method`` (resting, equal offsets or balanced end gap) is what the interval and ``worst_places`` speak of.
    ``known_between`` is that of the relief; ``coverages`` run in parallel with ``directions``; ``notes``
    say what could not be known and why. ``beside`` are the ends of the interval [m] of the resting and of the balanced
    gap where both were told as if they were judged (`gaps_beside`), by their methods.
    """

    rule: float
    directions: tuple[float, ...]
    worst: Gap | None
    balanced: Gap | None
    equal_offset: Gap | None
    upper: float | None
    positions: int
    coverage: float | None
    deepest: Array
    skipped: dict[str, int] = field(default_factory=dict)
    shortened: int = 0
    lower: float | None = None
    worst_places: tuple[Gap, ...] = ()
    method: str = "resting"
    k: float = 1.645
    known_between: bool = True
    coverages: tuple[float, ...] = ()
    notes: tuple[Note, ...] = ()
    gap: float | None = None
    beside: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)

    @property
    def low(self) -> float | None:
        """Lower end of the interval [m]."""
        return self.lower

    @property
    def high(self) -> float | None:
        """Upper end of the interval [m]."""
        return self.upper

    def measured(self) -> Quantity | None:
        """The largest gap with its interval, None where no straightedge was laid."""
        judged = self.judged()
        if judged is None:
            return None
        return _between(abs(judged.value) if self.gap is None else self.gap, judged.u, self.ends)

    def said_of(self, method: str) -> Quantity | None:
        """The largest gap by a ``method``, judged or beside the one that is, with its interval where that is known."""
        if method == self.method:
            return self.measured()
        gap = self.of(method)
        return None if gap is None else _between(abs(gap.value), gap.u, self.beside.get(method, (None, None)))

    @property
    def ends(self) -> tuple[float | None, float | None]:
        """Both ends of the interval [m]."""
        return self.lower, self.upper

    @property
    def noise(self) -> float:
        """What noise added to the largest gap as measured [m]."""
        if self.worst is None or not np.isfinite(self.deepest).any():
            return 0.0
        return max(float(np.nanmax(self.deepest)) - self.worst.value, 0.0)

    def judged(self) -> Gap | None:
        """The gap that ``method`` names."""
        return self.of(self.method)

    def of(self, method: str) -> Gap | None:
        """The gap that a ``method`` names."""
        return {"equal offsets": self.equal_offset, "balanced end gap": self.balanced}.get(method, self.worst)

    def area_over(self, limit: float, relief: Relief) -> Quantity:
        """The area [m2] of the relief swept where the deepest resting gap is over a ``limit`` [m].

        Its interval is the area over the limit with every gap 1.96 u smaller and larger than it is taken to be.
        """
        found = np.nan_to_num(self.deepest)
        shown = self.worst if self.method == "resting" else None
        bias = (
            0.0 if shown is None or self.gap is None else _OF_ALL * max(float(found.max(initial=0.0)) - self.gap, 0.0)
        )

        def over(least: float) -> float:
            return float(relief.area[relief.valid & (found - bias > least)].sum())

        if shown is None or shown.u is None:
            return square_metres(over(limit))
        return square_metres(over(limit), None, (over(limit + COVER * shown.u), over(limit - COVER * shown.u)))


# what noise adds to the gaps of all places, as a part of what it adds to the largest (by trial, methods/definitions 8)
_OF_ALL = 0.25


def _between(value: float, u: float | None, ends: tuple[float | None, float | None]) -> Quantity:
    """A length with its interval, where that is known and holds it."""
    low, high = ends
    return metres(value, u, ends if low is not None and high is not None and low <= value <= high else (None, None))


DEFAULT_DIRECTIONS = tuple(15.0 * turn for turn in range(12))
# a straightedge reaches over a strip of missing cells this wide (it is not stopped by a pencil line or a cable tie)
BRIDGE = 0.1
Got = TypeVar("Got")
Lines = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Direction:
    """A direction in degrees from horizontal, counter-clockwise, with its exact cosine and sine."""

    degrees: float
    cos: float
    sin: float


@dataclass(frozen=True, slots=True)
class Triple:
    """Contacts ``left`` and ``right`` and the place ``at`` between them, in steps along line ``v`` of a direction."""

    direction: Direction
    v: int
    left: int
    at: int
    right: int


def directions_of(degrees: Sequence[float] | None) -> tuple[Direction, ...]:
    """Directions asked for, or every 15 degrees; folded into [0, 180), doubles dropped. Bad ones raise `BadValue`."""
    wanted = DEFAULT_DIRECTIONS if degrees is None else tuple(float(value) for value in degrees)
    if not wanted or not all(math.isfinite(value) for value in wanted):
        raise BadValue(
            "{set:directions}",
            "{wanted:number}" if wanted else "none",
            needed="one or more angles in degrees from horizontal",
            remedy="Give for example 0,90",
            wanted=tuple(map(share, wanted)),
        )
    folded = sorted({round(value % 180.0, 9) % 180.0 for value in wanted})
    # rounding makes 90 degrees exact, so that a vertical line runs through cell centres
    return tuple(
        Direction(value, round(math.cos(math.radians(value)), 15), round(math.sin(math.radians(value)), 15))
        for value in folded
    )


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """A relief laid out for the kernel; ``w`` samples make a window, ``full`` a run that holds the whole rule.

    With ``whole``, straightedges are laid only where their whole length, or all the wall has room for, is measured.
    """

    cell: float
    x0: float
    y0: float
    state: NDArray[np.int8]
    w: int
    full: int
    bridge: int
    whole: bool = False

    def point(self, triple: Triple, t: int) -> tuple[float, float]:
        """Wall coordinates [m] of step ``t`` on the triple's line."""
        turn = triple.direction
        return (
            self.x0 + (t * turn.cos - triple.v * turn.sin) * self.cell,
            self.y0 + (t * turn.sin + triple.v * turn.cos) * self.cell,
        )


def lattice(relief: Grid, rule: float, valid: NDArray[np.bool_], *, whole: bool = False) -> Lattice:
    """Lay out a gridded relief for a straightedge of ``rule`` metres; ``valid`` marks the cells that give points."""
    state = states(relief, valid)
    full = max(3, math.ceil(rule / relief.cell - 1e-9))
    return Lattice(
        relief.cell,
        float(relief.x[0]),
        float(relief.y[0]),
        state,
        max(3, samples_within(rule, relief.cell)),
        full,
        samples_within(BRIDGE, relief.cell) - 1,
        whole,
    )


def states(relief: Grid, valid: NDArray[np.bool_]) -> NDArray[np.int8]:
    """What each cell (rows, cols) is to a straightedge; ``valid`` marks those that give points.

    Strips, collars and a skirting shorten the straightedge that the wall has room for; none of them is measured.
    """
    from flatscan.straightedge import runs_kernel as kernel

    unseen = np.full(valid.shape, kernel.MISSING, np.int8)
    if relief.why is not None:
        unseen[relief.why == Why.OBJECT] = kernel.BLOCKED
        unseen[np.isin(relief.why, (Why.STRIP, Why.SKIRTING, Why.COLLAR))] = kernel.MARGIN
    state: NDArray[np.int8] = np.where(relief.inside, np.where(valid, kernel.MEASURED, unseen), kernel.OUTSIDE)
    return state.astype(np.int8)


def all_lines(grid: Lattice, turn: Direction) -> Lines:
    """Numbers (k,) of all lines of a direction that may meet the grid."""
    rows, cols = (size - 1 for size in grid.state.shape)
    corners = [row * turn.cos - col * turn.sin for row in (0, rows) for col in (0, cols)]
    return np.arange(math.floor(min(corners)) - 1, math.ceil(max(corners)) + 2)


def lines_through(turn: Direction, row: Lines, col: Lines) -> Lines:
    """Numbers (k,) of the lines of a direction whose samples may have one of the cells (n,), (n,) as their nearest."""
    # a sample is at most 0.71 of a cell away from the centre of its nearest cell
    across = np.unique(np.rint(row * turn.cos - col * turn.sin).astype(np.int64))
    return np.unique(np.concatenate([across - 1, across, across + 1]))


def lay(
    grid: Lattice,
    h: Array,
    base: Array,
    turn: Direction,
    *,
    edges: bool = True,
    ends: bool = False,
    lines: Lines | Array | None = None,
    mapped: bool = True,
) -> tuple[Array, Array, NDArray[np.int64], Array]:
    """One pass of `kernel.sweep_lines` in one direction, over all its lines if none are named."""
    from flatscan.straightedge import hulls_kernel as kernel

    lines = all_lines(grid, turn) if lines is None else lines
    # one kind of number, whole or between, so that the kernel is compiled once
    numbers = np.asarray(lines, np.float64)
    deepest, *rest = kernel.sweep_lines(
        h,
        base,
        grid.state,
        turn.cos,
        turn.sin,
        numbers,
        grid.w,
        grid.full,
        grid.bridge,
        edges,
        ends,
        grid.whole,
        mapped,
    )
    return (deepest.reshape(h.shape) if mapped else deepest), *rest


def threads() -> int:
    """Threads worth starting: the processors this process may use, or what ``FLATSCAN_THREADS`` says."""
    given = os.environ.get("FLATSCAN_THREADS", "")
    if given.isdigit() and int(given) > 0:
        return int(given)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def in_order(jobs: Sequence[Callable[[], Got]], workers: int | None = None) -> Iterator[Got]:
    """Results of independent jobs in the order given, worked on by several threads."""
    workers = min(len(jobs), workers or threads())
    if workers <= 1:
        yield from (job() for job in jobs)
        return
    with ThreadPoolExecutor(workers) as pool:
        yield from pool.map(lambda job: job(), jobs)


@dataclass(frozen=True, slots=True, eq=False)
class Laying:
    """A relief and a rule [m] laid out for the kernel, with the coverage factor and the method asked for."""

    relief: Grid
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


def lay_out(
    relief: Grid, rule: float, turns: tuple[Direction, ...], k: float, method: str, workers: int | None = None
) -> Laying:
    """Lay out a gridded relief for a straightedge of ``rule`` metres."""
    z = np.ascontiguousarray(np.where(relief.valid, relief.offset, np.nan))
    return Laying(relief, lattice(relief, rule, relief.valid), z, turns, rule, k, method, workers)


def end_triple(turn: Direction, best: Array) -> Triple | None:
    """The triple in a pass's record of the largest deviation from the line through the ends."""
    return Triple(turn, *(int(value) for value in best[1:])) if math.isfinite(best[0]) else None


def ends_pass(work: Laying, h: Array, base: Array, lines: Sequence[Lines] | None = None) -> tuple[Triple | None, ...]:
    """Per direction the triple of the largest height of ``h`` over the chord of ``base`` between window ends.

    ``lines`` are those to look at in each direction; all without them.
    """
    chosen = [None] * len(work.turns) if lines is None else lines
    jobs = [
        partial(lay, work.grid, h, base, turn, edges=False, ends=True, lines=some)
        for turn, some in zip(work.turns, chosen, strict=True)
    ]
    return tuple(end_triple(turn, got[1]) for turn, got in zip(work.turns, in_order(jobs, work.workers), strict=True))
