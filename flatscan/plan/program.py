"""The linear program behind the finish plane: what the plane must clear, and the plane of least volume that does."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from flatscan.core.errors import Infeasible
from flatscan.core.geometry import Array
from flatscan.core.quantity import metres

# HiGHS works to 1e-7 of whatever unit it is given: millimetres keep that far below anything that can be measured
MM = 1e3
# multipliers and amounts [mm] under this are rounding
_TIGHT = 1e-6
# what would have to give way for a plan that cannot be: fixed points among themselves, against the cover, or the most
APART, FIXED, MOST = "apart", "fixed", "most"


class Held(NamedTuple):
    """A place the finished face must pass between ``low`` and ``high`` [m] at x, y; ``name`` is its user's own."""

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
    """A constraint the optimum rests on, with its multiplier: the share of the plane's height it decides.

    ``kind`` is "hump", "hollow" or "fixed", ``name`` what its user called a fixed point, else empty.
    """

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
    """Indices of the few points that can hold a plane up: all others lie under their hull (methods/finish-plane 3).

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
    """Constraints matrix @ (height at centre, turn, lean) <= limit in mm, each with its kind, name and place."""

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


@dataclass(frozen=True, slots=True)
class Solution:
    """Plane z = offset + turn x + lean y [m] and the constraints that hold it there."""

    offset: float
    turn: float
    lean: float
    contacts: tuple[Contact, ...]

    def mean_over(self, problem: Problem) -> float:
        """Mean distance between plane and wall [m]."""
        return self.offset + self.turn * problem.centre[0] + self.lean * problem.centre[1] - problem.ground


def _bounds(problem: Problem) -> list[tuple[float | None, float | None]]:
    turn, lean = problem.turn_free * MM, problem.lean_free * MM
    return [(None, None), (-turn, turn), (-lean, lean)]


def _optimum(problem: Problem, rows: Rows) -> Solution | None:
    """Least mean height; among equals the one with the least turn and lean, since a free fit on a belly has many."""
    from scipy.optimize import linprog

    limits = _bounds(problem)
    first = linprog([1.0, 0.0, 0.0], A_ub=rows.matrix, b_ub=rows.limit, bounds=limits, method="highs")
    if not first.success:
        return None
    best = first.x
    if problem.turn_free > 0 or problem.lean_free > 0:
        best = _straightest(rows, limits, first.x)
    weights = -first.ineqlin.marginals
    contacts = tuple(Contact(*kind, weight=float(w)) for kind, w in zip(rows.kinds, weights, strict=True) if w > _TIGHT)
    turn, lean = problem.turn + best[1] / MM, problem.lean + best[2] / MM
    offset = best[0] / MM - turn * problem.centre[0] - lean * problem.centre[1]
    return Solution(float(offset), float(turn), float(lean), contacts)


def _straightest(rows: Rows, limits: list[tuple[float | None, float | None]], best: Array) -> Array:
    """Least |turn| + |lean| among planes of the same mean height, by splitting each slope in two parts >= 0."""
    from scipy.optimize import linprog

    matrix = np.hstack([rows.matrix, -rows.matrix[:, 1:]])
    matrix = np.vstack([matrix, [1.0, 0.0, 0.0, 0.0, 0.0]])
    limit = np.append(rows.limit, best[0] + _TIGHT)
    turn, lean = limits[1][1], limits[2][1]
    bounds = [(None, None), (0, turn), (0, lean), (0, turn), (0, lean)]
    second = linprog([0.0, 1.0, 1.0, 1.0, 1.0], A_ub=matrix, b_ub=limit, bounds=bounds, method="highs")
    if not second.success:
        return best
    return np.array([second.x[0], second.x[1] - second.x[3], second.x[2] - second.x[4]])


def _shortfall(problem: Problem, hard: Rows | None, soft: Rows) -> tuple[float, list[Contact]]:
    """Least amount [mm] by which the soft rows must give way, and the rows of both kinds that pull against it."""
    from scipy.optimize import linprog

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


def _names(contacts: list[Contact], *kinds: str) -> tuple[str, dict[str, object]]:
    """What pulls, as a piece of a template with its values: kind and place of each, or the name its user gave it."""
    pieces: dict[str, None] = {}
    values: dict[str, object] = {}
    for contact in dict.fromkeys(contact._replace(weight=0.0) for contact in contacts if contact.kind in kinds):
        slot = f"{contact.kind}_{len(pieces)}"
        if contact.name:
            pieces[f"{{{slot}}}"], values[slot] = None, contact.name
            continue
        what = "fixed point" if contact.kind == "fixed" else contact.kind
        pieces[f"the {what} {{{slot}:place}}"], values[slot] = None, (contact.x, contact.y)
    return " and ".join(pieces) or "the slopes allowed", values


def _explain(problem: Problem, cover: Rows, cap: Rows | None, held: Rows | None) -> Infeasible:
    """The error that names what conflicts with what, and by how much."""
    if held is not None:
        amount, pulling = _shortfall(problem, None, held)
        if amount > _TIGHT:
            points, values = _names(pulling, "fixed")
            return Infeasible(
                "finished face",
                f"{points} contradict each other by {{amount:length.1}}",
                needed="fixed points on one flat face, as far as it may turn and lean",
                remedy="Check how far they stand off, give them a band, or allow a turn or a lean",
                amount=metres(2 * amount / MM),
                gives=APART,
                **values,
            )
        amount, pulling = _shortfall(problem, held, cover)
        if amount > _TIGHT:
            (humps, where), (points, values) = _names(pulling, "hump"), _names(pulling, "fixed")
            return Infeasible(
                "finished face",
                f"{humps} leaves {{amount:length.1}} too little cover under {points}",
                needed="a face that passes the fixed points and still covers every hump by the least",
                remedy="Cut it by {amount:length.1}, ask for less cover, or move the fixed point out",
                amount=metres(amount / MM),
                gives=FIXED,
                **where,
                **values,
            )
    hard = cover if held is None else held + cover
    amount, pulling = _shortfall(problem, hard, cap) if cap is not None else (0.0, [])
    (high, where), (hollows, values) = _names(pulling, "hump", "fixed"), _names(pulling, "hollow")
    return Infeasible(
        "finished face",
        f"{high} puts {hollows} {{amount:length.1}} over the most allowed",
        needed="a face between the least and the most everywhere",
        remedy="Cut the hump, dub the hollow out first, or raise the most by {amount:length.1}",
        amount=metres(amount / MM),
        gives=MOST,
        **where,
        **values,
    )


def _highest(problem: Problem) -> Solution:
    """The plane where nothing is free: its highest point holds it, no program needed."""
    slope = problem.turn * problem.x + problem.lean * problem.y
    top = int(np.argmax(problem.need - slope))
    contact = Contact("hump", "", float(problem.x[top]), float(problem.y[top]), 1.0)
    return Solution(float(problem.need[top] - slope[top]), problem.turn, problem.lean, (contact,))


def least_plane(problem: Problem) -> Solution:
    """Plane of least mean height over the wall that keeps every cover, cap and held place.

    See methods/finish-plane 3; HiGHS.

    Raises `Infeasible` naming the fixed point, hump and hollow that conflict and by how many mm.
    """
    free = problem.turn_free > 0 or problem.lean_free > 0
    if not free and problem.cap is None and not problem.held:
        return _highest(problem)
    cover, cap, held = rows_of(problem)
    rows = cover
    for more in (cap, held):
        rows = rows if more is None else rows + more
    found = _optimum(problem, rows)
    if found is None:
        raise _explain(problem, cover, cap, held)
    return found


def worthwhile(problem: Problem) -> tuple[Solution, Problem]:
    """`least_plane` without a turn, a lean or both where giving them up costs less than ``worth`` of the volume.

    Returns the plane and the problem with the freedoms that were worth using.
    """
    found, used = least_plane(problem), problem
    for turn, lean in ((0.0, problem.lean_free), (problem.turn_free, 0.0), (0.0, 0.0)):
        if (turn, lean) == (problem.turn_free, problem.lean_free):
            continue
        stiffer = replace(problem, turn_free=turn, lean_free=lean)
        try:
            straight = least_plane(stiffer)
        except Infeasible:
            continue
        without = straight.mean_over(problem)
        if without - found.mean_over(problem) < problem.worth * without:
            found, used = straight, stiffer
    return found, used


def best_plane(problem: Problem) -> Solution:
    """The plane of `worthwhile` alone."""
    return worthwhile(problem)[0]


def mean_height(x: Array, y: Array, height: Array, problem: Problem, used: tuple[float, float]) -> float:
    """Mean height [m] over the wall of the least plane over heights (n,) whose slopes may change by what is left.

    ``used`` is how much of the problem's turn and lean [m per m] the heights have been relieved of already.
    """
    free = problem.turn_free, problem.lean_free
    turn, lean = ((-f - u, f - u) for f, u in zip(free, used, strict=True))
    dx, dy = x - problem.centre[0], y - problem.centre[1]
    if free[1] <= 0:
        return _least_top(dx, height - lean[0] * dy, *turn)
    if free[0] <= 0:
        return _least_top(dy, height - turn[0] * dx, *lean)
    from scipy.optimize import linprog

    bare = replace(problem, x=x, y=y, need=height, cap=None, held=(), turn=0.0, lean=0.0)
    rows = surface_rows(bare, height, -1.0, "hump")
    bounds = [(None, None), *((low * MM, high * MM) for low, high in (turn, lean))]
    found = linprog([1.0, 0.0, 0.0], A_ub=rows.matrix, b_ub=rows.limit, bounds=bounds, method="highs")
    return float(found.x[0]) / MM


def _least_top(at: Array, height: Array, low: float, high: float) -> float:
    """Least over slopes from ``low`` to ``high`` of the highest of height - slope at (n,): a program of one unknown.

    That highest is convex in the slope, so each end either is the least or has a point that wants more, or less, slope;
    the two points swap for higher ones where their lines cross (Kelley's cutting planes), as many times as a hull has
    edges at most.
    """
    more, less = int(np.argmax(height - low * at)), int(np.argmax(height - high * at))
    if at[more] <= 0:
        return float(height[more] - low * at[more])
    if at[less] >= 0:
        return float(height[less] - high * at[less])
    while True:
        slope = (height[more] - height[less]) / (at[more] - at[less])
        over = height - slope * at
        top = int(np.argmax(over))
        if at[top] == 0 or not over[top] > max(over[more], over[less]):
            return float(over[top])
        more, less = (top, less) if at[top] > 0 else (more, top)
