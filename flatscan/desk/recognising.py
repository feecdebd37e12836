"""Is this the wall? Its picture, which end is up and which side is seen, its openings, and one tap that turns it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from flatscan.core.choices import AXES
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.holes import GIVEN
from flatscan.core.model import Opening, Wall
from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import Quantity, metres
from flatscan.desk import answering
from flatscan.desk.asking import tape_cost
from flatscan.desk.bench import Read, Working
from flatscan.desk.folders import Job
from flatscan.desk.screens import changed, revision, sent_values, show, take
from flatscan.desk.sketches import Rect, elevation, room_plan
from flatscan.desk.taking import HINTS, LISTS, WALL_FIELDS, on_another_wall
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.settings import CLOUD_TYPE
from flatscan.report.say import say, spoken
from flatscan.wall import Room

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

# an opening that reaches down to here and is so high is a door [m]; common practice, from memory
_SILL, _DOOR = 0.10, 1.6
# as near to a file axis as this a wall lies along it
_ALONG = 0.9


@dataclass(frozen=True, slots=True)
class Turn:
    """A way to turn the scan: what somebody sees who needs it, and the setting of the plan with its value."""

    said: str
    setting: str
    value: str

    @property
    def sent(self) -> str:
        """What its button sends."""
        return f"{self.setting}={self.value}"


def wall(desk: Desk, name: str) -> Any:
    """The walls found, one of them, its openings, and its size by tape."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        if "turn" in request.form:
            return _turned(desk, name, request.form["turn"])
        if "hole" in request.form:
            return _opened(desk, name, request.form["hole"])
        values = sent_values(set(WALL_FIELDS), LISTS)
        # ticked are the openings that are real: what is kept is what was unticked
        if "found" in request.form:
            found, real = request.form.getlist("found"), request.form.getlist("opening")
            values["no_opening"] = [number for number in found if number not in real]
        before = answering.answer(job, "wall") or "1"
        if values.get("wall", before) == before:
            return changed(take(desk, name, revision(), values), "wall")
        # openings, fixed points and cuts belong to the wall that was chosen before
        values["no_opening"] = []
        return changed(take(desk, name, revision(), values, first=on_another_wall), "wall")
    try:
        read = desk.bench.room(job)
    except Exception as trouble:
        return _hints(desk, job, trouble)
    if isinstance(read, Working):
        return show("working.html.j2", job, "wall", working=read, of="wall")
    return show("wall.html.j2", job, "wall", **_walls(read, job))


def _walls(read: Read, job: Job) -> dict[str, Any]:
    """The walls found with their sizes, the chosen one drawn, and what is to be said of it."""
    how, to = answering.capturing(job), answering.spoken_to(job)
    here = _chosen(read.room, job)
    dropped = set(how.no_opening)
    return {
        "chosen": here.name,
        "sizes": {wall.name: _size(wall, to) for wall in read.room.walls},
        "openings": [(number, _size(hole, to), number in dropped) for number, hole in enumerate(here.openings, 1)],
        "plan": room_plan(read.room, here.name, to) if len(read.room.walls) > 1 else None,
        "drawing": elevation(here, to, _rectangles(here, job, dropped, to), _address(here, job)),
        "turns": turns(read.room, here),
        "holes": [(number, _size(hole, to)) for number, hole in _maybe(here, job)],
        "notes": spoken((*read.room.notes, *here.notes), to),
        "answers": answering.answers(job),
        "tape": say(tape_cost(job.plan.capture_type or CLOUD_TYPE), to),
        "is_scan": job.is_scan,
        "troubles": answering.troubles(job),
        "hints": HINTS,
        "facing": say(here.facing_from, to),
        "up_from": say(here.up_from, to),
    }


def _size(of: Wall | Opening, to: Manner) -> str:
    return say(note("desk.size", width=metres(of.width), height=metres(of.height)), to)


def _hints(desk: Desk, job: Job, trouble: Exception) -> Any:
    """What the file does not say, asked for beside the reason."""
    if not isinstance(trouble, FlatscanError) or job.broken is not None:
        raise trouble
    parts = answering.in_four_parts(trouble, desk.jobs.folder, job.settings["units"])
    return show("hints.html.j2", job, "wall", **parts, hints=HINTS, answers=answering.answers(job))


def _chosen(room: Room, job: Job) -> Wall:
    how = answering.capturing(job)
    return next((one for one in room.walls if one.number == how.wall and how.part in ("", one.part)), room.walls[0])


