"""What is asked before two surveys are compared, what refuses their tie, and what nobody can tell from them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from flatscan.compare import (
    Alignment,
    Both,
    Difference,
    Leveled,
    Reference,
    beyond,
    both_ways,
    came_off,
    copied,
    level,
    likeness,
    moved_evenly,
    reference_tested,
    scores,
    size_differences,
    together,
)
from flatscan.core.choices import ANSWERS
from flatscan.core.errors import BadValue, MixedSurveys
from flatscan.core.geometry import Mask, Rectangle
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, root_sum_square, share, square_metres
from flatscan.core.warp import CommonError
from flatscan.jobs.compared import Question
from flatscan.jobs.results import Seen
from flatscan.jobs.settings import Comparing
from flatscan.jobs.tying import Surveyed

Commons = tuple[CommonError, CommonError]
_FRAME = "compare.same-frame"
_ASK = {"size": "ask.size", "order": "ask.order", "even": "ask.even", "wall": "ask.wall", "copy": "ask.copy"}


def commons_of(surveys: tuple[Surveyed, Surveyed]) -> Commons:
    """The common errors of both surveys."""
    return surveys[0].seen.relief.common, surveys[1].seen.relief.common


def u_plumb(surveys: tuple[Surveyed, Surveyed]) -> float | None:
    """Standard uncertainty [m per m] of the difference of both verticals, None where one is not known."""
    return root_sum_square(*(survey.wall.plumb.u_lean for survey in surveys))


def reference_of(
    surveys: tuple[Surveyed, Surveyed], both: Both, leveled: Leveled, rectangles: tuple[Rectangle, ...], support: Mask
) -> Reference:
    """The reference as its shape agrees; raises `MixedSurveys` where it does not: somebody worked on it."""
    rest = np.isfinite(both.change) & both.base.inside & ~support
    if not rest.any():
        raise MixedSurveys(
            "{set:reference}",
            "it covers all of the wall that both surveys measured",
            needed="a part that nobody worked on, and a rest to compare",
            remedy="Give the parts left bare only, or {set:same_surface} where nothing was done between",
        )
    found = reference_tested(both, commons_of(surveys), leveled, rectangles, support, u_plumb(surveys))
    if found.holds:
        return found
    raise MixedSurveys(
        "{set:reference}",
        "its shape changed between the surveys: {most:length.1±} at {at:place}, and beyond chance on {part:share} of "
        "its {area:area}",
        needed="a shape that is the same in both: left within {hides:length.1} of each other once both are leveled on "
        "it",
        remedy="Give parts that nobody worked on, such as strips at both sides left bare, or tie the surveys by "
        "{set:reference_wall} or {set:points}",
        most=metres(abs(found.worst.value), found.worst.u),
        at=found.at,
        part=share(found.differing),
        area=square_metres(found.area),
        hides=metres(found.hides),
    )


def questions_of(
    surveys: tuple[Surveyed, Surveyed], both: Both, change: Difference, reference: Reference | None, options: Comparing
) -> tuple[Question, ...]:
    """What must be asked of these two surveys and was not answered yet; `BadValue` for an answer to nothing."""
    unknown = [one for one in options.confirm if one not in ANSWERS]
    if unknown:
        needed, first = f"one of {', '.join(ANSWERS)}", unknown[0]
        raise BadValue("{set:confirm}", "'{one}'", needed=needed, remedy="Confirm what was asked", one=first)
    commons, alignment = commons_of(surveys), change.alignment
    found = [*_copies(surveys, alignment), *_sizes(surveys, commons)]
    if not options.same_surface:
        found += [*_order(change), *_even(both, commons, surveys, change, reference, options)]
    found += _shapes(both, commons, change, options)
    if reference is not None:
        found += _reference_moved(both, commons, reference, alignment, options)
    kept = (one for one in found if one.answer not in options.confirm)
    return tuple({one.answer: one for one in reversed([*kept])}.values())[::-1]


def _asked(answer: str, said: Note) -> Question:
    return Question(answer, said, note(_ASK[answer]))


def _copies(surveys: tuple[Surveyed, Surveyed], alignment: Alignment) -> Iterator[Question]:
    """One file twice, or one made out of the other."""
    first, second = (survey.seen for survey in surveys)
    if first.origin.sha256 == second.origin.sha256:
        yield _asked("copy", note("jobs.same-file"))
        return
    alike = first.relief.known_between == second.relief.known_between and first.relief.step == second.relief.step
    if alike and copied(together(first.relief, second.relief, alignment), alignment):
        yield _asked("copy", note("jobs.made-of-each-other"))


def _sizes(surveys: tuple[Surveyed, Surveyed], commons: Commons) -> Iterator[Question]:
    """Two walls of different sizes, beyond what edges and scales are known to."""
    walls = surveys[0].wall, surveys[1].wall
    wide, high = size_differences(walls, commons, (_edges_known(surveys[0].seen), _edges_known(surveys[1].seen)))
    if beyond(wide) or beyond(high):
        earlier, later = ((metres(wall.width), metres(wall.height)) for wall in walls)
        yield _asked("size", note("jobs.sizes-differ", earlier=earlier, later=later, wide=wide, high=high))


def _edges_known(seen: Seen) -> bool:
    """Whether somebody measured how large the wall is, or a scan saw it."""
    return seen.readings is None or (seen.readings.width is not None and seen.readings.height is not None)


def _order(change: Difference) -> Iterator[Question]:
    if came_off(change) and change.mean is not None:
        yield _asked("order", note("jobs.came-off-everywhere", by=metres(-change.mean.value, change.mean.u)))


def _even(
    both: Both,
    commons: Commons,
    surveys: tuple[Surveyed, Surveyed],
    change: Difference,
    reference: Reference | None,
    options: Comparing,
) -> Iterator[Question]:
    """The whole wall moved by as much: a board, or a file that was shifted."""
    if change.mean is None or reference is not None or options.same_surface or not beyond(change.mean):
        return
    if options.points is not None or options.reference_walls:
        # these would have moved with the file
        return
    leveled = level(both, commons, np.ones(both.first.shape, bool), u_lean=u_plumb(surveys))
    # a wedge is no shift: what was leveled out counts, but for the mean
    if moved_evenly(change, scores(both, change.change - change.mean.value, leveled.u)):
        yield _asked("even", note("jobs.moved-evenly", by=metres(change.mean.value, change.mean.u)))


def _shapes(both: Both, commons: Commons, change: Difference, options: Comparing) -> Iterator[Question]:
    """Two surfaces that fit only when one is turned over, or have nothing in common though nobody covered them."""
    found = likeness(both, commons)
    if found.turned_over:
        how = note(found.turned)
        values = {"how": how, "best": share(found.best), "straight": share(found.straight)}
        yield _asked("wall", note("jobs.turned-over", None, **values))
    elif found.strange and (options.same_surface or not change.alignment.fixes_out or both_ways(change)):
        yield _asked("wall", note("jobs.little-in-common", correlation=share(found.straight)))


def _reference_moved(
    both: Both, commons: Commons, reference: Reference, alignment: Alignment, options: Comparing
) -> Iterator[Question]:
    """A reference that by both plumb lines leans otherwise, or by coordinates both files share moved as a whole."""
    if beyond(reference.lean):
        yield _asked("even", note("jobs.reference-leans", by=reference.lean))
    if not _framed(alignment):
        return
    here = reference.support & np.isfinite(both.change)
    u = float(np.linalg.norm([options.align_u, *(common.u_offset for common in commons)]))
    moved = metres(float(np.average(both.change[here], weights=both.base.area[here])), u)
    if beyond(moved):
        yield _asked("even", note("jobs.reference-moved", by=moved))


def _framed(alignment: Alignment) -> bool:
    how = alignment.how.quantities.get("how")
    return isinstance(how, Note) and how.code == _FRAME


def not_judged(change: Difference, reference: Reference | None, options: Comparing) -> tuple[Note, ...]:
    """What nothing in the two surveys can tell, and the numbers hang on."""
    found = []
    if reference is not None:
        found.append(note("unjudged.reference-even", hides=metres(reference.hides)))
    elif options.reference_walls:
        found.append(note("unjudged.reference-walls"))
    elif options.points is not None:
        found.append(note("unjudged.points"))
    elif change.alignment.fixes_out and not options.same_surface:
        found.append(note("unjudged.frame"))
    if options.same_surface:
        found.append(note("unjudged.which-is-right"))
    return (*found, note("unjudged.same-wall"))
