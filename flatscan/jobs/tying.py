"""How two captures of one wall are taken and tied together: by what the user names, else by what both plainly share."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from flatscan.compare import (
    Alignment,
    ShapeFit,
    by_outline,
    by_points,
    by_reference_walls,
    lie_together,
    same_frame,
    shape_fit,
)
from flatscan.core.errors import BadValue, MixedSurveys, WallNotFound
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, metres, root_sum_square
from flatscan.core.table import Column, read_table
from flatscan.jobs.results import Seen
from flatscan.jobs.seeing import Capture, find_room, read, see, seen_in
from flatscan.jobs.settings import STATIONS_TYPE, Capturing, Comparing, Progress, silent
from flatscan.wall import Room

_FACING = 0.35
_POINTS = tuple(Column(f"{survey}_{axis}") for survey in ("earlier", "later") for axis in "xyz")


@dataclass(frozen=True, eq=False)
class Surveyed:
    """One capture seen, with what its file's coordinates had subtracted and the room it found (None: readings)."""

    seen: Seen
    shift: Array
    room: Room | None

    @property
    def wall(self) -> Wall:
        """The wall compared."""
        return self.seen.wall


def take(source: Capture, how: Capturing, progress: Progress = silent, *, levels: bool = True) -> Surveyed:
    """A capture read and its wall seen, with its place in the file; without ``levels`` the wall is whole."""
    taken = read(source, how, progress)
    if not isinstance(taken, Cloud):
        # options for a scan stand for both captures where the other is one; readings have their own type and places
        how = replace(how, capture_type=STATIONS_TYPE, cell=None, tie=None, repeat=())
        return Surveyed(seen_in(taken, how, progress), np.zeros(3), None)
    room = find_room(taken, how, progress, levels=levels)
    seen = see(source, how, progress, taken=taken, room=room)
    return Surveyed(seen, taken.shift, room)


def aligned(
    surveys: tuple[Surveyed, Surveyed], reliefs: tuple[Relief, Relief], options: Comparing
) -> tuple[Alignment, tuple[Note, ...]]:
    """By what the user names; else by a coordinate system both plainly share; else by outline and openings."""
    walls = surveys[0].wall, surveys[1].wall
    shifts = surveys[0].shift, surveys[1].shift
    if options.points is not None:
        _refuse_mixed(surveys, "{set:points}")
        first, second, doubts = _fixed_points(options.points)
        return by_points(*walls, first, second, shifts, u=options.points_u), doubts
    if options.reference_walls:
        return _by_walls(surveys, options.reference_walls), ()
    clouds = all(survey.room is not None for survey in surveys)
    if options.same_frame:
        _refuse_mixed(surveys, "{set:same_frame}")
        return _one_frame(walls, shifts, options.align_u), ()
    if clouds and lie_together(*walls, shifts):
        assumed = () if options.reference or options.same_surface else (note("jobs.one-frame-assumed"),)
        tied = same_frame(*walls, shifts, u=options.align_u)
    else:
        assumed, tied = (), by_outline(*walls)
    if not options.same_surface:
        return tied, assumed
    fit = shape_fit(reliefs[0], _moved(reliefs[1], tied))
    return _refined(tied, fit), assumed


def _refuse_mixed(surveys: tuple[Surveyed, Surveyed], option: str) -> None:
    """Readings lie in no file's coordinates: they cannot share a scan's."""
    if (surveys[0].room is None) != (surveys[1].room is None):
        raise BadValue(
            option,
            "given for a scan and a table of readings",
            needed="two scans, or two tables of readings",
            remedy="Tie them with {set:reference}",
        )


def _one_frame(walls: tuple[Wall, Wall], shifts: tuple[Array, Array], u: float) -> Alignment:
    tied = same_frame(*walls, shifts, u=u)
    middle = tied.apply(np.array([[walls[1].width / 2, walls[1].height / 2, 0.0]]))[0]
    angle = float(np.degrees(np.arccos(np.clip(tied.turn[2, 2], -1, 1))))
    if abs(middle[2]) > 0.3 or angle > 5:
        raise MixedSurveys(
            "{set:same_frame}",
            "the walls lie {apart:length} apart and turned by {angle:angle.1}",
            needed="one wall with shared coordinates: within {most:length} and {most_angle:angle}",
            remedy="Choose the wall with {set:earlier_wall} and {set:later_wall}, or tie the surveys another way",
            apart=metres(abs(middle[2])),
            angle=degrees(angle),
            most=metres(0.3),
            most_angle=degrees(5.0),
        )
    return tied


