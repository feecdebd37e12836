"""Within, outside or undecided, one criterion at a time, by the rules of METHODS 3d."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import ndtri

from flatscan.errors import BadValue
from flatscan.model import Relief
from flatscan.quantity import Quantity
from flatscan.standards.tolerance import Tolerance
from flatscan.straightedge.gaps import Gap, Gaps, Point
from flatscan.straightedge.uncertainty import expected_u
from flatscan.units import to_mm

WITHIN, OUTSIDE, UNDECIDED = "within", "outside", "undecided"
LEAST_COVERAGE = 0.95
# a smoothing wider than this hides humps that a straightedge finds (METHODS 3b)
WIDEST_SMOOTHING = 0.22
PLACES = 5


@dataclass(frozen=True, slots=True)
class Criterion:
    """One criterion's decision. Values in metres; ``upper`` is the bound the rule compared with the limit.

    ``lower`` is the bound that had to pass the limit for *outside*; ``places`` are where to look by hand.
    """

    name: str
    decision: str
    value: float | None
    upper: float | None
    limit: float
    reasons: tuple[str, ...] = ()
    lower: float | None = None
    places: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True)
class Verdict:
    """All criteria asked for, what was not judged, and up to five places [m] to check by hand."""

    decision: str
    confidence: float
    criteria: tuple[Criterion, ...]
    not_judged: tuple[str, ...]
    check_by_hand: tuple[Point, ...]
    reasons: tuple[str, ...]
    tolerance: str | None = None

    @property
    def sentence(self) -> str:
        """The decision with each criterion named, such as "flatness within; plumb not judged"."""
        said = [f"{one.name} {one.decision}" for one in self.criteria]
        return "; ".join(said + [f"{name} not judged" for name in self.not_judged])


def coverage_factor(confidence: float) -> float:
    """One-sided coverage factor of a normal error; 0.95 gives 1.645 (ISO 14253-1). Outside (0.5, 1): `BadValue`."""
    if not 0.5 < confidence < 1:
        raise BadValue(
            "confidence", f"{confidence:g}", needed="a probability over 0.5 and under 1", remedy="Leave it at 0.95"
        )
    return float(ndtri(confidence))


def decide(value: float, u: float, limit: float, k: float) -> str:
    """Guarded acceptance and guarded rejection of one quantity chosen beforehand (JCGM 106:2012, 8.3; ISO 14253-1)."""
    if value + k * u <= limit:
        return WITHIN
    return OUTSIDE if value - k * u > limit else UNDECIDED


def _positive(limit: float, name: str) -> float:
    """The limit, if it is one; 0 or less, or no number, raises `BadValue`."""
    if not (math.isfinite(limit) and limit > 0):
        raise BadValue(
            f"{name} limit",
            f"{to_mm(limit):g} mm",
            needed="a limit over 0",
            remedy="Give the limit the contract names, such as 3mm",
        )
    return limit


def cannot_be_within(relief: Relief, rule: float, limit: float) -> str | None:
    """The early warning: why no straightedge result from this relief could prove the limit kept, or None."""
    _positive(limit, "flatness")
    if relief.cell is None:
        return "stations only: the wall between them was not read, so it cannot be shown to be within"
    u = expected_u(relief, rule)
    if u is None:
        return "the uncertainty of this capture is not known, so the wall cannot be shown to be within"
    if u > limit / 4:
        return (
            f"this capture cannot show {to_mm(limit):g} mm kept: u(gap) is {to_mm(u):.2f} mm, "
            f"over a quarter of the limit ({to_mm(limit) / 4:.2f} mm); it may still show it exceeded"
        )
    return None


def flatness(
    gaps: Gaps, limit: float, *, relief: Relief | None = None, name: str = "flatness", decides: bool = True
) -> Criterion:
    """Judge a sweep against a limit [m] by the rule of DESIGN (upper for within, lower for outside).

    ``relief`` brings smoothing and hidden features into it. ``decides`` False (a limit from memory) gives the numbers
    only. A limit of 0 or less raises `BadValue`.
    """
    _positive(limit, name)
    judged = gaps.judged()
    if judged is None:
        return Criterion(name, UNDECIDED, None, None, limit, gaps.notes or ("no straightedge could be laid",))
    lower, upper = gaps.lower, gaps.upper
    against = _against_within(gaps, judged, limit, relief)
    places = tuple(place.at for place in gaps.worst_places if place.value + gaps.k * (place.u or math.inf) > limit)
    if not decides:
        memory = "the limit was written down from memory: numbers only, no decision"
        return Criterion(name, UNDECIDED, judged.value, upper, limit, (memory, *against), lower, places)
    if lower is not None and lower > limit:
        said = f"at least {to_mm(lower):.1f} mm, over the limit of {to_mm(limit):g} mm"
        return Criterion(name, OUTSIDE, judged.value, upper, limit, (said,), lower, places)
    if not against:
        said = f"at most {to_mm(upper or 0.0):.1f} mm at every position, limit {to_mm(limit):g} mm"
        return Criterion(name, WITHIN, judged.value, upper, limit, (said,), lower)
    if gaps.stations and judged.value <= limit:
        against = ("nothing over the limit at the stations read", *against)
    remedies = what_would_decide(gaps, limit, relief)
    return Criterion(name, UNDECIDED, judged.value, upper, limit, (*against, *remedies), lower, places)


def _against_within(gaps: Gaps, judged: Gap, limit: float, relief: Relief | None) -> tuple[str, ...]:
    """Every reason why the result is not *within*, the early warning first; empty if it is."""
    reasons = []
    early = None if relief is None else cannot_be_within(relief, gaps.rule, limit)
    if early is None and judged.u is not None and judged.u > limit / 4:
        early = f"u(gap) is {to_mm(judged.u):.2f} mm at the largest gap, over a quarter of the limit"
    if early:
        reasons.append(early)
    elif gaps.stations:
        reasons.append("stations only: the wall between them was not read")
    if gaps.upper is None:
        reasons.append("no upper bound: the uncertainty is not known")
    elif gaps.upper > limit:
        reasons.append(f"up to {to_mm(gaps.upper):.1f} mm cannot be ruled out, limit {to_mm(limit):g} mm")
    if gaps.coverage is not None and gaps.coverage < LEAST_COVERAGE:
        reasons.append(f"only {gaps.coverage:.0%} of the positions were measured, {LEAST_COVERAGE:.0%} needed")
    if relief is not None and relief.cell is not None:
        if relief.hidden:
            reasons.append(f"{relief.hidden} cells where the smoothing may hide a small feature")
        if relief.window > 1 and relief.window * relief.cell > WIDEST_SMOOTHING + 1e-9:
            reasons.append(
                f"smoothed over {to_mm(relief.window * relief.cell):.0f} mm, {to_mm(WIDEST_SMOOTHING):.0f} mm at most"
            )
    return tuple(reasons)


def what_would_decide(gaps: Gaps, limit: float, relief: Relief | None = None) -> tuple[str, ...]:
    """What better data would bring a decision, with numbers where the two parts of u allow them."""
    judged = gaps.judged()
    if gaps.stations:
        return ("a scan of the whole wall, or a straightedge at the places named, would decide",)
    if judged is None or judged.u_random is None or judged.u_common is None:
        return ("a capture of known uncertainty would decide",)
    advice = []
    if gaps.coverage is not None and gaps.coverage < LEAST_COVERAGE:
        advice.append("measure the parts not covered")
    if relief is not None and relief.hidden:
        advice.append("more points on the cells named, so that less smoothing is needed")
    bound = gaps.upper if judged.value <= limit else gaps.lower
    if bound is not None and (judged.value - limit) * (bound - limit) < 0:
        advice.append(_better(judged.u_random, judged.u_common, abs(judged.value - limit) / abs(judged.value - bound)))
    return (*advice, "a straightedge at the places named would settle those places")


def _better(random: float, common: float, share: float) -> str:
    """What brings the whole uncertainty down to a share of itself: points for the random part, repeats for the rest."""
    aim = 0.9 * share * math.hypot(random, common)
    if common >= aim:
        repeats = math.ceil((common / max(aim, 1e-9)) ** 2 * (1 if random == 0 else 1.5))
        how = f"about {repeats} repeated scans" if repeats <= 10 else "a better capture (more than ten repeats)"
        return f"{how}, or laser readings that tie the scan down (common part of u(gap) {to_mm(common):.2f} mm)"
    times = math.ceil(random**2 / (aim**2 - common**2))
    more = f"about {times} times the points" if times <= 100 else "far more points (over 100 times)"
    return f"{more} on the wall (random part of u(gap) {to_mm(random):.2f} mm)"


def plumb(lean: Quantity, height: float, limit: float, *, k: float = 1.645, decides: bool = True) -> Criterion:
    """Judge a lean (slope, with u) over ``height`` [m] against a limit [m] over that height; u None is undecided."""
    return single("plumb", lean.scaled(height), limit, k=k, decides=decides, unknown="no known vertical")


def single(
    name: str,
    measured: Quantity,
    limit: float,
    *,
    k: float = 1.645,
    decides: bool = True,
    unknown: str = "its uncertainty is not known",
    places: tuple[Point, ...] = (),
) -> Criterion:
    """Judge |one quantity| [m], chosen beforehand, against a limit [m]; 0 or less raises `BadValue`."""
    _positive(limit, name)
    value = abs(measured.value)
    if measured.u is None:
        return Criterion(name, UNDECIDED, value, None, limit, (unknown,))
    upper, lower = value + k * measured.u, value - k * measured.u
    decision = decide(value, measured.u, limit, k) if decides else UNDECIDED
    said = f"{to_mm(value):.1f} mm, between {to_mm(max(lower, 0.0)):.1f} and {to_mm(upper):.1f} mm"
    memory = () if decides else ("the limit was written down from memory: numbers only, no decision",)
    return Criterion(name, decision, value, upper, limit, (*memory, said), lower, places)


def together(
    criteria: Sequence[Criterion],
    *,
    confidence: float = 0.95,
    not_judged: Sequence[str] = (),
    tolerance: str | None = None,
) -> Verdict:
    """One verdict: outside if any criterion is, within if all are, else undecided."""
    decisions = {one.decision for one in criteria}
    decision = OUTSIDE if OUTSIDE in decisions else UNDECIDED
    decision = WITHIN if decisions == {WITHIN} else decision
    reasons = tuple(f"{one.name}: {reason}" for one in criteria for reason in one.reasons)
    places = tuple(dict.fromkeys(place for one in criteria if one.decision == UNDECIDED for place in one.places))
    return Verdict(decision, confidence, tuple(criteria), tuple(not_judged), places[:PLACES], reasons, tolerance)


def judge(
    *,
    gaps: Gaps | None = None,
    limit: float | None = None,
    relief: Relief | None = None,
    lean: Quantity | None = None,
    height: float | None = None,
    plumb_limit: float | None = None,
    step: Quantity | None = None,
    step_limit: float | None = None,
    corner: Quantity | None = None,
    corner_limit: float | None = None,
    tolerance: Tolerance | None = None,
    confidence: float = 0.95,
) -> Verdict:
    """Judge every criterion that has a limit, each by itself, and say which of the four was not judged.

    ``gaps`` against ``limit``, the slope ``lean`` over ``height`` against ``plumb_limit``, ``step`` and ``corner``
    (lengths with u) against theirs; all limits in metres. ``tolerance`` names the entry the limits come from; one
    from memory gives numbers and no decision. ``gaps`` must have been swept with the coverage factor of
    ``confidence``, else `BadValue`.
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
            _positive(bound, name)
            criteria.append(
                Criterion(name, UNDECIDED, None, None, bound, ("not measured",))
                if measured is None
                else single(name, measured, bound, k=k, decides=decides)
            )
    judged = {one.name for one in criteria}
    missing = [name for name in ("flatness", "plumb", "step", "corner") if name not in judged]
    return together(
        criteria, confidence=confidence, not_judged=missing, tolerance=None if tolerance is None else tolerance.id
    )