def turns(room: Room, wall: Wall) -> list[Turn]:
    """Upside down, on its side, mirrored, from the other side: as far as the capture can be turned so."""
    found, side = list[Turn](), room.side_of(wall)
    if room.up is not None and room.up.value in AXES:
        found.append(Turn("It is upside down", "up", _flipped(room.up.value)))
        lying = next((name for name, axis in AXES.items() if np.dot(axis, wall.frame.along) > _ALONG), None)
        if lying is not None:
            found.append(Turn("It lies on its side", "up", lying))
    if side is not None and side.others:
        found.append(Turn("It is mirrored", "seen_from", side.others[0].value))
        found.append(Turn("It is seen from the other side", "seen_from", side.others[0].value))
    return found


def _flipped(axis: str) -> str:
    return axis[1:] if axis.startswith("-") else f"-{axis}"


def _turned(desk: Desk, name: str, sent: str) -> Any:
    """The plan with the scan turned: what lay at places of the wall as it was means nothing any more."""
    setting, _, value = sent.partition("=")
    if setting not in ("up", "seen_from") or not value:
        raise BadValue("the page", "no way to turn a scan", needed="one of its own", remedy="Load it again")

    def first(plan: JobPlan) -> JobPlan:
        # another up has other walls, and a point that was on the room side may be on none
        return on_another_wall(plan if setting == "seen_from" else replace(plan, wall=None, seen_from=None))

    take(desk, name, revision(), {setting: value}, first=first)
    return _again(name)


def _again(name: str) -> Any:
    from flask import redirect

    return redirect(f"/wall/{name}/wall", 303)


def maybe_openings(wall: Wall) -> list[Opening]:
    """Holes of which nothing proves that they are openings, as the wall's notes have them."""
    found = []
    for said in wall.notes:
        hole = said.quantities.get("hole") if said.code == "wall.maybe-opening" else None
        if isinstance(hole, Note):
            left, right, bottom, top = (_metres(hole, name) for name in ("left", "right", "bottom", "top"))
            found.append(Opening(left, max(bottom, 0.0), right - left, top - max(bottom, 0.0), said))
    return found


def _maybe(wall: Wall, job: Job) -> Iterator[tuple[int, Opening]]:
    """Holes that nobody has made an opening yet, with the number each is known by."""
    for number, hole in enumerate(maybe_openings(wall)):
        x, y = hole.left + hole.width / 2, hole.bottom + hole.height / 2
        if not any(left < x < right and bottom < y < top for left, bottom, right, top in job.plan.opening):
            yield number, hole


def _metres(hole: Note, name: str) -> float:
    length = hole.quantities[name]
    assert isinstance(length, Quantity)
    return float(length.value)


def _opened(desk: Desk, name: str, number: str) -> Any:
    """A hole that somebody says is an opening, in the plan."""
    job = desk.jobs.get(name)
    read = desk.bench.room(job, wait=60.0)
    holes = [] if isinstance(read, Working) else maybe_openings(_chosen(read.room, job))
    if not number.isdecimal() or int(number) >= len(holes):
        raise BadValue("the page", "no hole of this wall", needed="one of its own", remedy="Load it again")
    hole = holes[int(number)]
    box = (hole.left, hole.bottom, hole.left + hole.width, hole.bottom + hole.height)
    desk.jobs.keep(name, revision(), replan=lambda plan: plan.changed_by({"opening": (*plan.opening, box)}))
    return _again(name)


def _rectangles(wall: Wall, job: Job, dropped: set[int], to: Manner) -> Iterator[Rect]:
    """Openings found, by their numbers; holes that may be some; and what somebody drew."""
    for number, hole in enumerate(wall.openings, 1):
        kind = "opening dropped" if number in dropped else "opening"
        yield Rect(hole.left, hole.bottom, hole.width, hole.height, kind, f"{number} {say(_word(hole), to)}")
    for _, hole in _maybe(wall, job):
        yield Rect(hole.left, hole.bottom, hole.width, hole.height, "opening maybe", f"{say(_word(hole), to)}?")
    for left, bottom, right, top in job.plan.opening:
        hole = Opening(left, bottom, right - left, top - bottom, GIVEN)
        yield Rect(left, bottom, right - left, top - bottom, "opening given", say(_word(hole), to))


def _word(hole: Opening) -> Note:
    return note("desk.door" if hole.bottom < _SILL and hole.height > _DOOR else "desk.window")


def _address(wall: Wall, job: Job) -> str | None:
    """Where the wall's picture is served; readings have none."""
    return f"/wall/{job.name}/seen/{wall.name}.png?{job.revision}" if job.is_scan else None


def picture(desk: Desk, name: str, wall: str) -> Any:
    """The wall as the capture saw it: in its colours, or shaded by relief where it has none."""
    from flask import Response, abort

    made = desk.bench.picture(desk.jobs.get(name), wall.removesuffix(".png"))
    if isinstance(made, Working) or not made:
        abort(404)
    return Response(made, mimetype="image/png")
