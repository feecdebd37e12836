"""One wall surveyed twice: from two captures to what changed between them, and whether two parties agree."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from flatscan.compare import (
    Alignment,
    Both,
    Difference,
    Leveled,
    Reference,
    change_by,
    change_leveled,
    claimed,
    following,
    level,
    parts,
    scores,
    thin_places,
    together,
    under_least,
)
from flatscan.core.choices import STAGES
from flatscan.core.geometry import Mask
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import COVER, Quantity, metres, root_sum_square
from flatscan.jobs.changed import changed
from flatscan.jobs.checking import check_seen
from flatscan.jobs.compared import Agreement
from flatscan.jobs.over_allowance import judged
from flatscan.jobs.results import Change, Seen, Setting
from flatscan.jobs.seeing import Capture
from flatscan.jobs.settings import (
    USUAL_COVER,
    Capturing,
    Comparing,
    Finishing,
    Progress,
    Requirement,
    silent,
)
from flatscan.jobs.tie_questions import commons_of, not_judged, questions_of, reference_of, u_plumb
from flatscan.jobs.tying import Surveyed, aligned, take
from flatscan.relief import choose_window, smooth
from flatscan.relief.shape import Shape, shape_of

_DISPUTE = STAGES[4]


def compare_surveys(
    earlier: Capture,
    later: Capture,
    hows: tuple[Capturing, Capturing],
    options: Comparing,
    finish: Finishing | None = None,
    progress: Progress = silent,
) -> Change:
    """What changed on a wall between two captures of it; what was seen is the later one.

    ``hows`` are for the earlier and the later capture. At the stage of a dispute nothing was done between: do two
    parties agree? Raises `MixedSurveys` where they show different walls, overlap too little, or where the reference
    was worked on, and all errors of reading and finding.
    """
    asked, finish = options, finish or Finishing()
    if finish.stage == _DISPUTE:
        options = replace(options, same_surface=True)
    surveys = _at_one_cell((earlier, later), hows, progress)
    requirement = options.finish or Requirement()
    checked = check_seen(surveys[1].seen, requirement, progress)
    progress(note("stage.laying-over"), None)
    reliefs = _smoothed(surveys, requirement.limit)
    shapes = [shape_of(r, s.wall) for r, s in zip(reliefs, surveys, strict=True)]
    alignment, assumed = aligned(surveys, reliefs, options)
    both = together(*reliefs, alignment)
    difference, reference = _change(both, surveys, alignment, options)
    found = _followed(surveys, shapes, both, difference, options)
    found |= judged(surveys[0].seen, difference, both, options, finish, progress)
    if options.finish is not None:
        found |= {"verdict": checked.verdict, "tolerance": checked.tolerance}
    if finish.stage == _DISPUTE:
        found["other"] = check_seen(surveys[0].seen, requirement, progress)
    earlier_notes = tuple(note("jobs.earlier", what=what) for what in surveys[0].seen.notes)
    questions = questions_of(surveys, both, difference, reference, options)
    # of an unchanged wall nothing was hacked off
    of_change = (said for said in difference.notes if not (options.same_surface and said.code == "compare.thinner"))
    notes = (*(one.said for one in questions), *checked.notes, *assumed, *of_change, *earlier_notes)
    return replace(checked, notes=notes, settings=(*checked.settings, *_settings(hows, asked, finish))).extended(
        Change,
        earlier=surveys[0].seen,
        difference=difference,
        following=following(both),
        gaps=checked.gaps,
        method=checked.method,
        hand=checked.hand,
        quoted=options.quoted,
        used=options.used,
        questions=questions,
        not_judged=not_judged(difference, reference, options),
        reference=reference,
        **found,
    )


def _settings(hows: tuple[Capturing, Capturing], options: Comparing, finish: Finishing) -> tuple[Setting, ...]:
    """What is not as by default beside how the later capture was read and tested."""
    background = () if options.background is None else changed(options.background, prefix="background_")
    alone = replace(options, background=None, finish=None)
    # the cover that commands ask for where nobody names one is no choice of somebody's
    usual = Comparing(least=None if options.least is None else USUAL_COVER)
    found = (
        *changed(hows[0], hows[1], "earlier_"),
        *changed(alone, usual),
        *background,
        *changed(finish),
    )
    # cover and rates belong to both
    return tuple({one.name: one for one in found}.values())


def _at_one_cell(
    captures: tuple[Capture, Capture], hows: tuple[Capturing, Capturing], progress: Progress
) -> tuple[Surveyed, Surveyed]:
    """Both surveys on cells of one size: the finer is measured again on the coarser's, and that is said."""
    surveys = [take(source, how, progress) for source, how in zip(captures, hows, strict=True)]
    levels = len(surveys[0].wall.parts) == len(surveys[1].wall.parts)
    if not levels:
        # a coat that ends beside what was left bare is a change of one wall, no wall of another part
        hows = replace(hows[0], part=""), replace(hows[1], part="")
        surveys = [take(source, how, progress, levels=False) for source, how in zip(captures, hows, strict=True)]
    sizes = [survey.seen.relief.step for survey in surveys]
    if all(sizes) and sizes[0] != sizes[1]:
        finer = int(np.argmin(sizes))
        coarse = max(sizes)
        coarser = take(captures[finer], replace(hows[finer], cell=coarse), progress, levels=levels)
        said = note("jobs.coarser-later" if finer else "jobs.coarser-earlier", cell=metres(coarse))
        surveys[finer] = replace(coarser, seen=replace(coarser.seen, notes=(*coarser.seen.notes, said)))
    return surveys[0], surveys[1]


