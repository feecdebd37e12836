"""Several walls of one room planned together: corners that come out square or stay as they are, and one order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from flatscan.core.errors import BadValue
from flatscan.core.model import Readings
from flatscan.jobs.looking import look, swept
from flatscan.jobs.results import Planned, Survey, Together
from flatscan.jobs.seeing import find_room, read, seen_in
from flatscan.jobs.settings import Capturing, Finishing, Progress, Requirement, silent
from flatscan.jobs.surveying import plan
from flatscan.plan.coats import combined_order
from flatscan.plan.room_planes import RoomPlan, RoomWall, place_room


def survey_together(
    path: str | Path,
    how: Capturing,
    test: Requirement,
    finish: Finishing,
    *,
    walls: Sequence[int],
    corners: str = "square",
    progress: Progress = silent,
) -> tuple[Survey, ...]:
    """Survey of each wall named, all with planes that share one turn, each with the order of all of them.

    Raises `BadValue` for a table of readings, for fewer than two walls, or one named twice.
    """
    taken = read(path, how, progress)
    if isinstance(taken, Readings) or len(set(walls)) < max(2, len(walls)):
        raise BadValue(
            "{set:together}",
            "walls {walls:count} of {file}",
            needed="two or more different walls of one point cloud",
            remedy="List the walls with {run:survey --list}",
            walls=tuple(walls),
            file=taken.origin.file,
        )
    room = find_room(taken, how, progress)
    seen = [seen_in(taken, replace(how, wall=number), progress, room) for number in walls]
    found = [look(wall, test, progress) for wall in seen]
    progress("finish planes", None)
    made = place_room(
        tuple(RoomWall(one.relief, one.wall, finish.plane) for one in found),
        corners=corners,
        turn_up_to=finish.plane.turn_up_to,
    )
    planned = [
        plan(looked, replace(finish, plane=replace(finish.plane, turn=built.plane.turn, turn_up_to=0.0)), progress)
        for looked, built in zip(found, made.build_ups, strict=True)
    ]
    together = _together(walls, corners, made, planned)
    return tuple(
        looked.extended(Survey, gaps=swept(looked, test, progress), plan=made, together=together)
        for looked, made in zip(found, planned, strict=True)
    )


def _together(walls: Sequence[int], corners: str, made: RoomPlan, planned: Sequence[Planned]) -> Together:
    orders = [plan.take_off.order for plan in planned]
    return Together(tuple(walls), corners, made.shared_turn, made.volume, made.squaring, combined_order(orders))
