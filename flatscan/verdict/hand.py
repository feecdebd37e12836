"""Readings by hand settle the places they were taken at, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from scipy.special import ndtri

from flatscan.straightedge.gaps import Point
from flatscan.straightedge.hand import HandCheck
from flatscan.units import to_mm
from flatscan.verdict.criteria import OUTSIDE, UNDECIDED, WITHIN, Criterion, Verdict, decide, together

# a place to check is settled by a reading this near to it [m]
NEAR = 0.15


def with_hand(verdict: Verdict, checks: Sequence[HandCheck], *, decides: bool = True) -> Verdict:
    """The verdict with straightedge readings beside it, each judged against the flatness limit.

    A reading over the limit beyond its own uncertainty shows the wall outside there. Readings within it settle their
    places and leave the rest of the wall as it was. Where a wall the scan calls within reads over the limit by hand,
    neither is believed: undecided. The readings share the error probability (Bonferroni). ``decides`` False (a limit
    from memory) adds words only.
    """
    found = next((one for one in verdict.criteria if one.name == "flatness"), None)
    if found is None or not checks:
        return verdict
    k = float(ndtri(1 - (1 - verdict.confidence) / len(checks)))
    results = [decide(check.reading.gap, check.u_hand, found.limit, k) for check in checks]
    settled = [_place(check) for check, result in zip(checks, results, strict=True) if result != UNDECIDED]
    left = tuple(place for place in found.places if all(math.dist(place, one) > NEAR for one in settled))
    words = tuple(_words(check, result, found.limit) for check, result in zip(checks, results, strict=True))
    decision = found.decision
    if decides and OUTSIDE in results:
        decision = UNDECIDED if decision == WITHIN else OUTSIDE
    changed = replace(found, decision=decision, reasons=(*words, *found.reasons), places=left)
    criteria: list[Criterion] = [changed if one is found else one for one in verdict.criteria]
    return together(
        criteria,
        confidence=verdict.confidence,
        not_judged=verdict.not_judged,
        tolerance=verdict.tolerance,
        curve=verdict.curve,
    )


def _place(check: HandCheck) -> Point:
    return check.reading.x, check.reading.y


def _words(check: HandCheck, result: str, limit: float) -> str:
    """What a reading settles, in words."""
    said = {WITHIN: "within the limit", OUTSIDE: "over the limit", UNDECIDED: "too near the limit to settle it"}[result]
    place = f"x {to_mm(check.reading.x):.0f}, y {to_mm(check.reading.y):.0f} mm"
    return f"by hand at {place}: {said} of {to_mm(limit):g} mm; {check.words}"