def _smoothed(surveys: tuple[Surveyed, Surveyed], limit: float) -> tuple[Relief, Relief]:
    """Both reliefs through one window, so that their difference is not one of smoothing.

    What has come to stand on the wall between two surveys is what they are compared for: only what somebody said is
    not wall is left out.
    """
    first, second = (survey.seen.relief.leaving_out(_not_wall(survey.seen)) for survey in surveys)
    if not (first.known_between and second.known_between):
        return first, second
    window = max(choose_window(first, limit), choose_window(second, limit))
    return smooth(first, window), smooth(second, window)


def _not_wall(seen: Seen) -> frozenset[int]:
    return frozenset(one.number for one in seen.wall.objects if one.chosen and one.state == "removed")


def _change(
    both: Both, surveys: tuple[Surveyed, Surveyed], alignment: Alignment, options: Comparing
) -> tuple[Difference, Reference | None]:
    """The change, its set-up taken out over the reference, or over the whole wall where nothing else fixes it."""
    commons = commons_of(surveys)
    across, upward = both.base.places
    support: Mask = np.ones(across.shape, bool)
    if options.reference:
        support = np.zeros(across.shape, bool)
        for x0, y0, x1, y1 in options.reference:
            support |= (across >= x0) & (across <= x1) & (upward >= y0) & (upward <= y1)
    elif alignment.fixes_out and not options.same_surface:
        return change_by(both, commons, alignment), None
    leveled = level(both, commons, support, u_lean=u_plumb(surveys))
    reference = reference_of(surveys, both, leveled, options.reference, support) if options.reference else None
    if options.same_surface or options.reference:
        # a turn that the reference is too narrow to carry leaves the thickness open
        unknown = ("out", *leveled.undetermined) if leveled.undetermined else ()
        notes = (*alignment.notes, *_reference_notes(leveled, reference))
        how = note("jobs.leveled-on-reference" if options.reference else "jobs.leveled-on-whole", how=alignment.how)
        alignment = replace(alignment, how=how, undetermined=unknown, notes=notes)
    apart = None if reference is None else reference.support
    return change_leveled(both, commons, alignment, leveled, apart), reference


def _reference_notes(leveled: Leveled, reference: Reference | None) -> tuple[Note, ...]:
    """What the reference leaves open, and that a small part of it changed after all."""
    said = []
    if leveled.undetermined:
        said.append(note("jobs.reference-too-small", what=leveled.undetermined))
    if reference is not None and reference.differing > 0:
        most = metres(abs(reference.worst.value), reference.worst.u)
        said.append(note("jobs.reference-partly", reference.at, most=most))
    return tuple(said)


def _followed(
    surveys: tuple[Surveyed, Surveyed], shapes: list[Shape], both: Both, change: Difference, options: Comparing
) -> dict[str, Any]:
    """What was asked for beside the change: agreement of two parties, or places under the least cover."""
    found: dict[str, Any] = {}
    if options.same_surface:
        found["agreement"] = agreement(surveys, shapes, both, change)
    if options.least is not None and change.mean is not None and not options.same_surface:
        found["least"] = options.least
        found["thin"] = thin_places(change, options.least)
        found["under"] = under_least(change, options.least)
    return found


def agreement(surveys: tuple[Surveyed, Surveyed], shapes: list[Shape], both: Both, change: Difference) -> Agreement:
    """Whether two surveys of one surface agree, place by place and in their lean."""
    found = scores(both, change.change, claimed(both, commons_of(surveys), change.u))
    difference, u = found.on_cells(found.difference), found.on_cells(found.u)
    beyond = np.nan_to_num(found.on_cells(found.beyond.astype(float))) > 0
    differ = (
        *parts(change.relief, difference, u, beyond & (difference > 0), "added"),
        *parts(change.relief, difference, u, beyond & (difference < 0), "removed"),
    )
    leans = [
        Quantity(shape.lean, root_sum_square(shape.u_lean, survey.wall.plumb.u_lean))
        for shape, survey in zip(shapes, surveys, strict=True)
    ]
    lean = leans[1] - leans[0]
    return Agreement(
        scores=found,
        differ=tuple(sorted(differ, key=lambda place: (-abs(place.volume), place.x, place.y))),
        lean=lean,
        lean_agrees=None if lean.u is None else abs(lean.value) <= COVER * lean.u,
        correlation=following(both).correlation,
    )
