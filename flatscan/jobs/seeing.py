"""From a capture file to the relief of one wall, smoothed as far as the limit asks for, and its shape."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from flatscan import capture, straightedge
from flatscan import wall as walls
from flatscan.capture.joined import joined
from flatscan.core.errors import BadValue, ReadError, WallNotFound
from flatscan.core.geometry import Array
from flatscan.core.model import PHONE_GRAVITY, Cloud, Readings, Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres, root_sum_square, slope
from flatscan.core.units import METRES_PER
from flatscan.core.warp import CommonError
from flatscan.jobs.changed import changed
from flatscan.jobs.declared import SCANNER, against_declared, declared_type, refuse_sides, stood_before
from flatscan.jobs.joining import put_together, room_of_all
from flatscan.jobs.made_again import with_repeats
from flatscan.jobs.photo_scale import checking_sizes, own_title, with_taped_scale
from flatscan.jobs.results import Looked, Seen
from flatscan.jobs.seeing_stations import read_wall
from flatscan.jobs.settings import STATIONS_TYPE, Capturing, Progress, Requirement, silent
from flatscan.jobs.straight_on import picture_on
from flatscan.plan.dots import Laser
from flatscan.relief import (
    CaptureType,
    Choices,
    Plate,
    bundle_error,
    capture_type,
    choose_window,
    grid,
    smooth,
    tie,
    with_heights,
    with_standing_of,
)
from flatscan.relief.shape import shape_of
from flatscan.relief.stand_off import patches_of
from flatscan.straightedge.gaps import Gaps
from flatscan.verdict import coverage_factor

# what a job begins with: a file or folder, points (n, 3) [m] held in memory, or what was read already
One = str | Path | Array | Cloud | Readings
# or, where the settings say that they are one wall, several of these
Capture = One | Sequence[One]
# uprights nearer than this [m] tell no turn of a laser plane
_LINE_APART = 0.3
# [m]: in steps this long a whole wall lies on one or two of them; what a wall's form asks for
_HIDES, _FINE_ENOUGH = 0.02, 0.001
_NO_SENSOR = 5e-6  # [m]; the best laboratory scanners scatter by some hundredths of a millimetre (common practice)


def see(
    source: Capture | Seen,
    how: Capturing,
    progress: Progress = silent,
    *,
    taken: Cloud | Readings | None = None,
    room: walls.Room | None = None,
) -> Seen:
    """The wall of a capture as a relief; raises the errors of `capture`, `wall` and `relief`.

    ``taken`` is the capture where it has been read, ``room`` its walls where they have been found. A wall already
    seen stays as it is, and settings of how to see it raise `BadValue`.
    """
    if isinstance(source, Seen):
        return _as_seen(source, how)
    seen = seen_in(read(source, how, progress) if taken is None else taken, how, progress, room)
    if how.same_wall and (how.repeat or how.tie is not None):
        raise _not_with_same_wall("repeat" if how.repeat else "tie")
    seen = _repeated(seen, how, progress) if how.repeat else seen
    return tied(seen, how, progress) if how.tie is not None else seen


def _not_with_same_wall(name: str) -> BadValue:
    return BadValue(
        f"{{set:{name}}}",
        "given with {set:same_wall}",
        needed="one of the two",
        remedy=f"Leave {{set:{name}}} out, or give one capture of the whole wall",
    )


def _as_seen(seen: Seen, how: Capturing) -> Seen:
    usual = Capturing()
    for name in (item.name for item in fields(how)):
        if getattr(how, name) != getattr(usual, name):
            raise BadValue(
                f"{{set:{name}}}",
                "given with a wall of {file} already seen",
                needed="a capture",
                remedy="Give it where the wall is seen",
                file=seen.origin.file,
            )
    return seen


def read(source: Capture, how: Capturing, progress: Progress = silent, *, colours: bool = False) -> Cloud | Readings:
    """What a capture holds, as the settings say to read it; one read already stays as it is.

    ``colours`` brings those of its sample along, for pictures.
    """
    if isinstance(source, (Cloud, Readings)):
        return source
    if how.same_wall:
        several = [source] if isinstance(source, (str, os.PathLike, np.ndarray)) else list(source)
        alone = replace(how, same_wall=False)
        return joined([read(one, alone, progress) for one in several])
    progress(note("stage.reading"), None)
    if not isinstance(source, (str, os.PathLike)):
        return capture.from_points(_as_array(source), file_unit=how.file_unit, max_points=how.max_points, crop=how.crop)
    found = capture.read(
        source,
        file_unit=how.file_unit,
        reading_u=how.reading_u,
        max_points=how.max_points,
        crop=how.crop,
        colours=colours,
        told=lambda part: progress(note("stage.frames"), part),
        sized=how.width is not None or how.height is not None,
    )
    return found if isinstance(found, Readings) else with_taped_scale(found, how, find_room)


def _as_array(points: object) -> np.ndarray[Any, Any]:
    """What was given in place of a file as an array, whatever its shape and kind: the reader refuses what is none."""
    try:
        return np.asarray(points)
    except ValueError:
        # rows of different lengths
        return np.asarray(points, object)


def _repeated(seen: Seen, how: Capturing, progress: Progress) -> Seen:
    """The mean of a capture and its repeats, with the common error that their differences show."""
    alike = replace(how, cell=seen.relief.grain)
    return with_repeats(seen, [seen_in(read(path, alike, progress), alike, progress) for path in how.repeat], how)


def tied(seen: Seen, how: Capturing, progress: Progress) -> Seen:
    """A scan with the warp and lean taken out that the laser readings of another file show."""
    if not seen.relief.known_between or how.tie is None:
        raise BadValue(
            "{set:tie}",
            "given with {file}, a table of readings",
            needed="a scan to be tied down",
            remedy="Give the scan as the capture and the readings with {set:tie}",
            file=seen.origin.file,
        )
    progress(note("stage.tying"), None)
    # the readings' file says its own unit: --file-unit is the scan's
    readings = capture.read(how.tie, reading_u=how.reading_u)
    if isinstance(readings, Cloud):
        raise BadValue(
            "{set:tie}",
            "{file} holds points",
            needed="a table of laser readings",
            remedy="Give the readings as in the blank form ({run:plan-readings} writes one)",
            file=how.tie,
        )
    kind = capture_type(STATIONS_TYPE)
    laser = kind.common_error()
    relief, wall, shown, more = tie(seen.relief, seen.wall, readings, laser=laser, u_laser_lean=kind.lean)
    name = Path(how.tie).name
    said = (note("jobs.tie-file", file=name, what=what) for what in readings.origin.warnings)
    notes = (*seen.notes, *said, *more)
    return replace(seen, relief=relief, wall=wall, tie=shown, notes=notes, laser=_laser_of(relief, readings))


def _laser_of(relief: Relief, readings: Readings) -> Laser | None:
    """The plane that readings on a scan were read from, in the wall's own coordinates; None where too few tell.

    The line along the wall that is left, by least squares, of the tied scan less the readings: both are plumb.
    """
    at_all = zip(readings.x, readings.y, readings.offset, strict=True)
    behind = [(x, read, relief.value_at(float(x), float(y))) for x, y, read in at_all]
    known = [(float(x), found[0] - float(read)) for x, read, found in behind if found is not None]
    if not known:
        return None
    at, off = np.array(known).T
    # of one upright no turn can be told
    turn, offset = np.polyfit(at, off, 1) if np.ptp(at) > _LINE_APART else (0.0, off.mean())
    return Laser(float(offset), float(turn), readings.origin.file_unit, readings.proud_when_big)


def _common(taken: Cloud, wall: Wall, kind: CaptureType, how: Capturing) -> CommonError:
    """The common error of the capture type, or a sweep's own where that is larger; its warp by hand where it is.

    Of photos it is what the doubts of their own cameras do to the wall.
    """
    common = kind.common_error()
    if taken.swept is not None:
        common = common.at_least(taken.swept.common)
    if how.warp is None:
        seen = taken.photographed
        return common if seen is None else bundle_error(seen, wall, taken.shift, common)
    return replace(common, sd=how.warp[0], length=how.warp[1], source=note("jobs.warp-by-hand", type=kind.name))


def seen_in(
    taken: Cloud | Readings, how: Capturing, progress: Progress = silent, room: walls.Room | None = None
) -> Seen:
    """The wall of a capture already read; its walls are found unless ``room`` brings them."""
    kind, assumed = declared_type(taken, how.capture_type)
    relief: Relief
    if isinstance(taken, Readings):
        return read_wall(taken, how, kind, assumed)
    if how.accept:
        raise BadValue(
            "{set:accept}",
            "given with {file}, which holds points",
            needed="a table of laser readings",
            remedy="Leave {set:accept} out",
            file=taken.origin.file,
        )
    watched = _watched(taken, progress)
    if room is None:
        room = find_room(watched, how, progress)
    wall = _chosen(room, how, taken.origin.file)
    step = _step_across(wall, taken)
    progress(note("stage.relief"), None)
    wall, plates = _without_plates(wall)
    choices = Choices(how.as_wall, how.not_wall, plates)
    cells, more = grid(watched, wall, _common(taken, wall, kind, how), cell=how.cell, choices=choices)
    relief, mosaic, laid = cells, None, tuple[Note, ...]()
    if taken.members:
        joined, mosaic, laid = put_together(taken, wall, cells, how.repeat_rule)
        relief = with_standing_of(cells, joined)
    wall = wall if cells.standing is None else replace(wall, objects=cells.standing.objects)
    return Seen(
        origin=taken.origin,
        capture_type=kind.name,
        title=own_title(taken),
        wall=wall,
        relief=relief,
        notes=(*taken.origin.warnings, *assumed, *room.notes, *wall.notes, *laid, *more, *_unmeasured(relief, step)),
        step=step,
        mosaic=mosaic,
        corners=tuple(corner for corner in room.corners if wall.number in (corner.left, corner.right)),
        neighbours=tuple(other for other in room.walls if other.number != wall.number),
        how=how,
        against=against_declared(taken, cells, step) if how.capture_type == SCANNER else (),
        stood=stood_before(taken, wall),
        picture=picture_on(taken, wall),
    )


def _step_across(wall: Wall, cloud: Cloud) -> float:
    """The step [m] in which the file's own numbers tell heights of the wall; raises `ReadError` where it hides them."""
    step = math.sqrt(12) * float(np.linalg.norm(wall.frame.out * cloud.u_step))
    if step > _HIDES:
        raise ReadError(
            cloud.origin.file,
            "coordinates in steps of {step:length} across the wall",
            needed="steps of {least:length} at most; what is finer cannot be seen in this file",
            remedy="Export it again with its zero point near the wall, or as LAS, E57 or 64-bit numbers",
            step=metres(step),
            least=metres(_FINE_ENOUGH),
        )
    return step


