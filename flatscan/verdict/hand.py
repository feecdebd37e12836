"""Readings by hand settle the places they were taken at, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from scipy.special import ndtri

from flatscan.core.notes import Note, note
from flatscan.straightedge.gaps import Point
from flatscan.straightedge.hand_gaps import HandCheck
from flatscan.verdict.criteria import OUTSIDE, UNDECIDED, WITHIN, Criterion, CurvePoint, Verdict, decide, together

# a place to check is settled by a reading this near to it [m]
NEAR = 0.15
# straightedges whose lengths differ by less are the same [m]
SAME_RULE = 0.005


def with_hand(verdict: Verdict, checks: Sequence[HandCheck], *, decides: bool = True) -> Verdict:
    """The verdict with straightedge readings beside it, each held against the limit of every flatness criterion.

    A reading over the limit beyond its own uncertainty shows the wall outside there. Readings within it settle their
    places and leave the rest of the wall as it was. Where a wall the scan calls within reads over the limit by hand,
    neither is believed: undecided. The readings share the error probability (Bonferroni). A gap under a shorter
    straightedge can pass the limit of a longer one but not keep it, and the other way round; a resting straightedge
    settles nothing read on blocks or balanced. ``decides`` False (a limit from memory) adds words only.
    """
    if not checks:
        return verdict
    k = float(ndtri(1 - (1 - verdict.confidence) / len(checks)))
    # a curve belongs to one criterion: with two of them it is not known which
    chords = sum(one.method == "chord" for one in verdict.criteria)
    curve = verdict.curve if chords == 1 else ()
    criteria = [
        _settle(one, checks, k, decides, curve) if one.judges == "flatness" else one for one in verdict.criteria
    ]
    return together(
        criteria,
        confidence=verdict.confidence,
        not_judged=verdict.not_judged,
        tolerance=verdict.tolerance,
        curve=verdict.curve,
    )


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
    elif found.method == "resting" and found.rule is not None:
        keeps = found.limit if check.rule >= found.rule - SAME_RULE else 0.0
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
