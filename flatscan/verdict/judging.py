"""Judging a wall: by a rule and limits, or by a published tolerance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from flatscan.core.errors import BadValue
from flatscan.core.model import Relief
from flatscan.core.quantity import Quantity
from flatscan.core.units import to_mm
from flatscan.standards.tolerance import Tolerance
from flatscan.straightedge.gaps import Gaps
from flatscan.straightedge.lips import Lip, lips
from flatscan.straightedge.sweeping import Stair, largest_distance, sweep, sweep_stairs
from flatscan.verdict.criteria import (
    MEMORY,
    OUTSIDE,
    UNDECIDED,
    WITHIN,
    Criterion,
    CurvePoint,
    Verdict,
    coverage_factor,
    plumb,
    positive,
    single,
    together,
)
from flatscan.verdict.flatness import flatness

CRITERIA = ("flatness", "plumb", "step", "corner")


def judge(
    *,
    gaps: Gaps | None = None,
    limit: float | None = None,
    relief: Relief | None = None,
    lean: Quantity | None = None,
    height: float | None = None,
    plumb_limit: float | None = None,
    step: Quantity | Lip | None = None,
    step_limit: float | None = None,
    corner: Quantity | None = None,
    corner_limit: float | None = None,
    tolerance: Tolerance | None = None,
    confidence: float = 0.95,
) -> Verdict:
    """Judge every criterion that has a limit, each by itself, and say which of the four was not judged.

    ``gaps`` against ``limit``, the slope ``lean`` over ``height`` against ``plumb_limit``, ``step`` and ``corner``
    (lengths with u; a `Lip` for the largest of many steps) against theirs; all limits in metres. ``tolerance`` names
    the entry the limits come from; one from memory gives numbers and no decision. ``gaps`` must have been swept with
    the coverage factor of ``confidence``, else `BadValue`.
    """
    k = coverage_factor(confidence)
    decides = tolerance is None or tolerance.decides
    criteria = []
    if limit is not None:
        if gaps is None:
            raise BadValue(
                "flatness limit",
                "a limit without a straightedge",
                needed="a rule and a limit together",
                remedy="Give --rule with --limit",
            )
        if abs(gaps.k - k) > 2e-3:
            raise BadValue(
                "confidence",
                f"{confidence:g}, but the sweep used k = {gaps.k:g}",
                needed=f"a sweep with k = {k:.3f}",
                remedy="Sweep with the coverage factor of the confidence",
            )
        criteria.append(flatness(gaps, limit, relief=relief, decides=decides))
    if plumb_limit is not None:
        if lean is None or height is None:
            raise BadValue(
                "plumb limit",
                "a limit without a lean",
                needed="the lean and the height it acts over",
                remedy="Measure the lean first",
            )
        criteria.append(plumb(lean, height, plumb_limit, k=k, decides=decides))
    for name, measured, bound in (("step", step, step_limit), ("corner", corner, corner_limit)):
        if bound is not None:
            criteria.append(_measured(name, measured, positive(bound, name), k, decides))
    judged = {one.name for one in criteria}
    missing = [name for name in ("flatness", "plumb", "step", "corner") if name not in judged]
    return together(
        criteria, confidence=confidence, not_judged=missing, tolerance=None if tolerance is None else tolerance.id
    )


def _measured(name: str, measured: Quantity | Lip | None, limit: float, k: float, decides: bool) -> Criterion:
    """A criterion of one quantity, of the largest of many steps, or of something that was not measured."""
    if measured is None:
        return Criterion(name, UNDECIDED, None, None, limit, ("not measured",))
    if isinstance(measured, Quantity):
        return single(name, measured, limit, k=k, decides=decides)
    said = f"the largest abrupt step is {to_mm(measured.value):.1f} mm"
    if measured.upper is None:
        return Criterion(name, UNDECIDED, measured.value, None, limit, (f"{said}; its uncertainty is not known",))
    decision = WITHIN if measured.upper <= limit else UNDECIDED
    decision = OUTSIDE if measured.lower is not None and measured.lower > limit else decision
    decision, words = (decision, (said,)) if decides else (UNDECIDED, (MEMORY, said))
    places = (measured.at,) if decision == UNDECIDED else ()
    return Criterion(name, decision, measured.value, measured.upper, limit, words, measured.lower, places)


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A verdict by a tolerance, and the sweep whose figures belong beside it (None if no straightedge was laid)."""

    verdict: Verdict
    gaps: Gaps | None


