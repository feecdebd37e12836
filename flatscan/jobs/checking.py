"""Does it conform: every criterion that has a limit, by rule and limit or by published tolerances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from flatscan import verdict as verdicts
from flatscan.core.errors import BadValue
from flatscan.core.notes import Note
from flatscan.core.quantity import Quantity
from flatscan.jobs.looking import lean_of, look, swept
from flatscan.jobs.results import Check, Looked, Seen
from flatscan.jobs.seeing import see
from flatscan.jobs.settings import Capturing, Progress, Requirement, silent
from flatscan.standards import Tolerance
from flatscan.straightedge.gaps import Gaps
from flatscan.straightedge.hand_gaps import HandCheck, compare_hand, read_hand
from flatscan.straightedge.lips import Lip, lips
from flatscan.verdict import Criterion, Verdict


def check(path: str | Path, how: Capturing, requirement: Requirement, progress: Progress = silent) -> Check:
    """Does the wall of a capture conform: every criterion that has a limit, each judged by itself."""
    return check_seen(see(path, how, progress), requirement, progress)


def check_seen(seen: Seen, requirement: Requirement, progress: Progress = silent) -> Check:
    """`check` of a wall already seen."""
    looked = look(seen, requirement, progress)
    if requirement.tolerances:
        verdict, gaps = _by_tolerances(looked, requirement, progress)
    else:
        gaps = swept(looked, requirement, progress)
        verdict = _by_limits(looked, requirement, gaps)
    verdict, hand, doubts = _with_hand(verdict, looked, requirement)
    looked = replace(looked, notes=(*looked.notes, *doubts))
    first = next((entry for entry in requirement.tolerances if entry.id == verdict.tolerance), None)
    return looked.extended(Check, gaps=gaps, verdict=verdict, method=gaps.method, hand=hand, tolerance=first)


def _by_limits(looked: Looked, requirement: Requirement, gaps: Gaps) -> Verdict:
    step: Lip | None = None
    if requirement.step_limit is not None:
        step = lips(looked.seen.relief, k=verdicts.coverage_factor(requirement.confidence))
    return verdicts.judge(
        gaps=gaps, limit=requirement.limit if requirement.judges else None, relief=looked.relief, lean=lean_of(looked),
        height=looked.wall.height, plumb_limit=requirement.plumb_limit, step=step, step_limit=requirement.step_limit,
        corner=worst_corner(looked), corner_limit=requirement.corner_limit, confidence=requirement.confidence,
    )  # fmt: skip


def _by_tolerances(looked: Looked, requirement: Requirement, progress: Progress) -> tuple[Verdict, Gaps]:
    """Every entry judged by itself, then all criteria together; the gaps are those of the first flatness entry."""
    corner, corners = worst_corner(looked), looked.seen.corners
    verdicts_, gaps = [], None
    for entry in requirement.tolerances:
        progress(f"judging by {entry.id}", None)
        judged = verdicts.judge_by(
            entry, looked.relief, unsmoothed=looked.seen.relief, lean=lean_of(looked), height=looked.wall.height,
            measured=corner if entry.criterion == "corner" else None, over=corners[0].leg if corners else None,
            directions=requirement.directions, confidence=requirement.confidence,
        )  # fmt: skip
        verdicts_.append(judged.verdict)
        gaps = gaps or judged.gaps
    if gaps is None:
        gaps = swept(looked, requirement, progress)
    return _joined(verdicts_, requirement.tolerances, requirement.confidence), gaps


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


def worst_corner(looked: Looked) -> Quantity | None:
    """The corner of this wall furthest out of square [m over its leg], None where no other wall meets it."""
    known = [
        Quantity(corner.out_of_square, corner.u_out_of_square)
        for corner in looked.seen.corners
        if corner.out_of_square is not None
    ]
    return max(known, key=lambda corner: abs(corner.value), default=None)


def _with_hand(
    verdict: Verdict, looked: Looked, requirement: Requirement
) -> tuple[Verdict, tuple[HandCheck, ...], tuple[Note, ...]]:
    """The verdict with people's straightedge readings beside it, where a file of them was given, and its doubts."""
    if requirement.hand is None:
        return verdict, (), ()
    if not any(criterion.name.startswith("flatness") for criterion in verdict.criteria):
        raise BadValue(
            "{set:hand}",
            "straightedge readings without a flatness limit",
            needed="{set:limit} or a tolerance of flatness",
            remedy="Give the limit the readings are to be held against",
        )
    hand = read_hand(requirement.hand)
    checks = compare_hand(looked.relief, hand, rule=requirement.rule)
    decides = all(entry.decides for entry in requirement.tolerances)
    return verdicts.with_hand(verdict, checks, decides=decides), checks, hand.notes
