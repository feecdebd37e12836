"""The linear program behind the finish plane: least volume that covers the wall and keeps every fixed line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, QhullError

from flatscan.errors import Infeasible
from flatscan.geometry import Array

# HiGHS works to 1e-7 of whatever unit it is given: millimetres keep that far below anything that can be measured
_MM = 1e3
_TIGHT = 1e-6


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
    from that. ``centre`` is the area centroid, over which a plane's height is its mean over the wall.
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


class Contact(NamedTuple):
    """A constraint the optimum rests on, with its multiplier: the share of the plane's height it decides."""

    kind: str
    name: str
    x: float
    y: float
    weight: float


@dataclass(frozen=True, slots=True)
class Solution:
    """Plane z = offset + turn x + lean y [m] and the constraints that hold it there."""

    offset: float
    turn: float
    lean: float
    contacts: tuple[Contact, ...]


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
class _Rows:
    """Constraints matrix @ (height at centre, turn, lean) <= limit in mm, each with the words that name it."""

    matrix: Array
    limit: Array
    kinds: tuple[tuple[str, str, float, float], ...]

    def __add__(self, other: _Rows) -> _Rows:
        return _Rows(
            np.vstack([self.matrix, other.matrix]), np.concatenate([self.limit, other.limit]), self.kinds + other.kinds
        )


def _design(problem: Problem, x: Array, y: Array) -> tuple[Array, Array]:
    """Rows (1, dx, dy) about the centre, and what the wanted slopes already contribute there [m]."""
    dx, dy = np.asarray(x) - problem.centre[0], np.asarray(y) - problem.centre[1]
    return np.stack([np.ones_like(dx), dx, dy], axis=1), problem.turn * dx + problem.lean * dy


def _surface_rows(problem: Problem, values: Array, sign: float, kind: str) -> _Rows:
    """Rows that keep the plane over (sign -1) or under (sign +1) the values, on hull points only."""
    _, slope = _design(problem, problem.x, problem.y)
    height = -sign * (values - slope)
    free = {"turn_free": problem.turn_free > 0, "lean_free": problem.lean_free > 0}
    few = governing_points(problem.x, problem.y, height, **free)
    design, slope = _design(problem, problem.x[few], problem.y[few])
    kinds = tuple((kind, "", float(problem.x[i]), float(problem.y[i])) for i in few)
    return _Rows(sign * design, sign * (values[few] - slope) * _MM, kinds)


def _held_rows(problem: Problem) -> _Rows:
    """Two rows for each held place: not under its low, not over its high."""
    x, y = np.array([h.x for h in problem.held]), np.array([h.y for h in problem.held])
    design, slope = _design(problem, x, y)
    low, high = np.array([h.low for h in problem.held]), np.array([h.high for h in problem.held])
    kinds = tuple(("fixed", h.name, h.x, h.y) for h in problem.held)
    return _Rows(np.vstack([-design, design]), np.concatenate([slope - low, high - slope]) * _MM, kinds + kinds)


def _bounds(problem: Problem) -> list[tuple[float | None, float | None]]:
    turn, lean = problem.turn_free * _MM, problem.lean_free * _MM
    return [(None, None), (-turn, turn), (-lean, lean)]


def _optimum(problem: Problem, rows: _Rows) -> Solution | None:
    """Least mean height; among equals the one with the least turn and lean, since a free fit on a belly has many."""
    limits = _bounds(problem)
    first = linprog([1.0, 0.0, 0.0], A_ub=rows.matrix, b_ub=rows.limit, bounds=limits, method="highs")
    if not first.success:
        return None
    best = first.x
    if problem.turn_free > 0 or problem.lean_free > 0:
        best = _straightest(rows, limits, first.x)
    weights = -first.ineqlin.marginals
    contacts = tuple(Contact(*kind, weight=float(w)) for kind, w in zip(rows.kinds, weights, strict=True) if w > _TIGHT)
    turn, lean = problem.turn + best[1] / _MM, problem.lean + best[2] / _MM
    offset = best[0] / _MM - turn * problem.centre[0] - lean * problem.centre[1]
    return Solution(float(offset), float(turn), float(lean), contacts)