def judge_by(
    tolerance: Tolerance,
    relief: Relief,
    *,
    unsmoothed: Relief | None = None,
    lean: Quantity | None = None,
    height: float | None = None,
    measured: Quantity | None = None,
    over: float | None = None,
    directions: Sequence[float] | None = None,
    confidence: float = 0.95,
    workers: int | None = None,
) -> Judged:
    """Judge what one tolerance entry asks for, with its own lengths, method and directions.

    Flatness needs the ``relief`` alone. A step is looked for on the ``unsmoothed`` relief (default: ``relief``).
    Plumb takes the slope ``lean`` over ``height`` [m]; corner, reveal and square take ``measured``, the deviation as
    a length [m], over ``over`` metres. An entry that speaks of something not given does not apply to this wall:
    `BadValue`, which also a direction the entry does not know raises.
    """
    k = coverage_factor(confidence)
    entry, decides = tolerance, tolerance.decides
    gaps, curve = None, tuple[CurvePoint, ...]()
    if entry.criterion == "flatness":
        turns = _directions(entry, directions)
        if entry.method == "chord":
            criteria, gaps, curve = _by_distance(entry, relief, turns, k, workers)
        else:
            criteria, gaps = _by_rule(entry, relief, turns, k, workers)
    elif entry.criterion == "step":
        found = lips(relief if unsmoothed is None else unsmoothed, within=entry.lengths[0], k=k)
        criteria = [_measured("step", found, entry.limits[0], k, decides)]
    elif entry.criterion == "plumb" and lean is not None and height is not None:
        criteria = [plumb(lean, height, entry.limit_at(height), k=k, decides=decides)]
    elif entry.criterion != "plumb" and measured is not None and over is not None:
        criteria = [single(entry.criterion, measured, entry.limit_at(over), k=k, decides=decides)]
    else:
        raise BadValue(
            f"tolerance {entry.id}",
            f"it judges {entry.criterion} ({entry.applies_to}), and none was measured here",
            needed="an entry that applies to what was measured",
            remedy="Choose another entry with `flatscan tolerances`",
        )
    judged = {one.name.split(" ")[0] for one in criteria}
    missing = [name for name in CRITERIA if name not in judged]
    return Judged(together(criteria, confidence=confidence, not_judged=missing, tolerance=entry.id, curve=curve), gaps)


def _directions(entry: Tolerance, asked: Sequence[float] | None) -> Sequence[float] | None:
    """Directions to sweep: the entry's own, else those asked for; asking for others than its own is a `BadValue`."""
    if not entry.directions:
        return asked
    if asked is not None and {value % 180 for value in asked} - {value % 180 for value in entry.directions}:
        raise BadValue(
            "directions",
            f"{list(asked)} for tolerance {entry.id}",
            needed=f"only {list(entry.directions)}, which the entry speaks of",
            remedy="Leave the directions to the entry",
        )
    return entry.directions


def _by_rule(
    entry: Tolerance, relief: Relief, turns: Sequence[float] | None, k: float, workers: int | None
) -> tuple[list[Criterion], Gaps]:
    """A criterion for each length the entry names, and the sweep of the one nearest to (or furthest over) its limit."""
    criteria, sweeps = [], []
    for length, limit in zip(entry.lengths, entry.limits, strict=True):
        name = "flatness" if len(entry.lengths) == 1 else f"flatness under {length:g} m"
        gaps = sweep(relief, length, directions=turns, k=k, method=entry.method, workers=workers)
        criteria.append(flatness(gaps, limit, relief=relief, name=name, decides=entry.decides))
        sweeps.append(gaps)
    share = [(one.value or 0.0) / one.limit for one in criteria]
    return criteria, sweeps[share.index(max(share))]


def _by_distance(
    entry: Tolerance, relief: Relief, turns: Sequence[float] | None, k: float, workers: int | None
) -> tuple[list[Criterion], Gaps | None, tuple[CurvePoint, ...]]:
    """One flatness criterion for a limit that follows the distance between the contacts, with the limit as a curve.

    Every stair must be within for the wall to be: a wall just outside is so on one stair, whose own bound then fails
    it as often as any. *Outside* is tested once for all stairs together.
    """
    stairs, excess = sweep_stairs(
        relief, entry.stairs(largest_distance(relief)), directions=turns, k=k, workers=workers
    )
    if not stairs:
        reason = "no two contacts stand far enough apart for the cells"
        return [Criterion("flatness", UNDECIDED, None, None, entry.limits[0], (reason,))], None, ()
    each = [flatness(stair.gaps, stair.limit, relief=relief, decides=entry.decides) for stair in stairs]
    worst = max(range(len(each)), key=lambda number: _over(each[number]))
    chosen = replace(each[worst], rule=None, method="chord")
    open_ones = [one for one in each if one.decision != WITHIN]
    if open_ones:
        over = entry.decides and excess is not None and excess > 0
        reasons = (f"over the limit by at least {to_mm(excess):.1f} mm",) if over and excess else open_ones[0].reasons
        chosen = replace(
            chosen,
            decision=OUTSIDE if over else UNDECIDED,
            reasons=_at(stairs[worst]) + reasons,
            lower=None if excess is None else chosen.limit + excess,
            places=tuple(dict.fromkeys(place for one in open_ones for place in one.places)),
        )
    return [chosen], stairs[worst].gaps, tuple(_point(stair) for stair in stairs)


def _over(one: Criterion) -> float:
    """How far a criterion's bound (or value, without one) stands over its limit [m]."""
    known = one.upper if one.upper is not None else one.value
    return -one.limit if known is None else known - one.limit


def _at(stair: Stair) -> tuple[str, ...]:
    return (f"nearest to its limit with the contacts {stair.start:.2f} to {stair.stop:.2f} m apart",)


def _point(stair: Stair) -> CurvePoint:
    gap = stair.gaps.worst
    return CurvePoint(stair.start, stair.stop, stair.limit, None if gap is None else gap.value, stair.gaps.upper)
