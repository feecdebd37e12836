"""Does it conform: every criterion that has a limit, by rule and limit or by published tolerances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flatscan import verdict as verdicts
from flatscan.core.choices import BOTH
from flatscan.core.errors import BadValue
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, degrees
from flatscan.jobs.changed import LEAST_CONFIDENCE, numbers_only, restricted
from flatscan.jobs.either import checked_both_ways
from flatscan.jobs.results import Check, Looked, Seen
from flatscan.jobs.seeing import Capture, lean_of, look, see
from flatscan.jobs.settings import Capturing, Progress, Requirement, silent
from flatscan.relief import with_heights
from flatscan.standards import Tolerance
from flatscan.straightedge.balanced import balanced_gaps, gaps_beside
from flatscan.straightedge.hand_gaps import HandCheck, compare_hand, read_hand
from flatscan.straightedge.lips import lips
from flatscan.straightedge.sweeping import Sweeps, largest_distance, sweep_stairs
from flatscan.verdict import Measured, Verdict


def check(source: Capture | Seen, how: Capturing, requirement: Requirement, progress: Progress = silent) -> Check:
    """Does the wall of a capture conform: every criterion that has a limit, each judged by itself."""
    return check_seen(see(source, how, progress), requirement, progress)


def check_seen(seen: Seen, requirement: Requirement, progress: Progress = silent) -> Check:
    """`check` of a wall already seen, both ways where something hangs on it."""

    def once(one: Seen) -> Check:
        looked = look(one, requirement, progress)
        return check_looked(looked, sweeps_of(looked, requirement), requirement, progress)

    return checked_both_ways(once(seen), once)


def sweeps_of(looked: Looked, requirement: Requirement) -> Sweeps:
    """The straightedges of a wall, with the confidence asked for, for all that is to be told from them."""
    return Sweeps(with_heights(looked.relief), verdicts.coverage_factor(requirement.confidence))


def check_looked(looked: Looked, sweeps: Sweeps, requirement: Requirement, progress: Progress = silent) -> Check:
    """`check` of a wall already looked at, by its own ``sweeps``; what these hold is not swept again."""
    judged = []
    for entry in requirement.entries:
        progress(note("stage.judging" if entry.published else "stage.straightedge"), None)
        measured = _measured(entry, looked, requirement, sweeps)
        judged.append(verdicts.judge(entry, measured, looked.relief, confidence=requirement.confidence))
    verdict = _of_what_was_measured(verdicts.verdict_of(judged, confidence=requirement.confidence), looked)
    verdict = _by_its_settings(verdict, looked, requirement)
    shown = next((one for one in judged if one.gaps is not None), None)
    gaps = None if shown is None else shown.gaps
    if gaps is None:
        gaps = gaps_beside(sweeps, requirement.rule, requirement.shown, requirement.directions)
    both = requirement.method is None if shown is None else shown.entry.method == BOTH
    verdict, hand, doubts = _with_hand(verdict, looked, requirement)
    looked = replace(looked, notes=(*looked.notes, *doubts))
    first = next((entry for entry in requirement.entries if entry.published and entry.id == verdict.tolerance), None)
    method = BOTH if both else gaps.method
    return looked.extended(Check, gaps=gaps, verdict=verdict, method=method, hand=hand, tolerance=first)


def _by_its_settings(verdict: Verdict, looked: Looked, requirement: Requirement) -> Verdict:
    """The verdict with what weakened the test, and without the decisions that its settings cannot carry."""
    verdict = replace(verdict, restricted=restricted(looked, requirement))
    for reason, judges in numbers_only(looked, requirement):
        verdict = verdict.numbers_only(reason, judges)
    return verdict


def _of_what_was_measured(verdict: Verdict, looked: Looked) -> Verdict:
    """The verdict with the share of the wall that it speaks of, and the parts it does not."""
    measured = looked.relief.covered_share if looked.relief.known_between else None
    return replace(verdict, measured=measured, not_judged=(*verdict.not_judged, *looked.not_measured))


def _measured(entry: Tolerance, looked: Looked, requirement: Requirement, sweeps: Sweeps) -> Measured:
    """What an entry speaks of, measured on this wall: gaps, steps on the relief as measured, lean, or a corner."""
    if entry.criterion == "flatness":
        return flatness_for(entry, sweeps, requirement.directions)
    if entry.criterion == "step":
        within = {"within": entry.lengths[0]} if entry.published else {}
        return Measured(step=lips(looked.seen.relief, k=sweeps.k, **within))
    if entry.criterion == "plumb":
        height = looked.wall.height
        return Measured(quantity=lean_of(looked).scaled(height, "m"), over=height)
    corners = looked.seen.corners
    measured = worst_corner(looked) if entry.criterion == "corner" else None
    return Measured(quantity=measured, over=corners[0].leg if corners else None)


def flatness_for(entry: Tolerance, sweeps: Sweeps, directions: Sequence[float] | None = None) -> Measured:
    """The gaps a flatness entry asks for, with its own lengths, method and directions.

    Raises `BadValue` for directions that the entry does not speak of.
    """
    turns = _directions(entry, directions)
    if entry.method == "chord":
        heights = entry.stairs(largest_distance(sweeps.relief))
        stairs, excess = sweep_stairs(sweeps, heights, turns)
        return Measured(stairs=stairs, excess=excess)
    if entry.method == BOTH:
        return Measured(
            sweeps=tuple(gaps_beside(sweeps, length, directions=turns) for length in entry.lengths),
            balanced=tuple(balanced_gaps(sweeps, length, turns) for length in entry.lengths),
        )
    return Measured(sweeps=tuple(gaps_beside(sweeps, length, entry.method, turns) for length in entry.lengths))


def _directions(entry: Tolerance, asked: Sequence[float] | None) -> Sequence[float] | None:
    """Directions to sweep: the entry's own, else those asked for; asking for others than its own is a `BadValue`."""
    if not entry.directions:
        return asked
    if asked is not None and {value % 180 for value in asked} - {value % 180 for value in entry.directions}:
        raise BadValue(
            "{set:directions}",
            "{asked:angle} for tolerance {entry}",
            needed="only {known:angle}, which the entry speaks of",
            remedy="Leave {set:directions} to the entry",
            asked=tuple(degrees(value) for value in asked),
            entry=entry.id,
            known=tuple(degrees(value) for value in entry.directions),
        )
    return entry.directions


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
    if not any(criterion.judges == "flatness" for criterion in verdict.criteria):
        raise BadValue(
            "{set:hand}",
            "straightedge readings without a flatness limit",
            needed="{set:limit} or a tolerance of flatness",
            remedy="Give the limit the readings are to be held against",
        )
    hand = read_hand(requirement.hand)
    checks = compare_hand(looked.relief, hand, rule=requirement.rule)
    decides = all(entry.decides for entry in requirement.entries) and requirement.confidence >= LEAST_CONFIDENCE
    return verdicts.with_hand(verdict, checks, decides=decides), checks, hand.notes
