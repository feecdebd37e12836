"""One wall surveyed twice: the order of the stages from two captures to what changed between them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan import capture, compare, relief
from flatscan.columns import read_columns
from flatscan.compare import Alignment, Both, Change
from flatscan.errors import BadValue, MixedSurveys, WallNotFound
from flatscan.geometry import Array, Mask
from flatscan.model import Cloud, CommonError, Relief, Wall
from flatscan.planes import Shape, shape_of
from flatscan.quantity import Quantity, root_sum_square
from flatscan.survey import judging
from flatscan.survey.checking import check_seen
from flatscan.survey.comparison import Agreement, Comparing, Comparison
from flatscan.survey.findings import Findings, Seen
from flatscan.survey.seeing import find_room, see, seen_in
from flatscan.survey.settings import STATIONS_TYPE, Capturing, Finishing, Progress, Testing, silent
from flatscan.wall import Room

_FACING = 0.35
_POINTS = ("earlier_x", "earlier_y", "earlier_z", "later_x", "later_y", "later_z")


@dataclass(frozen=True, eq=False)
class _Survey:
    """One capture seen, with what its file's coordinates had subtracted and the room it found (None: readings)."""

    seen: Seen
    shift: Array
    room: Room | None

    @property
    def wall(self) -> Wall:
        """The wall compared."""
        return self.seen.wall


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
    alignment, notes = _aligned(surveys, reliefs, options)
    both = compare.together(*reliefs, alignment)
    change = _change(both, surveys, alignment, options)
    made = _comparison(surveys, shapes, both, change, options)
    made = judging.judged(made, surveys[0].seen, both, options, finish or Finishing(), progress)
    notes = (*notes, *change.notes, *_agreement_notes(made))
    earlier_notes = tuple(f"earlier survey: {note}" for note in surveys[0].seen.notes)
    return replace(
        found, command="compare", compared=made, warnings=(*found.warnings, *notes, *earlier_notes)
    )  # fmt: skip


def take(path: str | Path, how: Capturing, progress: Progress = silent) -> _Survey:
    """A capture read and its wall seen, with its place in the file."""
    progress("reading", None)
    taken = capture.read(path, file_unit=how.file_unit, reading_u=how.reading_u)
    if not isinstance(taken, Cloud):
        # options for a scan stand for both captures where the other is one; readings have their own type and places
        how = replace(how, capture_type=STATIONS_TYPE, cell=None, tie=None, repeat=())
        return _Survey(seen_in(taken, how, progress), np.zeros(3), None)
    room = find_room(taken, how, progress)
    seen = see(path, how, progress) if how.repeat or how.tie is not None else seen_in(taken, how, progress, room)
    return _Survey(seen, taken.shift, room)


def _at_one_cell(
    paths: tuple[str | Path, str | Path], hows: tuple[Capturing, Capturing], progress: Progress
) -> tuple[_Survey, _Survey]:
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


def _smoothed(surveys: tuple[_Survey, _Survey], limit: float) -> tuple[Relief, Relief]:
    """Both reliefs through one window, so that their difference is not one of smoothing."""
    first, second = (survey.seen.relief for survey in surveys)
    if first.cell is None or second.cell is None:
        return first, second
    window = max(relief.choose_window(first, limit), relief.choose_window(second, limit))
    return relief.smooth(first, window), relief.smooth(second, window)


def _aligned(
    surveys: tuple[_Survey, _Survey], reliefs: tuple[Relief, Relief], options: Comparing
) -> tuple[Alignment, tuple[str, ...]]:
    """By what the user names; else by a coordinate system both plainly share; else by outline and openings."""
    walls = surveys[0].wall, surveys[1].wall
    shifts = surveys[0].shift, surveys[1].shift
    if options.points is not None:
        first, second = _fixed_points(options.points)
        return compare.by_points(*walls, first, second, shifts, u=options.points_u), ()
    if options.reference_walls:
        return _by_walls(surveys, options.reference_walls), ()
    clouds = all(survey.room is not None for survey in surveys)
    if options.same_frame:
        return _one_frame(walls, shifts, options.align_u), ()
    if clouds and compare.lie_together(*walls, shifts):
        assumed = () if options.reference or options.same_surface else (
            "both files place the wall alike, so one coordinate system was assumed for both: if they were not "
            "registered to each other, tie them with --reference, --reference-wall or --points",
        )  # fmt: skip
        made = compare.same_frame(*walls, shifts, u=options.align_u)
    else:
        assumed, made = (), compare.by_outline(*walls)
    if not options.same_surface:
        return made, assumed
    fit = compare.shape_fit(reliefs[0], _moved(reliefs[1], made))
    return _refined(made, fit), assumed


