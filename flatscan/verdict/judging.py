"""Judging what was measured by tolerance entries, published or entered by hand; nothing is measured here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from flatscan.core.errors import BadValue
from flatscan.core.model import Relief
from flatscan.core.notes import Note, in_unit, note
from flatscan.core.quantity import Quantity, metres, share
from flatscan.standards.tolerances import Tolerance
from flatscan.straightedge.gaps import Gaps
from flatscan.straightedge.lips import Lip
from flatscan.straightedge.sweeping import Stair
from flatscan.verdict.criteria import (
    OUTSIDE,
    UNDECIDED,
    WITHIN,
    Criterion,
    CurvePoint,
    Verdict,
    coverage_factor,
    numbers_only,
    positive,
    single,
    together,
    undecided,
)
from flatscan.verdict.flatness import by_both, flatness
from flatscan.verdict.repeating import without_loose_tie, without_repeats

CRITERIA = ("flatness", "plumb", "step", "corner")


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """What was measured of a wall for one entry; what the entry does not speak of is empty.

    ``sweeps`` are the gaps under each length the entry names, ``balanced`` the balanced end gaps of the same where the
    entry names no method, ``stairs`` those of a limit that follows the distance
    between the contacts, with the least ``excess`` [m] over it; ``step`` is the largest of many steps; ``quantity`` a
    deviation as a length [m] ``over`` so many metres (plumb: the lean over the wall's height), None: not measured.
    """

    sweeps: tuple[Gaps, ...] = ()
    balanced: tuple[Gaps, ...] = ()
    stairs: tuple[Stair, ...] = ()
    excess: float | None = None
    step: Lip | Quantity | None = None
    quantity: Quantity | None = None
    over: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """The criteria of one entry, and the sweep whose figures belong beside them (None if no straightedge was laid).

    ``nearest`` is the number of the criterion that judges that sweep.
    """

    entry: Tolerance
    criteria: tuple[Criterion, ...]
    gaps: Gaps | None = None
    curve: tuple[CurvePoint, ...] = ()
    nearest: int = 0


def judge(entry: Tolerance, measured: Measured, relief: Relief | None = None, *, confidence: float = 0.95) -> Judged:
    """Judge what was measured by one entry.

    ``relief`` brings smoothing, hidden features and points that repeat each other into it. Raises `BadValue` for a
    published entry that speaks of something that was not measured, and for sweeps of another confidence.
    """
    k = coverage_factor(confidence)
    if any(abs(gaps.k - k) > 2e-3 for gaps in measured.sweeps):
        raise BadValue(
            "{set:confidence}",
            "{confidence:number}, but the sweep used k = {used:number}",
            needed="a sweep with k = {k:number.3}",
            remedy="Sweep with the coverage factor of the confidence",
            confidence=share(confidence),
            used=share(measured.sweeps[0].k),
            k=share(k),
        )
    judged = _judged(entry, measured, relief, k)
    criteria = (without_loose_tie(without_repeats(one, relief), relief) for one in judged.criteria)
    return replace(judged, criteria=tuple(replace(one, entry=entry, span=_span(one, measured)) for one in criteria))


def _span(criterion: Criterion, measured: Measured) -> tuple[float, ...]:
    """The length that a criterion's limit is for, empty where it is for none."""
    if criterion.span or criterion.rule is not None:
        return criterion.span or (criterion.rule or 0.0,)
    return () if measured.over is None else (measured.over,)


def _judged(entry: Tolerance, measured: Measured, relief: Relief | None, k: float) -> Judged:
    if entry.criterion == "flatness":
        return _by_distance(entry, measured, relief) if entry.method == "chord" else _by_rule(entry, measured, relief)
    if entry.criterion == "step":
        return Judged(entry, (_step(entry, measured.step, k),))
    if measured.quantity is None or measured.over is None:
        return Judged(entry, (_unmeasured(entry),))
    unknown = note("verdict.no-vertical" if entry.criterion == "plumb" else "verdict.u-unknown")
    limit = entry.limit_at(measured.over)
    barred = numbers_only(entry)
    found = single(entry.criterion, measured.quantity, limit, k=k, barred=barred, unknown=unknown)
    if entry.published and not entry.reaches(measured.over):
        found = _beyond(entry, found, single(entry.criterion, measured.quantity, entry.limits[0], k=k))
    return Judged(entry, (found,))


def _beyond(entry: Tolerance, found: Criterion, as_one: Criterion) -> Criterion:
    """What is judged over more than the document names one limit for.

    Of a lean over several storeys it is not known where one storey ends: within is what keeps one storey's limit over
    the whole height, outside what is over a limit for the whole height.
    """
    if entry.interpolation != "per storey":
        length = in_unit(entry.lengths[-1], entry.length_unit)
        return undecided(found, note("verdict.beyond-lengths", length=length))
    sure = WITHIN if as_one.decision == WITHIN else OUTSIDE if entry.beyond is not None else UNDECIDED
    settled = found.decision == sure != UNDECIDED
    no_matter_where = found.measured is None or found.measured.u is None or numbers_only(entry) is not None
    if settled or no_matter_where:
        return found
    return undecided(found, note("verdict.each-storey", limit=in_unit(entry.limits[0], entry.unit)))


def verdict_of(judged: Sequence[Judged], *, confidence: float = 0.95) -> Verdict:
    """One verdict over the criteria of all entries, each named by its entry where two published ones speak of the same.

    What no entry asked for is listed as not judged.
    """
    published = [one for one in judged if one.entry.published]
    criteria: list[Criterion] = []
    beside = None
    for one in judged:
        if one.gaps is not None and beside is None:
            beside = len(criteria) + one.nearest
        several = len(published) > 1 and one.entry.published
        criteria += [replace(c, name=_named(c, one.entry)) if several else c for c in one.criteria]
    asked = {one.entry.criterion for one in judged}
    missing = [name for name in CRITERIA if name not in asked]
    curve = next((one.curve for one in judged if one.curve), ())
    tolerance = published[0].entry.id if published else None
    return together(
        criteria, confidence=confidence, not_judged=missing, tolerance=tolerance, curve=curve, beside=beside
    )


def _named(criterion: Criterion, entry: Tolerance) -> Note:
    """A criterion's name with the entry it is judged by."""
    return note("verdict.by-entry", name=criterion.name, entry=entry.id)


def _unmeasured(entry: Tolerance) -> Criterion:
    """A limit entered by hand for what was not measured stays open; a published entry does not apply to this wall."""
    if entry.published:
        raise BadValue(
            "tolerance {entry}",
            "it judges {criterion} ({applies}), and none was measured here",
            needed="an entry that applies to what was measured",
            remedy="Choose another entry with {run:tolerances}",
            entry=entry.id,
            criterion=entry.criterion,
            applies=entry.applies_to,
        )
    limit = positive(entry.limits[0], entry.criterion)
    return Criterion(entry.criterion, UNDECIDED, None, None, limit, (note("verdict.not-measured"),))


def _step(entry: Tolerance, found: Lip | Quantity | None, k: float) -> Criterion:
    """A criterion of one step, of the largest of many steps, or of something that was not measured."""
    limit = positive(entry.limits[0], "step")
    if found is None:
        return Criterion("step", UNDECIDED, None, None, limit, (note("verdict.not-measured"),))
    if isinstance(found, Quantity):
        return single("step", found, limit, k=k, barred=numbers_only(entry))
    value = metres(found.value)
    if found.upper is None:
        unknown = note("verdict.largest-step-u-unknown", value=value)
        return Criterion("step", UNDECIDED, found.value, None, limit, (unknown,))
    decision = WITHIN if found.upper <= limit else UNDECIDED
    decision = OUTSIDE if found.lower is not None and found.lower > limit else decision
    said = note("verdict.largest-step", value=value)
    barred = numbers_only(entry)
    decision, reasons = (UNDECIDED, (barred, said)) if barred else (decision, (said,))
    places = (found.at,) if decision == UNDECIDED else ()
    return Criterion("step", decision, found.value, found.upper, limit, reasons, found.lower, places, u=found.u)


def _by_rule(entry: Tolerance, measured: Measured, relief: Relief | None) -> Judged:
    """A criterion for each length the entry names, and the sweep of the one nearest to (or furthest over) its limit."""
    criteria, barred = [], numbers_only(entry)
    for gaps, length, limit in zip(measured.sweeps, entry.lengths, entry.limits, strict=True):
        name = "flatness" if len(entry.lengths) == 1 else note("verdict.flatness-under", length=metres(length))
        criteria.append(flatness(gaps, limit, relief=relief, name=name, barred=barred, unit=entry.unit))
    if measured.balanced:
        others = [
            flatness(gaps, limit, relief=relief, barred=barred, unit=entry.unit)
            for gaps, limit in zip(measured.balanced, entry.limits, strict=True)
        ]
        criteria = [by_both(one, other, entry.unit) for one, other in zip(criteria, others, strict=True)]
    part = [(criterion.value or 0.0) / criterion.limit for criterion in criteria]
    nearest = part.index(max(part))
    return Judged(entry, tuple(criteria), measured.sweeps[nearest], nearest=nearest)


def _by_distance(entry: Tolerance, measured: Measured, relief: Relief | None) -> Judged:
    """One flatness criterion for a limit that follows the distance between the contacts, with the limit as a curve.

    Every stair must be within for the wall to be: a wall just outside is so on one stair, whose own bound then fails
    it as often as any. *Outside* is tested once for all stairs together.
    """
    stairs, excess = measured.stairs, measured.excess
    if not stairs:
        reason = note("verdict.no-contacts")
        return Judged(entry, (Criterion("flatness", UNDECIDED, None, None, entry.limits[0], (reason,)),))
    barred = numbers_only(entry)
    each = [flatness(stair.gaps, stair.limit, relief=relief, barred=barred, unit=entry.unit) for stair in stairs]
    worst = max(range(len(each)), key=lambda number: _over(each[number]))
    chosen = replace(each[worst], rule=None, method="chord", span=(stairs[worst].start, stairs[worst].stop))
    open_ones = [criterion for criterion in each if criterion.decision != WITHIN]
    if open_ones:
        over = entry.decides and excess is not None and excess > 0
        # of the stair that is named, where that one is open
        reasons: tuple[Note, ...] = (open_ones[0] if chosen.decision == WITHIN else chosen).reasons
        if over and excess:
            reasons = (note("verdict.excess", excess=metres(excess)),)
        chosen = replace(
            chosen,
            decision=OUTSIDE if over else UNDECIDED,
            reasons=(_nearest(stairs[worst]), *reasons),
            lower=None if excess is None else chosen.limit + excess,
            places=tuple(dict.fromkeys(place for criterion in open_ones for place in criterion.places)),
        )
    return Judged(entry, (chosen,), stairs[worst].gaps, tuple(_point(stair) for stair in stairs))


def _over(criterion: Criterion) -> float:
    """How far a criterion's bound (or value, without one) stands over its limit [m]."""
    known = criterion.upper if criterion.upper is not None else criterion.value
    return -criterion.limit if known is None else known - criterion.limit


def _nearest(stair: Stair) -> Note:
    return note("verdict.nearest-contacts", start=metres(stair.start), stop=metres(stair.stop))


def _point(stair: Stair) -> CurvePoint:
    return CurvePoint(stair.start, stair.stop, stair.limit, stair.gaps.gap, stair.gaps.upper)
