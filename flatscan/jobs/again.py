"""One wall surveyed twice: the order of the stages from two captures to what changed between them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from flatscan import compare, relief
from flatscan.compare import Alignment, Both, Change
from flatscan.core.geometry import Mask
from flatscan.core.model import CommonError, Relief
from flatscan.core.notes import note
from flatscan.core.quantity import Quantity, root_sum_square
from flatscan.jobs import judging
from flatscan.jobs.checking import check_seen
from flatscan.jobs.comparison import Agreement, Comparing, Comparison
from flatscan.jobs.findings import Findings
from flatscan.jobs.settings import Capturing, Finishing, Progress, Testing, silent
from flatscan.jobs.tying import Surveyed, aligned, take
from flatscan.relief.shape import Shape, shape_of


def compare_surveys(
    earlier: str | Path, later: str | Path, hows: tuple[Capturing, Capturing], options: Comparing,
    finish: Finishing | None = None, progress: Progress = silent,
) -> Findings:  # fmt: skip
    """What changed on a wall between two captures of it; the findings are of the later one.

    ``hows`` are for the earlier and the later capture. Raises `MixedSurveys` where they show different walls or
    overlap too little, and all errors of reading and finding.
    """
    surveys = _at_one_cell((earlier, later), hows, progress)
    limit = (options.finish or Testing()).limit
    found = check_seen(surveys[1].seen, options.finish or Testing(), progress)
    if options.finish is None:
        found = replace(found, verdict=None)
    progress("laying the surveys over each other", None)
    reliefs = _smoothed(surveys, limit)
    shapes = [shape_of(r, s.wall) for r, s in zip(reliefs, surveys, strict=True)]
    alignment, notes = aligned(surveys, reliefs, options)
    both = compare.together(*reliefs, alignment)
    change = _change(both, surveys, alignment, options)
    made = _comparison(surveys, shapes, both, change, options)
    made = judging.judged(made, surveys[0].seen, both, options, finish or Finishing(), progress)
    same = surveys[0].seen.origin.sha256 == surveys[1].seen.origin.sha256
    twice = ("both captures are one and the same file",) if same else ()
    notes = (*twice, *notes, *change.notes, *_agreement_notes(made))
    earlier_notes = tuple(note("jobs.earlier-survey", said=said) for said in surveys[0].seen.notes)
    return replace(
        found, command="compare", compared=made, warnings=(*found.warnings, *notes, *earlier_notes)
    )  # fmt: skip


def _at_one_cell(
    paths: tuple[str | Path, str | Path], hows: tuple[Capturing, Capturing], progress: Progress
) -> tuple[Surveyed, Surveyed]:
    """Both surveys on cells of one size: the finer is measured again on the coarser's, and that is said."""
    made = [take(path, how, progress) for path, how in zip(paths, hows, strict=True)]
    sizes = [survey.seen.relief.cell for survey in made]
    if None not in sizes and sizes[0] != sizes[1]:
        finer = int(np.argmin([size or 0.0 for size in sizes]))
        coarse = max(size or 0.0 for size in sizes)
        again = take(paths[finer], replace(hows[finer], cell=coarse), progress)
        note = (
            f"the {('earlier', 'later')[finer]} survey was measured again on cells of {coarse * 1000:g} mm, the other's"
        )
        made[finer] = replace(again, seen=replace(again.seen, notes=(*again.seen.notes, note)))
    return made[0], made[1]


def _smoothed(surveys: tuple[Surveyed, Surveyed], limit: float) -> tuple[Relief, Relief]:
    """Both reliefs through one window, so that their difference is not one of smoothing."""
    first, second = (survey.seen.relief for survey in surveys)
    if first.cell is None or second.cell is None:
        return first, second
    window = max(relief.choose_window(first, limit), relief.choose_window(second, limit))
    return relief.smooth(first, window), relief.smooth(second, window)


def _change(
    both: Both, surveys: tuple[Surveyed, Surveyed], alignment: Alignment, options: Comparing
) -> Change:  # fmt: skip
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
        where = "the whole wall, taken as unchanged" if options.same_surface else "the reference not worked on"
        # a turn that the reference is too narrow to carry leaves the thickness open
        unknown = ("out", *leveled.undetermined) if leveled.undetermined else ()
        notes = (*alignment.notes, *_reference_words(leveled, options))
        alignment = replace(alignment, how=f"{alignment.how}; leveled on {where}", undetermined=unknown, notes=notes)
    return compare.change_leveled(both, commons, alignment, leveled)


def _reference_words(leveled: compare.Leveled, options: Comparing) -> tuple[str, ...]:
    said = []
    if leveled.undetermined:
        said.append(
            f"the reference is too small to fix the {' and the '.join(leveled.undetermined)} of one survey against the "
            "other over the whole wall: give parts at both sides, such as two strips"
        )
    if options.reference and leveled.share < 0.8:
        said.append(
            f"only {leveled.share:.0%} of the reference fits one plane between the surveys: part of it seems worked on"
        )
    return tuple(said)


def _comparison(
    surveys: tuple[Surveyed, Surveyed], shapes: list[Shape], both: Both, change: Change, options: Comparing
) -> Comparison:
    first = surveys[0].seen
    made = Comparison(
        earlier=first.origin, earlier_type=first.capture_type, change=change, quoted=options.quoted, used=options.used,
        following=compare.following(both),
    )  # fmt: skip
    if options.same_surface:
        made = replace(made, agreement=_agreement(surveys, shapes, both, change))
    if options.least is not None and change.mean is not None and not options.same_surface:
        made = replace(
            made, least=options.least, thin=compare.thin_places(change, options.least),
            under=compare.under_least(change, options.least),
        )  # fmt: skip
    return made


def _agreement(
    surveys: tuple[Surveyed, Surveyed], shapes: list[Shape], both: Both, change: Change
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


def _agreement_notes(made: Comparison) -> tuple[str, ...]:
    agreement = made.agreement
    if agreement is None or agreement.correlation is None or agreement.correlation > 0.3:
        return ()
    return (
        f"the two surfaces have little of their shape in common (correlation {agreement.correlation:.2f}): they may be "
        "different walls, or one was seen from the wrong side",
    )