def _moved(later: Relief, alignment: Alignment) -> Relief:
    """The later relief with the alignment's shift in the wall's plane, for the shape to refine."""
    return replace(later, x=later.x + alignment.shift[0], y=later.y + alignment.shift[1])


def _refined(tied: Alignment, fit: ShapeFit) -> Alignment:
    shift = tied.shift + np.array([*fit.shift, 0.0])
    if len(fit.undetermined) == 2:
        return replace(tied, notes=(*tied.notes, note("jobs.shape-fixes-nothing")))
    u = float(np.linalg.norm(np.where(np.isfinite(fit.u), fit.u, tied.u_place)))
    notes = tuple(note("jobs.shape-leaves-open", direction=name) for name in fit.undetermined)
    how = note("jobs.then-shape", how=tied.how)
    return replace(tied, shift=shift, u_place=min(u, tied.u_place), how=how, notes=(*tied.notes, *notes))


def _fixed_points(path: str) -> tuple[Array, Array, tuple[Note, ...]]:
    """Places (n, 3) [m] in the files of the earlier and the later survey, and doubts about how they were read."""
    table = read_table(path, _POINTS)
    places = np.array([[row.numbers[column.name] for column in _POINTS] for row in table.rows])
    return places[:, :3], places[:, 3:], table.notes


def _by_walls(surveys: tuple[Surveyed, Surveyed], numbers: tuple[int, ...]) -> Alignment:
    """The named walls of the earlier room, and those of the later that stand in their place."""
    first, second = surveys
    if first.room is None or second.room is None:
        raise BadValue(
            "{set:reference_wall}",
            "a survey without a room",
            needed="two clouds that hold the other walls too",
            remedy="Use {set:reference} or {set:points}",
        )
    known = {wall.number: wall for wall in reversed(first.room.walls)}
    pairs = []
    for number in numbers:
        if number not in known or number == first.wall.number:
            raise WallNotFound(
                "{set:reference_wall}",
                "number {number:count}",
                needed="another wall of {known:count}",
                remedy="List the walls of the earlier capture with {run:survey --list}",
                number=number,
                known=tuple(sorted(known)),
            )
        pairs.append((known[number], _partner(first.wall, second, known[number])))
    kinds = [survey.seen.relief.common for survey in surveys]
    u_wall = math.hypot(*(common.u_offset for common in kinds))
    u_lean = root_sum_square(first.wall.plumb.u_lean, second.wall.plumb.u_lean)
    return by_reference_walls(first.wall, second.wall, tuple(pairs), u_wall, u_lean)


def _partner(wall: Wall, second: Surveyed, other: Wall) -> Wall:
    """The later room's wall that stands to its compared wall as ``other`` stands to ``wall``."""
    assert second.room is not None
    sought = _stands(wall, other)
    others = [wall for wall in second.room.walls if wall.number != second.wall.number]
    away = [float(np.linalg.norm(_stands(second.wall, wall) - sought)) for wall in others]
    apart = min(away, default=np.inf)
    best = others[away.index(apart)] if others else None
    if best is None or apart > _FACING:
        raise MixedSurveys(
            "{set:reference_wall}",
            "no wall of the later capture stands where wall {number:count} does",
            needed="the same other wall in both captures",
            remedy="Choose another reference",
            number=other.number,
        )
    return best


def _stands(wall: Wall, other: Wall) -> Array:
    """Direction another wall faces and how far off it stands [m], in the (along, out) axes of a wall."""
    frame = wall.frame
    normal = np.array([other.frame.out @ frame.along, other.frame.out @ frame.out])
    off = other.frame.out @ (other.frame.at - frame.at)
    return np.array([*normal, float(off)])