def _without_plates(wall: Wall) -> tuple[Wall, tuple[Plate, ...]]:
    """The wall whose plates of sockets and switches are no openings, and these: they hang on it like other objects."""
    plates, openings = [], []
    for hole in wall.openings:
        proud = hole.evidence.quantities.get("proud")
        if hole.evidence.code == "wall.plate" and isinstance(proud, Quantity):
            plates.append(Plate(hole.left, hole.bottom, hole.width, hole.height, proud.value))
        else:
            openings.append(hole)
    return (replace(wall, openings=tuple(openings)), tuple(plates)) if plates else (wall, ())


def _unmeasured(relief: Relief, step: float) -> tuple[Note, ...]:
    """Say where the points scatter less than any sensor does: drawn, or rounded to the sensor's own step."""
    scatter = relief.u_point
    if scatter is None or scatter > max(_NO_SENSOR, 0.3 * step):
        return ()
    if step > _NO_SENSOR:
        return (note("jobs.on-steps", scatter=metres(scatter), step=metres(step)),)
    return (note("jobs.no-sensor", scatter=metres(scatter)),)


def list_walls(source: Capture, how: Capturing, progress: Progress = silent, *, ask: bool = True) -> walls.Room:
    """All walls of a capture; a table of readings has one, of the size it gives.

    A room side that nothing tells is asked for, unless ``ask`` is off.
    """
    taken = read(source, how, progress)
    if isinstance(taken, Readings):
        return walls.Room((see(taken, how).wall,))
    room = find_room(_watched(taken, progress), how, progress)
    if ask and (trouble := next((one for one in room.troubles if one is not None), None)) is not None:
        raise trouble
    return room


