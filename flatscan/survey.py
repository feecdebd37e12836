"""The one module that knows the order of the stages: capture, wall, relief, shape, then what was asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from flatscan import capture, relief, straightedge
from flatscan import verdict as verdicts
from flatscan import wall as walls
from flatscan.errors import BadValue, WallNotFound
from flatscan.geometry import Array
from flatscan.lows import Low
from flatscan.material.finish import BuildUp, PlaneOptions, place
from flatscan.material.hacking import Hack, HackOptions, hacking_plan
from flatscan.material.order import bags_per_m3
from flatscan.material.stops import stops
from flatscan.material.systems import System
from flatscan.material.systems import load as load_system
from flatscan.material.takeoff import TakeOff, TakeOffOptions, take_off
from flatscan.model import Cloud, Origin, Relief, Stations, Wall
from flatscan.planes import Patch, Shape, patches_of, shape_of
from flatscan.quantity import Quantity, root_sum_square
from flatscan.setout import SetOut
from flatscan.standards import Tolerance
from flatscan.standards import load as load_tolerance
from flatscan.straightedge.gaps import Gaps
from flatscan.verdict import Verdict

Progress = Callable[[str, float | None], None]
DEFAULT_RULE, DEFAULT_LIMIT = 1.8, 0.003  # common specification practice (TOLERANCES, Finish): 3 mm under 1.8 m
DEFAULT_SYSTEM = "gypsum-undercoat"
CLOUD_TYPE, STATIONS_TYPE = "phone-walk", "laser-readings"


@dataclass(frozen=True, slots=True)
class Capturing:
    """How a capture is read and its wall found; lengths in metres, None where the file and the wall decide."""

    wall: int = 1
    cell: float | None = None
    up: str | None = None
    seen_from: tuple[float, ...] | None = None
    file_unit: str | None = None
    width: float | None = None
    height: float | None = None
    region: tuple[float, ...] | None = None
    opening: tuple[tuple[float, ...], ...] = ()
    no_opening: tuple[int, ...] = ()
    capture_type: str | None = None
    reading_u: float = 0.0006

    def __post_init__(self) -> None:
        for name in ("width", "height", "reading_u"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 1000:
                raise BadValue(
                    f"--{name.replace('_', '-')}", f"{value:g} m", needed="a length over 0",
                    remedy="Give what was taped",
                )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Testing:
    """What straightedge the wall is tried with; ``limit`` also sets how far noise is smoothed before the test."""

    rule: float = DEFAULT_RULE
    limit: float = DEFAULT_LIMIT
    directions: tuple[float, ...] | None = None
    confidence: float = 0.95
    method: str = "resting"
    plumb_limit: float | None = None
    judges: bool = False
    tolerance: Tolerance | None = None

    def __post_init__(self) -> None:
        for name in ("rule", "limit", "plumb_limit"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 100:
                raise BadValue(
                    f"--{name.replace('_', '-')}", f"{value * 1000:g} mm", needed="a length over 0",
                    remedy="Give what the contract says, such as --rule 1.8m --limit 3mm",
                )  # fmt: skip

    @classmethod
    def by(
        cls, *, rule: float | None = None, limit: float | None = None, tolerance: str | None = None, **others: Any
    ) -> Testing:
        """A test by rule and limit, or by a published tolerance; raises `BadValue` where the two contradict.

        A tolerance names its own length, limit and method; a ``rule`` beside it must be a length that it has.
        """
        if tolerance is None:
            return cls(
                rule=DEFAULT_RULE if rule is None else rule, limit=DEFAULT_LIMIT if limit is None else limit,
                judges=limit is not None, **others,
            )  # fmt: skip
        entry = load_tolerance(tolerance)
        if limit is not None:
            raise BadValue(
                "--limit", f"given beside --tolerance {tolerance}", needed="one of the two",
                remedy="Leave --limit out: the entry has its own",
            )  # fmt: skip
        length = entry.lengths[0] if rule is None else rule
        return cls(
            rule=length, limit=entry.limit_at(length), method=entry.method, judges=True, tolerance=entry, **others
        )


@dataclass(frozen=True, slots=True)
class Finishing:
    """What is planned on the wall."""

    plane: PlaneOptions = PlaneOptions()
    hacking: HackOptions = HackOptions()
    order: TakeOffOptions = TakeOffOptions()
    system: str | None = None


@dataclass(frozen=True, eq=False)
class Findings:
    """All that one command found about one wall; what the command does not ask for is None or empty.

    ``title`` is the wall's name in its user's own words. ``tolerance`` is the entry the verdict judged by, None for
    a rule and limit entered by hand; ``method`` is how the straightedge is read. ``fixed`` are points the finished
    face goes through (x, y, offset). ``settings`` are options that differ from their defaults, in words.
    """

    command: str
    origin: Origin
    capture_type: str
    u_point: float | None
    warnings: tuple[str, ...]
    wall: Wall
    relief: Relief
    shape: Shape
    patches: tuple[Patch, ...]
    gaps: Gaps | None = None
    verdict: Verdict | None = None
    build_up: BuildUp | None = None
    take_off: TakeOff | None = None
    hacks: tuple[Hack, ...] | None = None
    set_out: SetOut | None = None
    lows: tuple[Low, ...] | None = None
    title: str = ""
    tolerance: Tolerance | None = None
    method: str = "resting"
    fixed: tuple[tuple[float, float, float], ...] = ()
    settings: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, eq=False)
class Seen:
    """A capture's wall as a relief, before anything was made of it."""

    origin: Origin
    capture_type: str
    title: str
    wall: Wall
    relief: Relief
    notes: tuple[str, ...]