def _straightest(rows: _Rows, limits: list[tuple[float | None, float | None]], best: Array) -> Array:
    """Least |turn| + |lean| among planes of the same mean height, by splitting each slope in two parts >= 0."""
    matrix = np.hstack([rows.matrix, -rows.matrix[:, 1:]])
    matrix = np.vstack([matrix, [1.0, 0.0, 0.0, 0.0, 0.0]])
    limit = np.append(rows.limit, best[0] + _TIGHT)
    turn, lean = limits[1][1], limits[2][1]
    bounds = [(None, None), (0, turn), (0, lean), (0, turn), (0, lean)]
    second = linprog([0.0, 1.0, 1.0, 1.0, 1.0], A_ub=matrix, b_ub=limit, bounds=bounds, method="highs")
    if not second.success:
        return best
    return np.array([second.x[0], second.x[1] - second.x[3], second.x[2] - second.x[4]])


def _shortfall(problem: Problem, hard: _Rows | None, soft: _Rows) -> tuple[float, list[Contact]]:
    """Least amount [mm] by which the soft rows must give way, and the rows of both kinds that pull against it."""
    rows = soft if hard is None else hard + soft
    give = np.zeros(len(rows.limit))
    give[len(rows.limit) - len(soft.limit) :] = -1.0
    matrix = np.hstack([rows.matrix, give[:, None]])
    bounds = [*_bounds(problem), (0.0, None)]
    result = linprog([0.0, 0.0, 0.0, 1.0], A_ub=matrix, b_ub=rows.limit, bounds=bounds, method="highs")
    pulling = [
        Contact(*kind, weight=float(-w))
        for kind, w in zip(rows.kinds, result.ineqlin.marginals, strict=True)
        if -w > _TIGHT
    ]
    return float(result.x[3]), pulling


def _name(contact: Contact) -> str:
    if contact.kind == "fixed":
        return contact.name
    return f"the {contact.kind} at x {contact.x:.2f} m, y {contact.y:.2f} m"


def _names(contacts: list[Contact], *kinds: str) -> str:
    return " and ".join(dict.fromkeys(_name(c) for c in contacts if c.kind in kinds)) or "the slopes allowed"


def _explain(problem: Problem, cover: _Rows, cap: _Rows | None, held: _Rows | None) -> Infeasible:
    """The error that names what conflicts with what, and by how much."""
    if held is not None:
        amount, pulling = _shortfall(problem, None, held)
        if amount > _TIGHT:
            return Infeasible(
                "finish plane",
                f"{_names(pulling, 'fixed')} contradict each other by {2 * amount:.1f} mm",
                needed="fixed points on one plane within the turn and lean allowed",
                remedy="Check their offsets, give them a band, or allow a turn or a lean",
            )
        amount, pulling = _shortfall(problem, held, cover)
        if amount > _TIGHT:
            return Infeasible(
                "finish plane",
                f"{_names(pulling, 'hump')} leaves {amount:.1f} mm too little cover under {_names(pulling, 'fixed')}",
                needed="a face that passes the fixed points and still covers every hump by the least",
                remedy=f"Cut it by {amount:.1f} mm, ask for less cover, or move the fixed point out",
            )
    hard = cover if held is None else held + cover
    amount, pulling = _shortfall(problem, hard, cap) if cap is not None else (0.0, [])
    return Infeasible(
        "finish plane",
        f"{_names(pulling, 'hump', 'fixed')} puts {_names(pulling, 'hollow')} {amount:.1f} mm over the most allowed",
        needed="a plane between the least and the most everywhere",
        remedy=f"Cut the hump, dub the hollow out first, or raise the most by {amount:.1f} mm",
    )


def least_plane(problem: Problem) -> Solution:
    """Plane of least mean height over the wall that keeps every cover, cap and held place (METHODS 6; HiGHS).

    Raises `Infeasible` naming the fixed point, hump and hollow that conflict and by how many mm.
    """
    cover = _surface_rows(problem, problem.need, -1.0, "hump")
    cap = None if problem.cap is None else _surface_rows(problem, problem.cap, 1.0, "hollow")
    held = _held_rows(problem) if problem.held else None
    rows = cover
    for more in (cap, held):
        rows = rows if more is None else rows + more
    found = _optimum(problem, rows)
    if found is None:
        raise _explain(problem, cover, cap, held)
    return found
