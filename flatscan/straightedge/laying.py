"""A straightedge laid on a gridded relief: what a sweep and its bounds both need to know."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.reliefs import Grid
from flatscan.straightedge.gaps import Gap
from flatscan.straightedge.lines import Direction, Lattice, Lines, Triple, in_order, lattice, lay, supports
from flatscan.straightedge.uncertainty import random_u


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


def value_of(triple: Triple, at: Array) -> float:
    """l z_a + (1 - l) z_b - z_c from the three supports (3,)."""
    share = (triple.right - triple.at) / (triple.right - triple.left)
    return float(share * at[0] + (1 - share) * at[2] - at[1])


def parts_of(work: Laying, triple: Triple) -> tuple[float | None, float]:
    """Random and common standard uncertainty of the gap at a triple; the random one None if a support's u is."""
    lags = (triple.at - triple.left, triple.right - triple.at)
    places = (np.array(work.grid.point(triple, step)) for step in (triple.left, triple.at, triple.right))
    common = float(work.relief.common.u_gap_at(*places))
    u2 = supports(work.grid, np.where(work.relief.valid, work.relief.u, np.nan) ** 2, triple)
    if not np.isfinite(u2).all():
        return None, common
    turn = triple.direction
    return random_u(np.sqrt(u2), lags, work.relief.window, turn.cos, turn.sin), common


def gap_of(work: Laying, triple: Triple, value: float) -> Gap:
    """The gap at a triple with its uncertainty."""
    random, common = parts_of(work, triple)
    left, at, right = (work.grid.point(triple, step) for step in (triple.left, triple.at, triple.right))
    whole = None if random is None else math.hypot(random, common)
    return Gap(value, whole, at, left, right, triple.direction.degrees, random, common)
