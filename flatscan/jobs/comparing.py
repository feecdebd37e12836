"""One wall surveyed twice: from two captures to what changed between them, and what was put on beyond the price."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from flatscan.compare import (
    Alignment,
    Both,
    Difference,
    Leveled,
    beyond_joint,
    change_by,
    change_leveled,
    following,
    level,
    thin_places,
    together,
    under_least,
)
from flatscan.core.geometry import Mask
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import COVER, Quantity, cubic_metres, metres, root_sum_square, share
from flatscan.core.warp import CommonError
from flatscan.jobs.changed import changed
from flatscan.jobs.checking import check_looked, check_seen, sweeps_of
from flatscan.jobs.compared import Agreement, Extra
from flatscan.jobs.extra_over import beyond
from flatscan.jobs.results import Background, Change, Check, Seen, Setting, Survey, Variation
from flatscan.jobs.seeing import Capture, look
from flatscan.jobs.settings import (
    USUAL_COVER,
    Capturing,
    Comparing,
    Finishing,
    Progress,
    Requirement,
    silent,
)
from flatscan.jobs.surveying import planned
from flatscan.jobs.tying import Surveyed, aligned, take
from flatscan.plan.rates import Rates, load_rates
from flatscan.relief import choose_window, smooth
from flatscan.relief.shape import Shape, shape_of
from flatscan.straightedge.balanced import gaps_beside


def compare_surveys(
    earlier: Capture,
    later: Capture,
    hows: tuple[Capturing, Capturing],
    options: Comparing,
    finish: Finishing | None = None,
    progress: Progress = silent,
) -> Change:
    """What changed on a wall between two captures of it; what was seen is the later one.

    ``hows`` are for the earlier and the later capture. Raises `MixedSurveys` where they show different walls or
    overlap too little, and all errors of reading and finding.
    """
    surveys = _at_one_cell((earlier, later), hows, progress)
    requirement = options.finish or Requirement()
    checked = check_seen(surveys[1].seen, requirement, progress)
    progress(note("stage.laying-over"), None)
    reliefs = _smoothed(surveys, requirement.limit)
    shapes = [shape_of(r, s.wall) for r, s in zip(reliefs, surveys, strict=True)]
    alignment, assumed = aligned(surveys, reliefs, options)
    both = together(*reliefs, alignment)
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
        *assumed,
        *difference.notes,
        *_agreement_notes(found.get("agreement")),
        *earlier_notes,
    )
    return replace(checked, notes=notes, settings=(*checked.settings, *_settings(hows, options, finish))).extended(
        Change,
        earlier=surveys[0].seen,
        difference=difference,
        following=following(both),
        gaps=checked.gaps,
        method=checked.method,
        hand=checked.hand,
        quoted=options.quoted,
        used=options.used,
        **found,
    )


def _settings(hows: tuple[Capturing, Capturing], options: Comparing, finish: Finishing | None) -> tuple[Setting, ...]:
    """What is not as by default beside how the later capture was read and tested."""
    background = () if options.background is None else changed(options.background, prefix="background_")
    alone = replace(options, background=None, finish=None)
    # the cover that commands ask for where nobody names one is no choice of somebody's
    usual = Comparing(least=None if options.least is None else USUAL_COVER)
    found = (
        *changed(hows[0], hows[1], "earlier_"),
        *changed(alone, usual),
        *background,
        *changed(finish or Finishing()),
    )
    # cover and rates belong to both
    return tuple({one.name: one for one in found}.values())


def _at_one_cell(
    captures: tuple[Capture, Capture], hows: tuple[Capturing, Capturing], progress: Progress
) -> tuple[Surveyed, Surveyed]:
    """Both surveys on cells of one size: the finer is measured again on the coarser's, and that is said."""
    surveys = [take(source, how, progress) for source, how in zip(captures, hows, strict=True)]
    sizes = [survey.seen.relief.step for survey in surveys]
    if all(sizes) and sizes[0] != sizes[1]:
        finer = int(np.argmin(sizes))
        coarse = max(sizes)
        coarser = take(captures[finer], replace(hows[finer], cell=coarse), progress)
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