def find_room(cloud: Cloud, how: Capturing, progress: Progress = silent, *, levels: bool = True) -> walls.Room:
    """All walls of a cloud, numbered; without ``levels`` none is parted."""
    progress(note("stage.walls"), None)
    if cloud.swept is not None:
        refuse_sides(cloud, how)
        return walls.known_wall(cloud, cloud.swept, width=how.width, height=how.height)
    kind, _ = declared_type(cloud, how.capture_type)
    # a capture that knows its own vertical worse than usual says so; else its type does
    cloud = replace(cloud, u_up=kind.lean if cloud.u_up <= PHONE_GRAVITY else max(kind.lean, cloud.u_up))
    # in the file's own numbers
    scale = METRES_PER[cloud.origin.file_unit]
    seen_from: Array | None = None if how.seen_from is None else np.array(how.seen_from) * scale
    width, height = checking_sizes(cloud, how)
    find = partial(walls.find_walls, up=how.up, seen_from=seen_from, width=width, height=height, ask=False)
    return room_of_all(cloud, find, levels=levels)


def _watched(cloud: Cloud, progress: Progress) -> Cloud:
    """The same cloud, whose chunks tell how far they are."""

    def chunks() -> Iterator[Array]:
        done = 0
        for points in cloud.chunks():
            yield points
            done += len(points)
            progress(note("stage.points"), done / max(cloud.count, 1))

    return replace(cloud, chunks=chunks)