def silent(_stage: str, _share: float | None = None) -> None:
    """A `Progress` that tells nobody."""


def see(path: str | Path, how: Capturing, progress: Progress = silent) -> Seen:
    """The wall of a capture file as a relief; raises the errors of `capture`, `wall` and `relief`."""
    progress("reading", None)
    return seen_in(capture.read(path, file_unit=how.file_unit, reading_u=how.reading_u), how, progress)


def seen_in(
    taken: Cloud | Stations, how: Capturing, progress: Progress = silent, room: walls.Room | None = None
) -> Seen:
    """The wall of a capture already read; its walls are found unless ``room`` brings them."""
    kind, notes = _capture_type(taken, how.capture_type)
    if isinstance(taken, Stations):
        wall, made, more = relief.from_stations(taken, kind.common_error(), kind.lean)
        return Seen(taken.origin, kind.name, taken.name, _checked_stations(taken, wall, how), made, (*notes, *more))
    watched = _watched(taken, progress)
    if room is None:
        room = find_room(watched, how, progress)
    wall = _chosen(room, how, taken.origin.file)
    progress("relief", None)
    made, more = relief.grid(watched, wall, kind.common_error(), cell=how.cell)
    return Seen(taken.origin, kind.name, "", wall, made, (*notes, *room.notes, *wall.notes, *more))


def list_walls(path: str | Path, how: Capturing, progress: Progress = silent) -> walls.Room:
    """All walls of a capture file; a table of readings has one, of the size it gives."""
    progress("reading", None)
    taken = capture.read(path, file_unit=how.file_unit, reading_u=how.reading_u)
    if isinstance(taken, Stations):
        return walls.Room((see(path, how).wall,))
    return find_room(_watched(taken, progress), how, progress)


def find_room(cloud: Cloud, how: Capturing, progress: Progress = silent) -> walls.Room:
    """All walls of a cloud, numbered."""
    progress("finding the walls", None)
    seen_from: Array | None = None if how.seen_from is None else np.array(how.seen_from) - cloud.shift
    return walls.find_walls(cloud, up=how.up, seen_from=seen_from, width=how.width, height=how.height)


def _watched(cloud: Cloud, progress: Progress) -> Cloud:
    """The same cloud, whose chunks tell how far they are."""

    def chunks() -> Iterator[Array]:
        done = 0
        for points in cloud.chunks():
            yield points
            done += len(points)
            progress("measuring points", done / max(cloud.count, 1))

    return replace(cloud, chunks=chunks)


def _capture_type(taken: Cloud | Stations, asked: str | None) -> tuple[relief.CaptureType, tuple[str, ...]]:
    is_stations = isinstance(taken, Stations)
    name = asked or (STATIONS_TYPE if is_stations else CLOUD_TYPE)
    if is_stations != (name == STATIONS_TYPE):
        raise BadValue(
            "--capture-type", f"{name} for {taken.origin.file}, which holds {'readings' if is_stations else 'points'}",
            needed="laser-readings for a table of readings, another type for points", remedy="Leave the option out",
        )  # fmt: skip
    kind = relief.capture_type(name)
    if asked is None and not is_stations:
        return kind, (
            f"The capture type was not stated: taken as {name}, whose warp alone may be {kind.chord * 2000:.0f} mm "
            "under a 2 m straightedge (95 %). If it was made otherwise, say so with --capture-type.",
        )
    return kind, ()


def _checked_stations(taken: Stations, wall: Wall, how: Capturing) -> Wall:
    """Stations make one wall with the size in their file; options that only a cloud can follow are refused."""
    for name in ("cell", "up", "seen_from", "region"):
        if getattr(how, name) is not None:
            raise BadValue(
                f"--{name.replace('_', '-')}", f"given with {taken.origin.file}, a table of readings",
                needed="a point cloud", remedy="Leave the option out",
            )  # fmt: skip
    if how.wall != 1:
        found = f"one wall, not wall {how.wall}"
        raise WallNotFound(taken.origin.file, found, needed="--wall 1", remedy="Leave --wall out")
    return wall


