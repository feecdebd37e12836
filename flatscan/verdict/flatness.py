"""Flatness: what a sweep of straightedges decides, why not, and what would (DESIGN, Decision; METHODS 3d)."""

from __future__ import annotations

import math

from flatscan.core.model import Relief
from flatscan.core.notes import Note
from flatscan.core.units import to_mm
from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.straightedge.uncertainty import expected_u
from flatscan.verdict.criteria import MEMORY, OUTSIDE, UNDECIDED, WITHIN, Criterion, positive

LEAST_COVERAGE = 0.95
# a smoothing wider than this hides humps that a straightedge finds (METHODS 3b)
WIDEST_SMOOTHING = 0.22
# a short rule is there for short features: 95 % of a hump's gap survives a window of its width / 0.85 (METHODS 3b),
# and the humps a rule looks for are half as wide as it is long
SHARE_OF_RULE = 0.5 / 0.85


def cannot_be_within(relief: Relief, rule: float, limit: float) -> str | None:
    """The early warning: why no straightedge result from this relief could prove the limit kept, or None."""
    positive(limit, "flatness")
    if not relief.known_between:
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
    positive(limit, name)
    judged = gaps.judged()
    reasons: tuple[Note | str, ...]
    if judged is None:
        reasons = gaps.notes or ("no straightedge could be laid",)
        return Criterion(name, UNDECIDED, None, None, limit, reasons, rule=gaps.rule, method=gaps.method)
    against = _against_within(gaps, judged, limit, relief)
    places = tuple(place.at for place in gaps.worst_places if place.value + gaps.k * (place.u or math.inf) > limit)
    decision, reasons = UNDECIDED, against
    if not decides:
        reasons = (MEMORY, *against)
    elif gaps.lower is not None and gaps.lower > limit:
        decision = OUTSIDE
        reasons = (f"at least {to_mm(gaps.lower):.1f} mm, over the limit of {to_mm(limit):g} mm",)
    elif not against:
        decision, places = WITHIN, ()
        reasons = (f"at most {to_mm(gaps.upper or 0.0):.1f} mm at every position, limit {to_mm(limit):g} mm",)
    else:
        nothing = gaps.stations and judged.value <= limit
        reasons = (*(("nothing over the limit at the stations read",) if nothing else ()), *against)
        reasons = (*reasons, *what_would_decide(gaps, limit, relief))
    return Criterion(
        name, decision, judged.value, gaps.upper, limit, reasons, gaps.lower, places, gaps.rule, gaps.method
    )


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
    if relief is not None and relief.hidden:
        reasons.append(f"{relief.hidden} cells where the smoothing may hide a small feature")
    reasons += [] if relief is None else _too_smooth(relief, gaps.rule)
    return tuple(reasons)


def _too_smooth(relief: Relief, rule: float) -> list[str]:
    """Words where the smoothing takes away what a straightedge of that length [m] is there to find."""
    width, said = relief.smoothed_over, []
    if width > WIDEST_SMOOTHING + 1e-9:
        said.append(f"smoothed over {to_mm(width):.0f} mm, {to_mm(WIDEST_SMOOTHING):.0f} mm at most")
    if width > SHARE_OF_RULE * rule:
        found = f"what a straightedge of {to_mm(rule):.0f} mm looks for"
        said.append(f"smoothed over {to_mm(width):.0f} mm, too wide to see {found}")
    return said


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
    if relief is not None and (relief.hidden or _too_smooth(relief, gaps.rule)):
        advice.append("more points in a cell, so that less smoothing is needed")
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
