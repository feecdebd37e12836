"""A decision or a plan that hangs on what hangs on the wall: found both ways, with objects as wall and without them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from flatscan.core.model import WallObject
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, metres
from flatscan.jobs.results import Check, Either, Seen, Survey
from flatscan.verdict import OUTSIDE, UNDECIDED, WITHIN, Criterion, Verdict

# differences that no sheet shows [m]
_ALIKE = 5e-5
_ALIKE_VOLUME = 5e-4
_BOTH_WAYS = {"doubtful": "jobs.both-ways-doubtful", "removed": "jobs.both-ways-removed"}
_IS = {WITHIN: "verdict.is-within", OUTSIDE: "verdict.is-outside", UNDECIDED: "verdict.is-undecided"}


def checked_both_ways(found: Check, again: Callable[[Seen], Check]) -> Check:
    """The check with what objects decide in it; ``again`` checks the wall seen another way.

    Doubtful objects are wall in ``found``: where a criterion is decided otherwise without them, it is undecided. What
    the removed ones would make of it as wall is said.
    """
    relief, objects = found.seen.relief, found.wall.objects
    doubtful, removed = _numbers(objects, "doubtful"), _numbers(objects, "removed")
    by_hand = {one.number for one in objects if one.chosen}
    if doubtful:
        other = again(replace(found.seen, relief=relief.leaving_out(doubtful | removed)))
        either = _either(doubtful, found, other)
        if either is not None:
            things = [one for one in objects if one.number in doubtful]
            verdict = _hanging(found.verdict, other.verdict, either, things)
            found = replace(found, verdict=verdict, either=(*found.either, either), notes=(_said(either), *found.notes))
    if removed - by_hand:
        other = again(replace(found.seen, relief=relief.leaving_out(removed & by_hand)))
        either = _either(removed - by_hand, other, found, "removed")
        if either is not None:
            found = replace(found, either=(*found.either, either), notes=(*found.notes, _said(either)))
    return found


def _numbers(objects: Iterable[WallObject], state: str) -> frozenset[int]:
    return frozenset(one.number for one in objects if one.state == state)


def _either(numbers: frozenset[int], as_wall: Check, left_out: Check, state: str = "doubtful") -> Either | None:
    """What is found both ways, None where that is the same."""
    one, two = as_wall.gaps.judged(), left_out.gaps.judged()
    gaps = [None if gap is None else metres(abs(gap.value), gap.u) for gap in (one, two)]
    decisions = as_wall.verdict.decision, left_out.verdict.decision
    alike = decisions[0] == decisions[1] and (gaps[0] is None) == (gaps[1] is None)
    if alike and (gaps[0] is None or gaps[1] is None or abs(gaps[0].value - gaps[1].value) < _ALIKE):
        return None
    return Either(tuple(sorted(numbers)), state, gaps[0], gaps[1], *decisions)


def _said(either: Either) -> Note:
    """Both numbers in words."""
    both = (
        note("jobs.no-gap") if gap is None else note("jobs.gap", gap=gap) for gap in (either.as_wall, either.left_out)
    )
    as_wall, left_out = both
    return note(_BOTH_WAYS[either.state], objects=either.numbers, as_wall=as_wall, left_out=left_out)


def _hanging(verdict: Verdict, other: Verdict, either: Either, things: list[WallObject]) -> Verdict:
    """The verdict with those criteria undecided that are decided otherwise without the objects."""
    places = tuple((one.x, one.y) for one in things)
    criteria = []
    for criterion, without in zip(verdict.criteria, other.criteria, strict=True):
        if criterion.decision == without.decision:
            criteria.append(criterion)
            continue
        criteria.append(_undecided(criterion, without, either, places))
    return verdict.judged_again(criteria)


def _undecided(
    criterion: Criterion, without: Criterion, either: Either, places: tuple[tuple[float, float], ...]
) -> Criterion:
    values = [None if one.value is None else metres(one.value, one.u) for one in (criterion, without)]
    numbers = [note("verdict.no-value") if value is None else note("verdict.value", value=value) for value in values]
    reason = note(
        "verdict.hangs-on-objects",
        objects=either.numbers,
        as_wall=numbers[0],
        is_wall=note(_IS[criterion.decision]),
        left_out=numbers[1],
        is_out=note(_IS[without.decision]),
    )
    kept = criterion.reasons if criterion.decision == UNDECIDED else ()
    return replace(criterion, decision=UNDECIDED, reasons=(reason, *kept), places=(*places, *criterion.places))


def planned_both_ways(found: Survey, again: Callable[[Seen], Survey]) -> Survey:
    """The survey with what its plan would be without doubtful objects, where that differs."""
    relief, doubtful = found.seen.relief, _numbers(found.wall.objects, "doubtful")
    if not doubtful:
        return found
    out = doubtful | _numbers(found.wall.objects, "removed")
    other = again(replace(found.seen, relief=relief.leaving_out(out)))
    one, two = found.plan.build_up, other.plan.build_up
    if abs(one.mean - two.mean) < _ALIKE and abs(one.volume.value - two.volume.value) < _ALIKE_VOLUME:
        return found
    said = note(
        "jobs.plan-both-ways",
        objects=tuple(sorted(doubtful)),
        mean=metres(one.mean),
        volume=one.volume,
        order=cubic_metres(one.ordered),
        other_mean=metres(two.mean),
        other_volume=two.volume,
        other_order=cubic_metres(two.ordered),
    )
    return replace(found, notes=(said, *found.notes))
