"""Does it conform: every criterion that has a limit, by rule and limit or by published tolerances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from flatscan import verdict as verdicts
from flatscan.core.errors import BadValue
from flatscan.core.quantity import Quantity
from flatscan.jobs.findings import Findings, Seen
from flatscan.jobs.looking import lean_of, look, swept
from flatscan.jobs.seeing import see
from flatscan.jobs.settings import Capturing, Progress, Requirement, silent
from flatscan.standards import Tolerance
from flatscan.straightedge.gaps import Gaps
from flatscan.straightedge.hand import HandCheck, compare_hand, read_hand
from flatscan.straightedge.steps import Lip, lips
from flatscan.verdict import Criterion, Verdict


def check(path: str | Path, how: Capturing, test: Requirement, progress: Progress = silent) -> Findings:
    """Does the wall of a capture conform: every criterion that has a limit, each judged by itself."""
    return check_seen(see(path, how, progress), test, progress)


def check_seen(seen: Seen, test: Requirement, progress: Progress = silent) -> Findings:
    """`check` of a wall already seen."""
    found = look("check", seen, test, progress)
    if test.tolerances:
        verdict, gaps = _by_tolerances(found, seen, test, progress)
    else:
        gaps = swept(found, test, verdicts.coverage_factor(test.confidence), progress)
        verdict = _by_limits(found, seen, test, gaps)
    verdict, hand = _with_hand(verdict, found, test)
    first = next((entry for entry in test.tolerances if entry.id == verdict.tolerance), None)
    return replace(found, gaps=gaps, verdict=verdict, method=gaps.method, hand=hand, tolerance=first)


def _by_limits(found: Findings, seen: Seen, test: Requirement, gaps: Gaps) -> Verdict:
    step: Lip | None = None
    if test.step_limit is not None:
        step = lips(seen.relief, k=verdicts.coverage_factor(test.confidence))
    return verdicts.judge(
        gaps=gaps, limit=test.limit if test.judges else None, relief=found.relief, lean=lean_of(found),
        height=found.wall.height, plumb_limit=test.plumb_limit, step=step, step_limit=test.step_limit,
        corner=worst_corner(found), corner_limit=test.corner_limit, confidence=test.confidence,
    )  # fmt: skip


def _by_tolerances(found: Findings, seen: Seen, test: Requirement, progress: Progress) -> tuple[Verdict, Gaps]:
    """Every entry judged by itself, then all criteria together; the gaps are those of the first flatness entry."""
    corner = worst_corner(found)
    made, gaps = [], None
    for entry in test.tolerances:
        progress(f"judging by {entry.id}", None)
        judged = verdicts.judge_by(
            entry, found.relief, unsmoothed=seen.relief, lean=lean_of(found), height=found.wall.height,
            measured=corner if entry.criterion == "corner" else None,
            over=found.corners[0].leg if found.corners else None, directions=test.directions,
            confidence=test.confidence,
        )  # fmt: skip
        made.append(judged.verdict)
        gaps = gaps or judged.gaps
    if gaps is None:
        gaps = swept(found, test, verdicts.coverage_factor(test.confidence), progress)
    return _joined(made, test.tolerances, test.confidence), gaps


def _joined(made: Sequence[Verdict], entries: Sequence[Tolerance], confidence: float) -> Verdict:
    """One verdict over the criteria of several entries, each named by its entry where two speak of the same."""
    if len(made) == 1:
        return made[0]
    criteria: list[Criterion] = []
    for verdict, entry in zip(made, entries, strict=True):
        criteria += [replace(one, name=f"{one.name} ({entry.id})") for one in verdict.criteria]
    judged = {name.split(" ")[0] for name in (one.name for one in criteria)}
    missing = [name for name in ("flatness", "plumb", "step", "corner") if name not in judged]
    curve = next((verdict.curve for verdict in made if verdict.curve), ())
    return verdicts.together(
        criteria, confidence=confidence, not_judged=missing, tolerance=entries[0].id, curve=curve
    )  # fmt: skip


def worst_corner(found: Findings) -> Quantity | None:
    """The corner of this wall furthest out of square [m over its leg], None where no other wall meets it."""
    known = [
        Quantity(corner.out_of_square, corner.u_out_of_square)
        for corner in found.corners
        if corner.out_of_square is not None
    ]
    return max(known, key=lambda one: abs(one.value), default=None)


def _with_hand(verdict: Verdict, found: Findings, test: Requirement) -> tuple[Verdict, tuple[HandCheck, ...]]:
    """The verdict with people's straightedge readings beside it, where a file of them was given."""
    if test.hand is None:
        return verdict, ()
    if not any(one.name.startswith("flatness") for one in verdict.criteria):
        raise BadValue(
            "--hand", "straightedge readings without a flatness limit", needed="--limit or a tolerance of flatness",
            remedy="Give the limit the readings are to be held against",
        )  # fmt: skip
    checks = compare_hand(found.relief, read_hand(test.hand), rule=test.rule)
    decides = all(entry.decides for entry in test.tolerances)
    return verdicts.with_hand(verdict, checks, decides=decides), checks