def _change(both: Both, surveys: tuple[Surveyed, Surveyed], alignment: Alignment, options: Comparing) -> Difference:
    """The change, its set-up taken out over the reference, or over the whole wall where nothing else fixes it."""
    commons: tuple[CommonError, CommonError] = (surveys[0].seen.relief.common, surveys[1].seen.relief.common)
    across, upward = both.base.places
    support: Mask = np.ones(across.shape, bool)
    if options.reference:
        support = np.zeros(across.shape, bool)
        for x0, y0, x1, y1 in options.reference:
            support |= (across >= x0) & (across <= x1) & (upward >= y0) & (upward <= y1)
    elif alignment.fixes_out and not options.same_surface:
        return change_by(both, commons, alignment)
    u_lean = root_sum_square(surveys[0].wall.plumb.u_lean, surveys[1].wall.plumb.u_lean)
    leveled = level(both, commons, support, u_lean=u_lean)
    if options.same_surface or options.reference:
        # a turn that the reference is too narrow to carry leaves the thickness open
        unknown = ("out", *leveled.undetermined) if leveled.undetermined else ()
        notes = (*alignment.notes, *_reference_notes(leveled, options))
        how = note("jobs.leveled-on-whole" if options.same_surface else "jobs.leveled-on-reference", how=alignment.how)
        alignment = replace(alignment, how=how, undetermined=unknown, notes=notes)
    return change_leveled(both, commons, alignment, leveled)


def _reference_notes(leveled: Leveled, options: Comparing) -> tuple[Note, ...]:
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
        found["thin"] = thin_places(change, options.least)
        found["under"] = under_least(change, options.least)
    return found


def _agreement(surveys: tuple[Surveyed, Surveyed], shapes: list[Shape], both: Both, change: Difference) -> Agreement:
    beyond, factor = beyond_joint(change)
    area = change.relief.area
    differing = float(area[beyond].sum()) / change.compared_area
    differ = tuple(place for place in change.places if abs(place.value) > factor * place.u)
    leans = [
        Quantity(shape.lean, root_sum_square(shape.u_lean, survey.wall.plumb.u_lean))
        for shape, survey in zip(shapes, surveys, strict=True)
    ]
    lean = leans[1] - leans[0]
    return Agreement(
        agree=not beyond.any(),
        differ=differ,
        share=differing,
        factor=factor,
        lean=lean,
        lean_agrees=None if lean.u is None else abs(lean.value) <= COVER * lean.u,
        correlation=following(both).correlation,
    )


def _agreement_notes(agreement: Agreement | None) -> tuple[Note, ...]:
    if agreement is None or agreement.correlation is None or agreement.correlation > 0.3:
        return ()
    return (note("jobs.little-in-common", correlation=share(agreement.correlation)),)


def judged(
    earlier: Seen, difference: Difference, both: Both, options: Comparing, finish: Finishing, progress: Progress
) -> dict[str, Any]:
    """Background by its own limit and quantity over the allowance, by their names in a `Change`, where asked for.

    Both are told from one look at the earlier wall and one set of sweeps.
    """
    rates = None if options.rates is None else load_rates(options.rates)
    allowance = options.allowance
    if allowance is None and rates is not None:
        allowance = rates.allowance
    found: dict[str, Any] = {}
    if options.background is None and allowance is None:
        return found
    requirement = options.background or Requirement()
    looked = look(earlier, requirement, progress)
    sweeps = sweeps_of(looked, requirement)
    if options.background is not None:
        found["background"] = background_of(check_looked(looked, sweeps, requirement, progress), requirement)
    if allowance is not None:
        if rates is not None:
            rates = replace(rates, allowance=allowance)
        progress(note("stage.straightedge"), None)
        gaps = gaps_beside(sweeps, requirement.rule, requirement.shown, requirement.directions)
        survey = planned(looked, gaps, finish, progress)
        found["variation"] = variation_of(survey, difference, both, allowance, rates, finish)
    return found


def background_of(found: Check, requirement: Requirement) -> Background:
    """What of the earlier surface, checked against its own limit, is over it."""
    flat = found.verdict.flatness
    limit = requirement.limit if flat is None else flat.limit
    measured = None if flat is None else flat.measured
    excess = None if measured is None else measured.beyond(limit)
    area = found.gaps.area_over(limit, found.relief)
    return Background(replace(found, tolerance=requirement.tolerance), limit, excess, area)


def variation_of(
    survey: Survey, difference: Difference, both: Both, allowance: float, rates: Rates | None, finish: Finishing
) -> Variation:
    """What the earlier wall takes beyond the allowance [m], and what both surveys show as put on over it."""
    return replace(beyond(survey, allowance, rates, finish), applied=_applied(difference, both, allowance))


def _applied(change: Difference, both: Both, allowance: float) -> Extra | None:
    """What both surveys show as put on over the allowance."""
    if change.mean is None:
        return None
    here = np.isfinite(change.change) & both.base.inside
    over = np.maximum(change.change[here] - allowance, 0.0)
    scale = 1 / change.compared_share if change.compared_share > 0 else 1.0
    area = float(both.base.area[here][over > 0].sum()) * scale
    volume = float(over @ both.base.area[here]) * scale
    u = None if change.mean.u is None else change.mean.u * area
    return Extra(cubic_metres(volume, u), area)