def _one_frame(walls: tuple[Wall, Wall], shifts: tuple[Array, Array], u: float) -> Alignment:
    made = compare.same_frame(*walls, shifts, u=u)
    middle = made.apply(np.array([[walls[1].width / 2, walls[1].height / 2, 0.0]]))[0]
    angle = float(np.degrees(np.arccos(np.clip(made.turn[2, 2], -1, 1))))
    if abs(middle[2]) > 0.3 or angle > 5:
        raise MixedSurveys(
            "--same-frame", f"the walls lie {abs(middle[2]) * 1000:.0f} mm apart and turned by {angle:.1f} degrees",
            needed="one wall in one coordinate system: within 300 mm and 5 degrees",
            remedy="Choose the wall with --earlier-wall and --later-wall, or tie the surveys another way",
        )  # fmt: skip
    return made


def _moved(later: Relief, alignment: Alignment) -> Relief:
    """The later relief with the alignment's shift in the wall's plane, for the shape to refine."""
    return replace(later, x=later.x + alignment.shift[0], y=later.y + alignment.shift[1])


def _refined(made: Alignment, fit: compare.ShapeFit) -> Alignment:
    shift = made.shift + np.array([*fit.shift, 0.0])
    if len(fit.undetermined) == 2:
        note = "the wall's own shape fixes no direction in its plane: the outline alone does"
        return replace(made, notes=(*made.notes, note))
    u = float(np.linalg.norm(np.where(np.isfinite(fit.u), fit.u, made.u_place)))
    notes = tuple(
        f"the wall's own shape does not fix the direction {name}: the outline alone does" for name in fit.undetermined
    )
    return replace(
        made, shift=shift, u_place=min(u, made.u_place), how=f"{made.how}, then the wall's own shape",
        notes=(*made.notes, *notes),
    )  # fmt: skip


def _fixed_points(path: str) -> tuple[Array, Array]:
    rows = read_columns(path, lengths=_POINTS)
    table = np.array([[row.lengths[name] for name in _POINTS] for row in rows])
    return table[:, :3], table[:, 3:]


def _by_walls(surveys: tuple[_Survey, _Survey], numbers: tuple[int, ...]) -> Alignment:
    """The named walls of the earlier room, and those of the later that stand in their place."""
    first, second = surveys
    if first.room is None or second.room is None:
        raise BadValue(
            "--reference-wall", "a survey without a room", needed="two clouds that hold the other walls too",
            remedy="Use --reference or --points",
        )  # fmt: skip
    known = {wall.number: wall for wall in first.room.walls}
    pairs = []
    for number in numbers:
        if number not in known or number == first.wall.number:
            raise WallNotFound(
                "--reference-wall", f"number {number}", needed=f"another wall of {sorted(known)}",
                remedy="List the walls of the earlier capture with flatscan survey --list",
            )  # fmt: skip
        pairs.append((known[number], _partner(first.wall, second, known[number])))
    kinds = [survey.seen.relief.common for survey in surveys]
    u_wall = math.hypot(*(common.u_offset for common in kinds))
    u_lean = root_sum_square(first.wall.plumb.u_lean, second.wall.plumb.u_lean)
    return compare.by_reference_walls(first.wall, second.wall, tuple(pairs), u_wall, u_lean)


def _partner(wall: Wall, second: _Survey, other: Wall) -> Wall:
    """The later room's wall that stands to its compared wall as ``other`` stands to ``wall``."""
    assert second.room is not None
    sought = _stands(wall, other)
    best = min(
        (w for w in second.room.walls if w.number != second.wall.number),
        key=lambda w: float(np.linalg.norm(_stands(second.wall, w) - sought)), default=None,
    )  # fmt: skip
    apart = np.inf if best is None else float(np.linalg.norm(_stands(second.wall, best) - sought))
    if best is None or apart > _FACING:
        raise MixedSurveys(
            "--reference-wall", f"no wall of the later capture stands where wall {other.number} does "
            f"({'none found' if best is None else f'the nearest is {apart:.2f} off'})",
            needed="the same other wall in both captures", remedy="Choose another reference",
        )  # fmt: skip
    return best


def _stands(wall: Wall, other: Wall) -> Array:
    """Direction another wall faces and how far off it stands [m], in the (along, out) axes of a wall."""
    frame = wall.frame
    normal = np.array([other.frame.out @ frame.along, other.frame.out @ frame.out])
    off = other.frame.out @ (other.frame.at - frame.at)
    return np.array([*normal, float(off)])


def _change(
    both: Both, surveys: tuple[_Survey, _Survey], alignment: Alignment, options: Comparing
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
    surveys: tuple[_Survey, _Survey], shapes: list[Shape], both: Both, change: Change, options: Comparing
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
    surveys: tuple[_Survey, _Survey], shapes: list[Shape], both: Both, change: Change
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
