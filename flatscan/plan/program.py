"""The linear program behind the finish plane: least volume that covers the wall and keeps every fixed line."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import Infeasible
from flatscan.core.geometry import Array
from flatscan.plan.constraints import MM, Contact, Problem, Rows, rows_of

_TIGHT = 1e-6


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


def _name(contact: Contact) -> str:
    if contact.kind == "fixed":
        return contact.name
    return f"the {contact.kind} at x {contact.x:.2f} m, y {contact.y:.2f} m"


def _names(contacts: list[Contact], *kinds: str) -> str:
    return " and ".join(dict.fromkeys(_name(c) for c in contacts if c.kind in kinds)) or "the slopes allowed"


def _explain(problem: Problem, cover: Rows, cap: Rows | None, held: Rows | None) -> Infeasible:
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


def _highest(problem: Problem) -> Solution:
    """The plane where nothing is free: its highest point holds it, no program needed."""
    slope = problem.turn * problem.x + problem.lean * problem.y
    top = int(np.argmax(problem.need - slope))
    contact = Contact("hump", "", float(problem.x[top]), float(problem.y[top]), 1.0)
    return Solution(float(problem.need[top] - slope[top]), problem.turn, problem.lean, (contact,))


def least_plane(problem: Problem) -> Solution:
    """Plane of least mean height over the wall that keeps every cover, cap and held place (METHODS 6; HiGHS).

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
