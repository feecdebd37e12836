"""Which wall of the capture it is, what the survey is for, and the questions that follow."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.model import Opening, Wall
from flatscan.core.notes import note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import metres
from flatscan.desk import answering
from flatscan.desk.asking import PURPOSES, UNKNOWN
from flatscan.desk.bench import Read, Working
from flatscan.desk.folders import Job, Plain
from flatscan.desk.plans import elevation, room_plan
from flatscan.desk.screens import changed, revision, sent_values, show
from flatscan.jobs.settings import CLOUD_TYPE
from flatscan.report.say import say, spoken

if TYPE_CHECKING:
    from flatscan.desk.app import Desk


def wall(desk: Desk, name: str) -> Any:
    """The walls found, one of them, its openings, and its size by tape."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        values = sent_values(set(answering.WALL_FIELDS), answering.LISTS)
        # ticked are the openings that are real: what is kept is what was unticked
        if "found" in request.form:
            found, real = request.form.getlist("found"), request.form.getlist("opening")
            values["no_opening"] = [number for number in found if number not in real]
        job = desk.jobs.keep(name, revision(), lambda settings: _wall_kept(settings, values))
        return changed(job, "wall")
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
    here = next((wall for wall in read.room.walls if wall.number == how.wall), read.room.walls[0])
    dropped = set(how.no_opening)
    return {
        "chosen": here.number,
        "sizes": {wall.number: _size(wall, to) for wall in read.room.walls},
        "openings": [(number, _size(hole, to), number in dropped) for number, hole in enumerate(here.openings, 1)],
        "plan": room_plan(read.room, here.number, to) if len(read.room.walls) > 1 else None,
        "drawing": elevation(here, to, dropped),
        "notes": spoken((*read.room.notes, *here.notes), to),
        "tape": say(answering.tape_cost(answering.answer(job, "capture_type") or CLOUD_TYPE), to),
        "is_scan": job.is_scan,
        "troubles": answering.troubles(job),
        "hints": answering.HINTS,
        "facing": say(here.facing_from, to),
        "up_from": say(here.up_from, to),
    }


def _size(of: Wall | Opening, to: Manner) -> str:
    return say(note("desk.size", width=metres(of.width), height=metres(of.height)), to)


def _wall_kept(settings: Plain, values: dict[str, Any]) -> None:
    before = settings["answers"].get("wall", "1") or "1"
    if values.get("wall", before) != before:
        # openings, fixed points and ticks belong to the wall that was chosen before
        values["no_opening"] = []
        settings["fixed"], settings["cut"] = [], []
    answering.take(settings, values)


def _hints(desk: Desk, job: Job, trouble: Exception) -> Any:
    """What the file does not say, asked for beside the reason."""
    if not isinstance(trouble, FlatscanError):
        raise trouble
    parts = answering.in_four_parts(trouble, desk.jobs.folder, job.settings["units"])
    return show("hints.html.j2", job, "wall", **parts, hints=answering.HINTS)


def purpose(desk: Desk, name: str) -> Any:
    """What the survey is for."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        values = sent_values({"purpose"}, set())
        if values.get("purpose") not in {purpose.name for purpose in PURPOSES}:
            raise BadValue("What for", "nothing was chosen", needed="one of the five", remedy="Choose one")
        job = desk.jobs.keep(name, revision(), lambda settings: answering.take(settings, values))
        return changed(job, "purpose")
    # the stages' own work begins while the next screens are read
    desk.bench.room(job, wait=0.0)
    return show("purpose.html.j2", job, "purpose", purposes=PURPOSES)


def ask(desk: Desk, name: str) -> Any:
    """The questions, in trade words."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    asked = answering.asked(job)
    if not asked:
        return redirect(f"/wall/{name}/purpose")
    if request.method == "POST":
        values = sent_values({question.name for question in asked}, answering.LISTS)
        job = desk.jobs.keep(name, revision(), lambda settings: answering.take(settings, values))
        wrong = answering.troubles(job)
        if not wrong or request.form.get("go") == "back":
            return changed(job, "questions")
    return show(
        "questions.html.j2",
        job,
        "questions",
        questions=spoken(asked, answering.spoken_to(job)),
        answers=job.settings["answers"],
        unknown=UNKNOWN,
        troubles=answering.troubles(job),
    )
