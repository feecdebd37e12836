"""Flatness: what a sweep and people's own readings decide, why not, and what would (methods/decision 1)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from scipy.special import ndtri

from flatscan.core.choices import BOTH
from flatscan.core.model import Relief
from flatscan.core.notes import Note, in_unit, note
from flatscan.core.quantity import metres, share
from flatscan.straightedge.gaps import Gap, Gaps, Point
from flatscan.straightedge.hand_gaps import HandCheck
from flatscan.straightedge.uncertainty import expected_u
from flatscan.verdict.criteria import (
    OUTSIDE,
    UNDECIDED,
    WITHIN,
    Criterion,
    CurvePoint,
    Verdict,
    decide,
    positive,
)

LEAST_COVERAGE = 0.95
# a smoothing wider than this hides humps that a straightedge finds (methods/uncertainty 5)
WIDEST_SMOOTHING = 0.22
# a short rule is there for short features: 95 % of a hump's gap survives a window of its width / 0.85
# (methods/uncertainty 5), and the humps a rule looks for are half as wide as it is long
SHARE_OF_RULE = 0.5 / 0.85
# likewise for cells too large to smooth, by the smallest feature they show
_FEATURE_OF_RULE = 0.5
_PLACES = 5


def cannot_be_within(relief: Relief, rule: float, limit: float, unit: str = "mm") -> Note | None:
    """The early warning: why no straightedge result from this relief could prove the limit kept, or None.

    ``unit`` is the one that the limit [m] was given in.
    """
    positive(limit, "flatness")
    if not relief.known_between:
        return note("verdict.stations-cannot")
    u = expected_u(relief, rule)
    if u is None:
        return note("verdict.u-not-known")
    if u > limit / 4:
        return note("verdict.cannot-show", limit=in_unit(limit, unit), u=metres(u), quarter=metres(limit / 4))
    return None


def flatness(
    gaps: Gaps,
    limit: float,
    *,
    relief: Relief | None = None,
    name: str | Note = "flatness",
    barred: Note | None = None,
    unit: str = "mm",
) -> Criterion:
    """Judge a sweep against a limit [m] by the rule of methods/decision 1: by the two ends of its interval.

    ``relief`` brings smoothing and hidden features into it. ``barred`` is the reason of a limit that gives numbers
    only. Reasons have the limit in the ``unit`` it was given in. A limit of 0 or less raises `BadValue`.
    """
    positive(limit, "flatness")
    judged = gaps.judged()
    reasons: tuple[Note, ...]
    if judged is None:
        reasons = gaps.notes or (note("verdict.no-straightedge"),)
        return Criterion(name, UNDECIDED, None, None, limit, reasons, rule=gaps.rule, method=gaps.method)
    against = _against_within(gaps, judged, limit, relief, unit)
    places = tuple(place.at for place in gaps.worst_places if place.value + gaps.k * (place.u or math.inf) > limit)
    if relief is not None and relief.hidden_at:
        places = (*relief.hidden_at, *places)[:_PLACES]
    decision, reasons = UNDECIDED, against
    # mixed surfaces can make up a gap of their distance, and no more (methods/uncertainty 14)
    made_up = 0.0 if relief is None or relief.doubled is None else relief.doubled
    lower = None if gaps.lower is None else max(gaps.lower - made_up, 0.0)
    value = judged.value if gaps.gap is None else gaps.gap
    if barred:
        reasons = (barred, *against)
    elif lower is not None and lower > limit:
        decision = OUTSIDE
        reasons = (note("verdict.at-least", lower=metres(lower), limit=in_unit(limit, unit)),)
    elif not against:
        decision, places = WITHIN, ()
        reasons = (note("verdict.at-most", upper=metres(gaps.upper or 0.0), limit=in_unit(limit, unit)),)
    else:
        nothing = not gaps.known_between and value <= limit
        reasons = (*((note("verdict.nothing-over"),) if nothing else ()), *against)
        reasons = (*reasons, *what_would_decide(gaps, limit, relief))
    return Criterion(name, decision, value, gaps.upper, limit, reasons, lower, places, gaps.rule, gaps.method, judged.u)


def by_both(resting: Criterion, balanced: Criterion, unit: str = "mm") -> Criterion:
    """Flatness where no method was named: the resting gap and the balanced end gap held against one limit in ``unit``.

    Outside by the resting gap is outside, within by both is within; where only the balanced end gap is not within, the
    decision depends on the method, and both numbers say so.
    """
    found = replace(resting, method=BOTH, other=balanced, resting=resting.decision)
    if resting.decision == WITHIN and balanced.decision == WITHIN:
        return replace(found, reasons=(*resting.reasons, _at_most(balanced, unit)))
    if resting.decision == WITHIN:
        more = balanced.reasons if balanced.decision == UNDECIDED else ()
        said = (_depends(resting, balanced, unit), note("verdict.usual-contract"), *more)
        return replace(found, decision=UNDECIDED, reasons=said, places=balanced.places)
    over = balanced.value is not None and balanced.value > resting.limit
    found = replace(found, reasons=(*resting.reasons, *((_by_balancing(balanced, unit),) if over else ())))
    if resting.decision == OUTSIDE:
        return found
    return replace(found, places=tuple(dict.fromkeys((*resting.places, *balanced.places)))[:_PLACES])


def _by_balancing(balanced: Criterion, unit: str) -> Note:
    """That the balanced end gap is over the limit as well."""
    return note("verdict.balanced-over", value=balanced.measured, limit=in_unit(balanced.limit, unit))


def _at_most(balanced: Criterion, unit: str) -> Note:
    return note("verdict.balanced-at-most", upper=metres(balanced.upper or 0.0), limit=in_unit(balanced.limit, unit))


def _depends(resting: Criterion, balanced: Criterion, unit: str) -> Note:
    """Why two methods leave a limit undecided: both numbers."""
    one, two = (
        note("verdict.no-value") if c.measured is None else note("verdict.value", value=c.measured)
        for c in (resting, balanced)
    )
    return note("verdict.depends", resting=one, balanced=two, limit=in_unit(resting.limit, unit))


def _against_within(gaps: Gaps, judged: Gap, limit: float, relief: Relief | None, unit: str) -> tuple[Note, ...]:
    """Every reason why the result is not *within*, the early warning first; empty if it is."""
    reasons = []
    early = None if relief is None else cannot_be_within(relief, gaps.rule, limit, unit)
    if early is None and judged.u is not None and judged.u > limit / 4:
        early = note("verdict.u-over-quarter", u=metres(judged.u))
    if early:
        reasons.append(early)
    elif not gaps.known_between:
        reasons.append(note("verdict.stations-only"))
    if gaps.upper is None:
        reasons.append(note("verdict.no-upper"))
    elif gaps.upper > limit:
        reasons.append(note("verdict.not-ruled-out", upper=metres(gaps.upper), limit=in_unit(limit, unit)))
    if gaps.coverage is not None and gaps.coverage < LEAST_COVERAGE:
        reasons.append(note("verdict.coverage", coverage=share(gaps.coverage), needed=share(LEAST_COVERAGE)))
    if relief is not None and relief.hidden:
        at = tuple(note("verdict.at", place) for place in relief.hidden_at)
        reasons.append(
            note("verdict.hidden-at", cells=relief.hidden, places=at)
            if at
            else note("verdict.hidden", cells=relief.hidden)
        )
    if relief is not None and relief.doubled is not None:
        reasons.append(note("verdict.doubled", apart=metres(relief.doubled)))
    reasons += [] if relief is None else _too_smooth(relief, gaps.rule)
    return tuple(reasons)


def _too_smooth(relief: Relief, rule: float) -> list[Note]:
    """Where the smoothing takes away what a straightedge of that length [m] is there to find."""
    width, said = relief.smoothed_over, []
    if width > WIDEST_SMOOTHING + 1e-9:
        said.append(note("verdict.smoothed-wide", width=metres(width), most=metres(WIDEST_SMOOTHING)))
    if width > SHARE_OF_RULE * rule:
        said.append(note("verdict.smoothed-for-rule", width=metres(width), rule=metres(rule)))
    feature = relief.smallest_feature
    if not said and feature is not None and feature > min(WIDEST_SMOOTHING, _FEATURE_OF_RULE * rule) + 1e-9:
        most = min(WIDEST_SMOOTHING, _FEATURE_OF_RULE * rule)
        said.append(note("verdict.coarse-cells", feature=metres(feature), most=metres(most), rule=metres(rule)))
    return said


def what_would_decide(gaps: Gaps, limit: float, relief: Relief | None = None) -> tuple[Note, ...]:
    """What better data would bring a decision, with numbers where the two parts of u allow them."""
    judged = gaps.judged()
    if not gaps.known_between:
        return (note("verdict.scan-would"),)
    if judged is None or judged.u_random is None or judged.u_common is None:
        return (note("verdict.known-u-would"),)
    advice = []
    if gaps.coverage is not None and gaps.coverage < LEAST_COVERAGE:
        advice.append(note("verdict.measure-rest"))
    if relief is not None and (relief.hidden or _too_smooth(relief, gaps.rule)):
        advice.append(note("verdict.more-points-a-cell"))
    value = judged.value if gaps.gap is None else gaps.gap
    bound = gaps.upper if value <= limit else gaps.lower
    if bound is not None and (value - limit) * (bound - limit) < 0:
        advice.append(_better(judged.u_random, judged.u_common, abs(value - limit) / abs(value - bound)))
    return (*advice, note("verdict.straightedge-would"))


def _better(random: float, common: float, part: float) -> Note:
    """What brings the whole uncertainty down to a part of itself: points for the random part, repeats for the rest."""
    aim = 0.9 * part * math.hypot(random, common)
    if common >= aim:
        repeats = math.ceil((common / max(aim, 1e-9)) ** 2 * (1 if random == 0 else 1.5))
        if repeats <= 10:
            return note("verdict.repeats-or-tie", repeats=repeats, u=metres(common))
        return note("verdict.better-or-tie", u=metres(common))
    times = math.ceil(random**2 / (aim**2 - common**2))
    if times <= 100:
        return note("verdict.times-the-points", times=times, u=metres(random))
    return note("verdict.far-more-points", u=metres(random))


# a place to check is settled by a reading this near to it [m]
NEAR = 0.15
# straightedges whose lengths differ by less are the same [m]
SAME_RULE = 0.005


def with_hand(verdict: Verdict, checks: Sequence[HandCheck], *, decides: bool = True) -> Verdict:
    """The verdict with straightedge readings beside it, each held against the limit of every flatness criterion.

    A reading over the limit beyond its own uncertainty shows the wall outside there. Readings within it settle their
    places and leave the rest of the wall as it was. Where a wall the scan calls within reads over the limit by hand,
    neither is believed: undecided. The readings share the error probability of both sides (Bonferroni). A gap under a
    shorter straightedge can pass the limit of a longer one but not keep it, and the other way round; a resting
    straightedge settles nothing read on blocks or balanced. ``decides`` False (a limit for
    numbers only) adds words only.
    """
    if not checks:
        return verdict
    k = float(ndtri(1 - (1 - verdict.confidence) / 2 / len(checks)))
    # a curve belongs to one criterion: with two of them it is not known which
    chords = sum(one.method == "chord" for one in verdict.criteria)
    curve = verdict.curve if chords == 1 else ()
    criteria = [
        _settle(one, checks, k, decides, curve) if one.judges == "flatness" else one for one in verdict.criteria
    ]
    return verdict.judged_again(criteria)


def _settle(
    found: Criterion, checks: Sequence[HandCheck], k: float, decides: bool, curve: Sequence[CurvePoint]
) -> Criterion:
    """One flatness criterion with every reading beside it."""
    results = [_result(found, check, k, curve) for check in checks]
    settled = [_place(check) for check, result in zip(checks, results, strict=True) if result != UNDECIDED]
    left = tuple(place for place in found.places if all(math.dist(place, one) > NEAR for one in settled))
    said = tuple(_settles(check, result) for check, result in zip(checks, results, strict=True))
    decision = found.decision
    if decides and OUTSIDE in results:
        decision = UNDECIDED if decision == WITHIN else OUTSIDE
    return replace(found, decision=decision, reasons=(*said, *found.reasons), places=left)


def _result(found: Criterion, check: HandCheck, k: float, curve: Sequence[CurvePoint]) -> str:
    """What a reading shows of its place: over the limit, within it, or neither."""
    if found.method == "chord":
        # the contacts are not told, only that they stand at most a straightedge apart
        known = [point.limit for point in curve if point.start <= check.rule]
        keeps, passes = (known[0], known[-1]) if known else (0.0, math.inf)
    elif found.method in ("resting", BOTH) and found.rule is not None:
        # a resting straightedge settles nothing that hangs on a balanced one
        settles = found.other is None or found.other.decision == WITHIN
        keeps = found.limit if settles and check.rule >= found.rule - SAME_RULE else 0.0
        passes = found.limit if check.rule <= found.rule + SAME_RULE else math.inf
    else:
        keeps, passes = 0.0, math.inf
    if decide(check.reading.gap, check.u_hand, passes, k) == OUTSIDE:
        return OUTSIDE
    return WITHIN if decide(check.reading.gap, check.u_hand, keeps, k) == WITHIN else UNDECIDED


def _place(check: HandCheck) -> Point:
    return check.reading.x, check.reading.y


def _settles(check: HandCheck, result: str) -> Note:
    """What a reading settles."""
    codes = {
        WITHIN: "verdict.by-hand-within",
        OUTSIDE: "verdict.by-hand-outside",
        UNDECIDED: "verdict.by-hand-open",
    }
    return note(codes[result], at=_place(check), said=check.note)
