"""Walls of a room planned together: one turn, one order, one person's days."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from flatscan.core.errors import BadValue
from flatscan.core.model import Readings
from flatscan.core.notes import note
from flatscan.jobs.changed import changed
from flatscan.jobs.days import day_of, laid_out_or_none, with_strips
from flatscan.jobs.results import Looked, Survey
from flatscan.jobs.seeing import Capture, find_room, look, read, seen_in, swept
from flatscan.jobs.settings import Capturing, Finishing, Progress, Requirement, silent
from flatscan.jobs.surveying import arranged_on, laser_of, plan, system_of
from flatscan.jobs.work_planned import Planned, Together
from flatscan.plan.coats import combined_order
from flatscan.plan.cutting import Cut
from flatscan.plan.day import Day
from flatscan.plan.labour import Hands
from flatscan.plan.other_planes import RoomPlan, RoomWall, place_room

# a hump of one wall among several: 2:H1
_ON_WALL = re.compile(r"([0-9]{1,4}):(H[0-9]{1,4})")


def survey_together(
    source: Capture,
    how: Capturing,
    test: Requirement,
    finish: Finishing,
    *,
    walls: Sequence[int],
    corners: str = "square",
    progress: Progress = silent,
) -> tuple[Survey, ...]:
    """Survey of each wall named, all with planes that share one turn, each with the order and the days of all of them.

    Humps to be cut are named with their wall, as 2:H1. Raises `BadValue` for a table of readings, for fewer than two
    walls, one named twice, and a hump that is named without its wall or with another one.
    """
    taken = read(source, how, progress)
    if isinstance(taken, Readings) or len(set(walls)) < max(2, len(walls)):
        raise BadValue(
            "{set:together}",
            "walls {walls:count} of {file}",
            needed="two or more different walls of one point cloud",
            remedy="List the walls with {run:survey --list}",
            walls=tuple(walls),
            file=taken.origin.file,
        )
    finishes = [replace(finish, cut=cut) for cut in _cuts_by_wall(finish.cut, walls)]
    room = find_room(taken, how, progress)
    found = [look(seen_in(taken, replace(how, wall=number), progress, room), test, progress) for number in walls]
    progress(note("stage.finish-planes"), None)
    joined = _placed(found, finishes, corners)
    turned = [_turned(each, built.plane.turn) for each, built in zip(finishes, joined.build_ups, strict=True)]
    planned = [plan(looked, each, progress) for looked, each in zip(found, turned, strict=True)]
    days = _days(found, planned, turned, test.rule)
    planned = [with_strips(each, None if day is None else day.screeds) for each, day in zip(planned, days, strict=True)]
    together = _together(walls, corners, joined, planned, days)
    return tuple(
        replace(looked, settings=(*looked.settings, *changed(finish))).extended(
            Survey, gaps=swept(looked, test, progress), plan=each, together=together, day=day
        )
        for looked, each, day in zip(found, planned, days, strict=True)
    )


def _cuts_by_wall(cuts: Sequence[Cut | str], walls: Sequence[int]) -> list[tuple[Cut | str, ...]]:
    """The humps to be cut on each of the walls."""
    by_wall: dict[int, list[Cut | str]] = {number: [] for number in walls}
    for one in cuts:
        named = _ON_WALL.fullmatch(one) if isinstance(one, str) else None
        if named is None or int(named[1]) not in by_wall:
            raise BadValue(
                "{set:cut}",
                "{name} given with {set:together}"
                if isinstance(one, str)
                else "a cut {at:place} given with {set:together}",
                needed="a hump with its wall, one of {walls:count}, such as {first}:H1",
                remedy="Name the wall: every wall has an H1 of its own",
                name=one,
                at=None if isinstance(one, str) else (one.x, one.y),
                walls=tuple(walls),
                first=str(walls[0]),
            )
        by_wall[int(named[1])].append(named[2])
    return [tuple(some) for some in by_wall.values()]


def _placed(found: Sequence[Looked], finishes: Sequence[Finishing], corners: str) -> RoomPlan:
    """The planes of all walls, with their humps cut as deep as the planes of the walls uncut ask for."""
    up_to = finishes[0].plane.turn_up_to
    walls = tuple(RoomWall(one.relief, one.wall, each.plane) for one, each in zip(found, finishes, strict=True))
    joined = place_room(walls, corners=corners, turn_up_to=up_to)
    if not any(each.cut for each in finishes):
        return joined
    cut = tuple(
        replace(wall, relief=arranged_on(one, _turned(each, built.plane.turn), None)[0].relief) if each.cut else wall
        for wall, one, each, built in zip(walls, found, finishes, joined.build_ups, strict=True)
    )
    return place_room(cut, corners=corners, turn_up_to=up_to)


def _turned(finish: Finishing, turn: float) -> Finishing:
    return replace(finish, plane=replace(finish.plane, turn=turn, turn_up_to=0.0))


def _days(
    found: Sequence[Looked], planned: Sequence[Planned], finishes: Sequence[Finishing], rule: float
) -> list[Day | None]:
    """The program of each wall; one person goes from one to the next while the first waits."""
    hands, days = Hands(), list[Day | None]()
    for looked, each, finish in zip(found, planned, finishes, strict=True):
        screeds = laid_out_or_none(looked, each, finish, rule, laser_of(looked, finish))
        system, _ = system_of(finish)
        days.append(day_of(with_strips(each, screeds), finish, system, screeds, hands))
    return days


def _together(
    walls: Sequence[int], corners: str, joined: RoomPlan, planned: Sequence[Planned], days: Sequence[Day | None]
) -> Together:
    order = combined_order([plan.take_off.order for plan in planned])
    kept = tuple(days)
    return Together(tuple(walls), corners, joined.shared_turn, joined.volume, joined.squaring, order, kept)