def _chosen(room: walls.Room, how: Capturing, file: str) -> Wall:
    for wall in room.walls:
        if wall.number == how.wall:
            if not (how.region or how.opening or how.no_opening):
                return wall
            return walls.adjust(
                wall, region=how.region, add_openings=how.opening, remove_openings=how.no_opening
            )  # fmt: skip
    raise WallNotFound(
        file, f"{len(room.walls)} walls, none of them number {how.wall}", needed=f"1 to {len(room.walls)}",
        remedy="List them with flatscan survey --list",
    )  # fmt: skip


def _look(command: str, seen: Seen, test: Testing, progress: Progress) -> Findings:
    """Smooth as far as the limit asks for, and describe the wall's shape."""
    progress("shape", None)
    smooth = relief.smooth(seen.relief, relief.choose_window(seen.relief, test.limit))
    shape = shape_of(smooth, seen.wall)
    return Findings(
        command=command, origin=seen.origin, capture_type=seen.capture_type, u_point=seen.relief.u_point,
        warnings=seen.notes, wall=seen.wall, relief=smooth, shape=shape, patches=patches_of(smooth, shape),
        title=seen.title,
    )  # fmt: skip


def check(path: str | Path, how: Capturing, test: Testing, progress: Progress = silent) -> Findings:
    """Does the wall of a capture conform: every criterion that has a limit, each judged by itself."""
    return check_seen(see(path, how, progress), test, progress)


def check_seen(seen: Seen, test: Testing, progress: Progress = silent) -> Findings:
    """`check` of a wall already seen."""
    k = verdicts.coverage_factor(test.confidence)
    found = _look("check", seen, test, progress)
    progress("straightedge", None)
    gaps = _sweep(found, test, k)
    verdict = verdicts.judge(
        gaps=gaps, limit=test.limit, relief=found.relief, lean=_lean(found), height=found.wall.height,
        plumb_limit=test.plumb_limit, confidence=test.confidence,
    )  # fmt: skip
    return replace(found, gaps=gaps, verdict=verdict, method=test.method)


def survey(path: str | Path, how: Capturing, test: Testing, finish: Finishing, progress: Progress = silent) -> Findings:
    """Before quoting: what the wall is, which finish plane it takes, what to order and what hacking saves."""
    load_system(finish.system or DEFAULT_SYSTEM)  # a wrong name is said before the capture is read
    return survey_seen(see(path, how, progress), test, finish, progress)


def survey_seen(seen: Seen, test: Testing, finish: Finishing, progress: Progress = silent) -> Findings:
    """`survey` of a wall already seen."""
    found = _look("survey", seen, test, progress)
    progress("straightedge", None)
    found = replace(found, gaps=_sweep(found, test, verdicts.coverage_factor(test.confidence)))
    return plan(found, finish, progress)


def plan(found: Findings, finish: Finishing, progress: Progress = silent) -> Findings:
    """Findings with finish plane, order and hacking list added, whatever was found before."""
    progress("finish plane", None)
    return _planned(found, finish, load_system(finish.system or DEFAULT_SYSTEM))


def _planned(found: Findings, finish: Finishing, system: System) -> Findings:
    """Finish plane, stop signs, order and hacking list; what cannot be ordered is said instead of raised."""
    wall, smooth = found.wall, found.relief
    # a scan's plane is measured from the foot of the wall's own fit, a laser's from the laser plane
    foot = 0.0 if smooth.cell is None else float(found.shape.plane[0])
    build_up = place(smooth, wall, options=finish.plane, foot=foot)
    signs = stops(smooth, wall, found.shape, build_up)
    order = replace(finish.order, strict=finish.system is not None)
    take = take_off(build_up, smooth, system, options=order, stops=signs)
    hacking = replace(finish.hacking, bags_per_m3=bags_per_m3(system))
    plan = hacking_plan(smooth, wall, plane=finish.plane, options=hacking, standing=signs)
    notes = (*build_up.notes, *take.notes, *plan.notes, f"Hacking: {plan.ends_because}.")
    fixed = tuple((point.x, point.y, point.offset) for point in finish.plane.fixed)
    return replace(
        found, build_up=build_up, take_off=take, hacks=plan.hacks, fixed=fixed, warnings=(*found.warnings, *notes)
    )


def _sweep(found: Findings, test: Testing, k: float) -> Gaps:
    return straightedge.sweep(found.relief, test.rule, directions=test.directions, k=k, method=test.method)


def _lean(found: Findings) -> Quantity:
    """Lean with its uncertainty: the points' own and how well plumb is known."""
    return Quantity(found.shape.lean, root_sum_square(found.shape.u_lean, found.wall.plumb.u_lean))
