"""One wall surveyed twice: the order of the stages from two captures to what changed between them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from flatscan import compare, relief
from flatscan.compare import Alignment, Both, Difference
from flatscan.core.geometry import Mask
from flatscan.core.model import CommonError, Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres, root_sum_square, share
from flatscan.jobs.checking import check_seen
from flatscan.jobs.judging import judged
from flatscan.jobs.results import Agreement, Change
from flatscan.jobs.settings import Capturing, Comparing, Finishing, Progress, Requirement, silent
from flatscan.jobs.tying import Surveyed, aligned, take
from flatscan.relief.shape import Shape, shape_of


def compare_surveys(
    earlier: str | Path, later: str | Path, hows: tuple[Capturing, Capturing], options: Comparing,
    finish: Finishing | None = None, progress: Progress = silent,
) -> Change:  # fmt: skip
    """What changed on a wall between two captures of it; what was seen is the later one.

    ``hows`` are for the earlier and the later capture. Raises `MixedSurveys` where they show different walls or
    overlap too little, and all errors of reading and finding.
    """
    surveys = _at_one_cell((earlier, later), hows, progress)
    requirement = options.finish or Requirement()
    checked = check_seen(surveys[1].seen, requirement, progress)
    progress("laying the surveys over each other", None)
    reliefs = _smoothed(surveys, requirement.limit)
    shapes = [shape_of(r, s.wall) for r, s in zip(reliefs, surveys, strict=True)]
    alignment, notes = aligned(surveys, reliefs, options)
    both = compare.together(*reliefs, alignment)
    difference = _change(both, surveys, alignment, options)
    same = surveys[0].seen.origin.sha256 == surveys[1].seen.origin.sha256
    twice = (note("jobs.same-file"),) if same else ()
    found = _followed(surveys, shapes, both, difference, options)
    found |= judged(surveys[0].seen, difference, both, options, finish or Finishing(), progress)
    if options.finish is not None:
        found |= {"verdict": checked.verdict, "tolerance": checked.tolerance}
    earlier_notes = tuple(note("jobs.earlier", what=what) for what in surveys[0].seen.notes)
    notes = (
        *checked.notes,
        *twice,
        *notes,
        *difference.notes,
        *_agreement_notes(found.get("agreement")),
        *earlier_notes,
    )
    return replace(checked, notes=notes).extended(
        Change,
        earlier=surveys[0].seen,
        difference=difference,
        following=compare.following(both),
        gaps=checked.gaps,
        method=checked.method,
        hand=checked.hand,
        quoted=options.quoted,
        used=options.used,
        **found,
    )


def _at_one_cell(
    paths: tuple[str | Path, str | Path], hows: tuple[Capturing, Capturing], progress: Progress
) -> tuple[Surveyed, Surveyed]:
    """Both surveys on cells of one size: the finer is measured again on the coarser's, and that is said."""
    made = [take(path, how, progress) for path, how in zip(paths, hows, strict=True)]
    sizes = [survey.seen.relief.step for survey in made]
    if all(sizes) and sizes[0] != sizes[1]:
        finer = int(np.argmin(sizes))
        coarse = max(sizes)
        again = take(paths[finer], replace(hows[finer], cell=coarse), progress)
        said = note("jobs.coarser-later" if finer else "jobs.coarser-earlier", cell=metres(coarse))
        made[finer] = replace(again, seen=replace(again.seen, notes=(*again.seen.notes, said)))
    return made[0], made[1]


def _smoothed(surveys: tuple[Surveyed, Surveyed], limit: float) -> tuple[Relief, Relief]:
    """Both reliefs through one window, so that their difference is not one of smoothing."""
    first, second = (survey.seen.relief for survey in surveys)
    if not (first.known_between and second.known_between):
        return first, second
    window = max(relief.choose_window(first, limit), relief.choose_window(second, limit))
    return relief.smooth(first, window), relief.smooth(second, window)


def _change(
    both: Both, surveys: tuple[Surveyed, Surveyed], alignment: Alignment, options: Comparing
) -> Difference:  # fmt: skip
    """The change, its set-up taken out over the reference, or over the whole wall where nothing else fixes it."""
    commons: tuple[CommonError, CommonError] = (surveys[0].seen.relief.common, surveys[1].seen.relief.common)
    across, upward = both.base.places
    support: Mask = np.ones(across.shape, bool)
    if options.reference:
        support = np.zeros(across.shape, bool)
        for x0, y0, x1, y1 in options.reference:
            support |= (across >= x0) & (across <= x1) & (upward >= y0) & (upward <= y1)
    elif alignment.fixes_out and not options.same_surface:
        return compare.change_by(both, commons, alignment)
    u_lean = root_sum_square(surveys[0].wall.plumb.u_lean, surveys[1].wall.plumb.u_lean)
    leveled = compare.level(both, commons, support, u_lean=u_lean)
    if options.same_surface or options.reference:
        # a turn that the reference is too narrow to carry leaves the thickness open
        unknown = ("out", *leveled.undetermined) if leveled.undetermined else ()
        notes = (*alignment.notes, *_reference_notes(leveled, options))
        how = note("jobs.leveled-on-whole" if options.same_surface else "jobs.leveled-on-reference", how=alignment.how)
        alignment = replace(alignment, how=how, undetermined=unknown, notes=notes)
    return compare.change_leveled(both, commons, alignment, leveled)


def _reference_notes(leveled: compare.Leveled, options: Comparing) -> tuple[Note | str, ...]:
    """What the reference leaves open, and whether part of it seems to have changed."""
    said = []
    if leveled.undetermined:
        said.append(note("jobs.reference-too-small", what=leveled.undetermined))
    if options.reference and leveled.share < 0.8:
        said.append(note("jobs.reference-worked-on", share=share(leveled.share)))
    return tuple(said)


def _followed(
    surveys: tuple[Surveyed, Surveyed], shapes: list[Shape], both: Both, change: Difference, options: Comparing
) -> dict[str, Any]:
    """What was asked for beside the change: agreement of two parties, or places under the least cover."""
    found: dict[str, Any] = {}
    if options.same_surface:
        found["agreement"] = _agreement(surveys, shapes, both, change)
    if options.least is not None and change.mean is not None and not options.same_surface:
        found["least"] = options.least
        found["thin"] = compare.thin_places(change, options.least)
        found["under"] = compare.under_least(change, options.least)
    return found


def _agreement(
    surveys: tuple[Surveyed, Surveyed], shapes: list[Shape], both: Both, change: Difference
) -> Agreement:  # fmt: skip
    beyond, factor = compare.beyond_joint(change)
    area = change.relief.area
    share = float(area[beyond].sum()) / change.compared_area
    differ = tuple(place for place in change.places if abs(place.value) > factor * place.u)
    leans = [
        Quantity(shape.lean, root_sum_square(shape.u_lean, survey.wall.plumb.u_lean))
        for shape, survey in zip(shapes, surveys, strict=True)
    ]
    lean = leans[1] - leans[0]
    return Agreement(
        agree=not beyond.any(), differ=differ, share=share, factor=factor, lean=lean,
        lean_agrees=None if lean.u is None else abs(lean.value) <= compare.K_DETECT * lean.u,
        correlation=compare.following(both).correlation,
    )  # fmt: skip


def _agreement_notes(agreement: Agreement | None) -> tuple[Note | str, ...]:
    if agreement is None or agreement.correlation is None or agreement.correlation > 0.3:
        return ()
    return (note("jobs.little-in-common", correlation=share(agreement.correlation)),)
