"""What a finish plane must clear, written as rows of a linear program on the few points that can decide it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from flatscan.core.geometry import Array

# HiGHS works to 1e-7 of whatever unit it is given: millimetres keep that far below anything that can be measured
MM = 1e3


class Held(NamedTuple):
    """A place the finished face must pass between ``low`` and ``high`` [m] at x, y."""

    x: float
    y: float
    low: float
    high: float
    name: str


@dataclass(frozen=True, eq=False)
class Problem:
    """What the plane must do: stand at or over ``need`` (n,) and, if given, at or under ``cap`` (n,), all in metres.

    ``turn`` and ``lean`` [m per m] are the slopes wanted, ``turn_free`` and ``lean_free`` how far they may depart
    from that. ``centre`` is the area centroid, over which a plane's height is its mean over the wall, and ``ground``
    the wall's mean height [m]. ``worth`` is the share of the volume a departure must save.
    """

    x: Array
    y: Array
    need: Array
    cap: Array | None
    held: tuple[Held, ...]
    centre: tuple[float, float]
    turn: float = 0.0
    lean: float = 0.0
    turn_free: float = 0.0
    lean_free: float = 0.0
    ground: float = 0.0
    worth: float = 0.0


class Contact(NamedTuple):
    """A constraint the optimum rests on, with its multiplier: the share of the plane's height it decides."""

    kind: str
    name: str
    x: float
    y: float
    weight: float


def upper_chain(at: Array, height: Array) -> np.ndarray:
    """Indices of the upper hull of points (at, height), left to right (Andrew's monotone chain)."""
    order = np.lexsort((-height, at))
    chain: list[int] = []
    for index in order:
        if chain and at[chain[-1]] == at[index]:
            continue
        while len(chain) > 1:
            i, j = chain[-2], chain[-1]
            turn = (at[j] - at[i]) * (height[index] - height[i]) - (height[j] - height[i]) * (at[index] - at[i])
            if turn < 0:
                break
            chain.pop()
        chain.append(int(index))
    return np.array(chain, dtype=np.intp)


def _highest_per_place(at: Array, height: Array) -> np.ndarray:
    """Index of the highest point at each distinct place."""
    order = np.lexsort((-height, at))
    first = np.concatenate(([True], np.diff(at[order]) > 0))
    return order[first]


def governing_points(x: Array, y: Array, height: Array, *, turn_free: bool, lean_free: bool) -> np.ndarray:
    """Indices of the few points that can hold a plane up: all others lie under their hull (METHODS 6).

    Neither slope free: the highest point; one: the upper hull of the highest per column or row; both: the upper
    facets of the hull in space.
    """
    if not turn_free and not lean_free:
        return np.array([int(np.argmax(height))], dtype=np.intp)
    if turn_free != lean_free:
        along = x if turn_free else y
        tops = _highest_per_place(along, height)
        return tops[upper_chain(along[tops], height[tops])]
    if len(x) < 50:
        return np.arange(len(x))
    try:
        hull = ConvexHull(np.stack([x, y, height], axis=1))
    except QhullError:
        # all on one plane (or one line): the outermost places in the wall's own plane decide
        try:
            return np.sort(ConvexHull(np.stack([x, y], axis=1)).vertices)
        except QhullError:
            return np.arange(len(x))
    return np.unique(hull.simplices[hull.equations[:, 2] > 0])


@dataclass(frozen=True, eq=False)
class Rows:
    """Constraints matrix @ (height at centre, turn, lean) <= limit in mm, each with the words that name it."""

    matrix: Array
    limit: Array
    kinds: tuple[tuple[str, str, float, float], ...]

    def __add__(self, other: Rows) -> Rows:
        return Rows(
            np.vstack([self.matrix, other.matrix]), np.concatenate([self.limit, other.limit]), self.kinds + other.kinds
        )


def _design(problem: Problem, x: Array, y: Array) -> tuple[Array, Array]:
    """Rows (1, dx, dy) about the centre, and what the wanted slopes already contribute there [m]."""
    dx, dy = np.asarray(x) - problem.centre[0], np.asarray(y) - problem.centre[1]
    return np.stack([np.ones_like(dx), dx, dy], axis=1), problem.turn * dx + problem.lean * dy


def surface_rows(problem: Problem, values: Array, sign: float, kind: str) -> Rows:
    """Rows that keep the plane over (sign -1) or under (sign +1) the values, on hull points only."""
    _, slope = _design(problem, problem.x, problem.y)
    height = -sign * (values - slope)
    free = {"turn_free": problem.turn_free > 0, "lean_free": problem.lean_free > 0}
    few = governing_points(problem.x, problem.y, height, **free)
    design, slope = _design(problem, problem.x[few], problem.y[few])
    kinds = tuple((kind, "", float(problem.x[i]), float(problem.y[i])) for i in few)
    return Rows(sign * design, sign * (values[few] - slope) * MM, kinds)


def held_rows(problem: Problem) -> Rows:
    """Two rows for each held place: not under its low, not over its high."""
    x, y = np.array([h.x for h in problem.held]), np.array([h.y for h in problem.held])
    design, slope = _design(problem, x, y)
    low, high = np.array([h.low for h in problem.held]), np.array([h.high for h in problem.held])
    kinds = tuple(("fixed", h.name, h.x, h.y) for h in problem.held)
    return Rows(np.vstack([-design, design]), np.concatenate([slope - low, high - slope]) * MM, kinds + kinds)


def reduced(problem: Problem) -> Problem:
    """The same problem on the hull of its points in space alone, where a slope is free.

    The hull's vertices stay the same when the wall is sheared, so one reduction serves every slope that is tried.
    """
    if problem.turn_free <= 0 and problem.lean_free <= 0:
        return problem
    keep = governing_points(problem.x, problem.y, problem.need, turn_free=True, lean_free=True)
    if problem.cap is not None:
        under = governing_points(problem.x, problem.y, -problem.cap, turn_free=True, lean_free=True)
        keep = np.union1d(keep, under)
    cap = None if problem.cap is None else problem.cap[keep]
    return replace(problem, x=problem.x[keep], y=problem.y[keep], need=problem.need[keep], cap=cap)


def rows_of(problem: Problem) -> tuple[Rows, Rows | None, Rows | None]:
    """Rows for the covers, the caps and the held places; None where there are none."""
    cover = surface_rows(problem, problem.need, -1.0, "hump")
    cap = None if problem.cap is None else surface_rows(problem, problem.cap, 1.0, "hollow")
    return cover, cap, held_rows(problem) if problem.held else None