def _chosen(room: walls.Room, how: Capturing, file: str) -> Wall:
    for wall in room.walls:
        # the first part of a wall is its largest
        if wall.number == how.wall and how.part in ("", wall.part):
            trouble = room.trouble_of(wall)
            if trouble is not None:
                raise trouble
            return walls.adjust(
                wall,
                region=how.region,
                add_openings=how.opening,
                remove_openings=how.no_opening,
                pockets=how.pocket,
                skips=how.skip,
            )
    raise WallNotFound(
        file,
        "{walls:count} walls, none of them number {number}",
        needed="one of {names}",
        remedy="List them with {run:survey --list}",
        walls=len({wall.number for wall in room.walls}),
        number=f"{how.wall}{how.part}",
        names=tuple(wall.name for wall in room.walls),
    )


def look(seen: Seen, requirement: Requirement, progress: Progress) -> Looked:
    """Smooth with the smallest window that makes gaps certain enough for the limit, and describe the shape."""
    progress(note("stage.shape"), None)
    smoothed = smooth(seen.relief, choose_window(seen.relief, requirement.limit))
    shape = shape_of(smoothed, seen.wall)
    return Looked(
        seen=seen,
        relief=smoothed,
        shape=shape,
        patches=patches_of(smoothed, shape),
        notes=(*seen.notes, *_coarse_step(seen, requirement)),
        settings=(*changed(seen.how), *changed(requirement)),
    )


def _coarse_step(seen: Seen, requirement: Requirement) -> tuple[Note, ...]:
    """Say where the file's own rounding is over a fifth of the limit."""
    if seen.step <= requirement.limit / 5:
        return ()
    return (note("jobs.coarse-step", step=metres(seen.step), limit=metres(requirement.limit)),)


def swept(looked: Looked, requirement: Requirement, progress: Progress) -> Gaps:
    """The straightedge at every place of the relief."""
    progress(note("stage.straightedge"), None)
    k = coverage_factor(requirement.confidence)
    sweeps = straightedge.Sweeps(with_heights(looked.relief), k)
    return straightedge.gaps_beside(sweeps, requirement.rule, requirement.shown, requirement.directions)


def lean_of(looked: Looked) -> Quantity:
    """Lean with its uncertainty: the points' own and how well plumb is known."""
    return slope(looked.shape.lean, root_sum_square(looked.shape.u_lean, looked.wall.plumb.u_lean))
