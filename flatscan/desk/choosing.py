"""All walls, a new one, and the capture of one."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape

from flatscan.capture import formats
from flatscan.core.errors import BadValue, FlatscanError, ReadError
from flatscan.core.geometry import Array
from flatscan.core.model import Opening, Wall
from flatscan.core.notes import note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import metres
from flatscan.core.records import to_plain
from flatscan.desk import answering, screens
from flatscan.desk.arriving import arrive, forget_others
from flatscan.desk.asking import PURPOSES, UNKNOWN, tape_cost
from flatscan.desk.bench import Read, Working
from flatscan.desk.folders import ANOTHER, Job, Plain
from flatscan.desk.screens import changed, revision, sent_values, show, take
from flatscan.desk.taking import HINTS, LISTS, WALL_FIELDS, on_another_wall
from flatscan.jobs.job_plan import JobPlan, JobRecord
from flatscan.jobs.settings import CLOUD_TYPE
from flatscan.report.say import say, spoken
from flatscan.wall import Room

if TYPE_CHECKING:
    from werkzeug.datastructures import FileStorage

    from flatscan.desk.app import Desk

_WIDE, _HIGH, _EDGE = 600.0, 360.0, 44.0


def room_plan(room: Room, chosen: str, to: Manner) -> Markup:
    """The walls seen from above as lines with their numbers, the chosen one heavy; turned as the file has it."""
    up, right = room.walls[0].frame.up, room.walls[0].frame.along
    # seen from above: `right` across, and what lies ahead of somebody who has it on the right
    ahead = np.cross(up, right)
    ends = {wall.name: _ends(wall, right, ahead) for wall in room.walls}
    every = np.concatenate(list(ends.values()))
    low, span = every.min(axis=0), np.maximum(np.ptp(every, axis=0), 0.5)
    scale = float(min((_WIDE - 2 * _EDGE) / span[0], (_HIGH - 2 * _EDGE) / span[1]))
    middle = (every.min(axis=0) + every.max(axis=0)) / 2
    wide, high = (2 * _EDGE + span * scale).tolist()
    parts = []
    for wall in room.walls:
        at = (ends[wall.name] - low) * scale + _EDGE
        at[:, 1] = high - at[:, 1]
        (x0, y0), (x1, y1) = at.tolist()
        mark = _beside(at, ends[wall.name].mean(axis=0) - middle)
        kind = "wall chosen" if wall.name == chosen else "wall"
        parts.append(f'<line class="{kind}" x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"/>')
        parts.append(f'<text x="{mark[0]:.1f}" y="{mark[1]:.1f}">{wall.name}</text>')
    said = note("desk.room-from-above", count=len(room.walls), chosen=chosen)
    return _drawing(parts, wide, high, say(said, to))


def _ends(wall: Wall, right: Array, ahead: Array) -> Array:
    frame = wall.frame
    points = np.stack([frame.at, frame.at + frame.along * wall.width])
    return np.stack([points @ right, points @ ahead], axis=1)


def _beside(at: Array, outward: Array) -> tuple[float, float]:
    """A place for the number, off the line's middle and away from the room's middle."""
    x, y = at.mean(axis=0)
    length = float(np.hypot(*outward)) or 1.0
    return float(x + 22 * outward[0] / length), float(y - 22 * outward[1] / length + 7)


def elevation(wall: Wall, to: Manner, dropped: set[int]) -> Markup:
    """The wall seen from the room, its openings numbered as they were found; those not used are dashed."""
    scale = (_WIDE - 2 * _EDGE) / wall.width
    high = wall.height * scale + 2 * _EDGE
    points = " ".join(f"{_EDGE + x * scale:.1f},{high - _EDGE - y * scale:.1f}" for x, y in wall.whole)
    parts = [f'<polygon class="outline" points="{points}"/>']
    for number, hole in enumerate(wall.openings, 1):
        x, y = _EDGE + hole.left * scale, high - _EDGE - hole.top * scale
        kind = "opening dropped" if number in dropped else "opening"
        parts.append(
            f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{hole.width * scale:.1f}" '
            f'height="{hole.height * scale:.1f}"/>'
        )
        middle = x + hole.width * scale / 2, y + hole.height * scale / 2 + 7
        parts.append(f'<text x="{middle[0]:.1f}" y="{middle[1]:.1f}">{number}</text>')
    size = note("desk.size", width=metres(wall.width), height=metres(wall.height))
    parts.append(f'<text x="{_WIDE / 2:.1f}" y="{high - 14:.1f}">{escape(say(size, to))}</text>')
    said = note("desk.wall-from-the-room", number=wall.name, count=len(wall.openings))
    return _drawing(parts, _WIDE, high, say(said, to))


def station_plan(width: float, height: float, places: list[tuple[str, float, float, str]], to: Manner) -> Markup:
    """The wall with its stations in walking order, ``places`` as (number, x, y, how far it is)."""
    scale = (_WIDE - 2 * _EDGE) / width
    high = height * scale + 2 * _EDGE
    at = [(key, _EDGE + x * scale, high - _EDGE - y * scale, state) for key, x, y, state in places]
    parts = [
        f'<rect class="outline" x="{_EDGE}" y="{_EDGE}" width="{width * scale:.1f}" height="{height * scale:.1f}"/>',
        f'<polyline class="way" points="{" ".join(f"{x:.1f},{y:.1f}" for _, x, y, _ in at)}"/>',
    ]
    for key, x, y, state in at:
        kind = f"station {state}"
        parts.append(f'<g class="{kind}" data-station="{escape(key)}"><circle cx="{x:.1f}" cy="{y:.1f}" r="15"/>')
        parts.append(f'<text x="{x:.1f}" y="{y + 6:.1f}">{escape(key)}</text></g>')
    return _drawing(parts, _WIDE, high, say(note("desk.walking-order", count=len(places)), to))


def _drawing(parts: list[str], wide: float, high: float, said: str) -> Markup:
    head = f'<svg class="plan" viewBox="0 0 {wide:.1f} {high:.1f}" role="img" aria-label="{escape(said)}">'
    # only numbers and escaped words stand in it
    return Markup(head + "".join(parts) + "</svg>")  # noqa: S704


_TITLE = 80
# what comes with captures of several files: lens files, buffers of a mesh, pictures, and a zip of all
_BESIDE = (".json", ".yml", ".yaml", ".xml", ".bin", ".log", ".png", ".mp4", ".mov", ".avi", ".zip")


def new(desk: Desk) -> Any:
    """Begin a wall: with a scan that was dropped, or with readings to be typed."""
    from flask import redirect, request, url_for

    title = " ".join(request.form.get("title", "").split())[:_TITLE]
    units = "in" if request.form.get("units") == "in" else "mm"
    if request.form.get("kind") == "laser":
        job = _begun(desk, title, units)
        job = desk.jobs.keep(job.name, job.revision, lambda settings: settings.update(kind="laser"))
        return redirect(url_for("sizing.size", name=job.name), 303)
    sent = _sent()
    job = _begun(desk, title, units)
    try:
        job = _take(desk, job, sent)
    except Exception:
        # a file that is no scan leaves no empty wall behind
        shutil.rmtree(job.folder, ignore_errors=True)
        raise
    return redirect(url_for("choosing.wall", name=job.name), 303)


def _begun(desk: Desk, title: str, units: str) -> Job:
    """An empty job; the wall's name, room, site and day are in its plan, from where they come onto every sheet."""
    from flask import request

    job = desk.jobs.new(title, units)
    words = {name: " ".join(request.form.get(name, "").split())[:_TITLE] for name in ("place", "project", "captured")}
    if request.form.get("kind") == "laser" and not words["captured"]:
        # it is read now, at the wall
        words["captured"] = datetime.now(UTC).astimezone().date().isoformat()
    record = JobRecord(wall=title, **words)
    if record == JobRecord():
        return job
    return desk.jobs.keep(job.name, job.revision, replan=lambda plan: replace(plan, job=record))


def go_on(desk: Desk, name: str) -> Any:
    """Where a wall was left."""
    from flask import redirect

    return redirect(f"/wall/{name}/{screens.where_to_go_on(desk.jobs.get(name))}")


def capture(desk: Desk, name: str) -> Any:
    """Which file this wall stands on, and another one in its place."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        return changed(_take(desk, job, _sent(), revision()), "capture")
    return show("capture.html.j2", job, "capture", suffixes=suffixes())


def _sent() -> list[FileStorage]:
    from flask import request

    sent = [one for one in request.files.getlist("capture") if one.filename]
    if not sent:
        raise ReadError("the scan", "no file was chosen", needed="one file", remedy="Choose it, or drop it on the page")
    return sent


def _take(desk: Desk, job: Job, sent: list[FileStorage], revision: str | None = None) -> Job:
    """What was sent into the job's folder; what no reader knows is not kept."""
    from flask import current_app

    if revision is not None and revision != job.revision:
        desk.jobs.keep(job.name, revision)
    arrived = arrive(job.folder, sent, current_app.config["MAX_CONTENT_LENGTH"])

    def put(settings: Plain) -> None:
        settings["capture"] = to_plain(arrived)
        settings["readings"] = None
        # whatever was made of the file before is of another wall
        settings["sheets"], settings["seal"] = ANOTHER, [settings["seal"][0], ANOTHER] if settings["seal"] else []

    def replan(plan: JobPlan) -> JobPlan:
        return replace(on_another_wall(plan), wall=None)

    taken = desk.jobs.keep(job.name, job.revision, put, None if job.broken else replan)
    forget_others(job.folder, arrived.file)
    return taken


def suffixes() -> str:
    """The endings of files that can be a capture, or come along with one, for a page that asks for them."""
    return ",".join(dict.fromkeys([*(suffix for form in formats() for suffix in form.suffixes), *_BESIDE]))


def wall(desk: Desk, name: str) -> Any:
    """The walls found, one of them, its openings, and its size by tape."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
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
    named = (wall for wall in read.room.walls if wall.number == how.wall and how.part in ("", wall.part))
    here = next(named, read.room.walls[0])
    dropped = set(how.no_opening)
    return {
        "chosen": here.name,
        "sizes": {wall.name: _size(wall, to) for wall in read.room.walls},
        "openings": [(number, _size(hole, to), number in dropped) for number, hole in enumerate(here.openings, 1)],
        "plan": room_plan(read.room, here.name, to) if len(read.room.walls) > 1 else None,
        "drawing": elevation(here, to, dropped),
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


def purpose(desk: Desk, name: str) -> Any:
    """What the survey is for."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        values = sent_values({"purpose"}, set())
        if values.get("purpose") not in {purpose.name for purpose in PURPOSES}:
            raise BadValue("What for", "nothing was chosen", needed="one of the five", remedy="Choose one")
        return changed(take(desk, name, revision(), values), "purpose")
    # the stages' own work begins while the next screens are read
    desk.bench.room(job, wait=0.0)
    return show("purpose.html.j2", job, "purpose", purposes=PURPOSES, chosen=job.plan.stage)


def ask(desk: Desk, name: str) -> Any:
    """The questions, in trade words."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    asked = answering.asked(job)
    if not asked:
        return redirect(f"/wall/{name}/purpose")
    if request.method == "POST":
        values = sent_values({question.name for question in asked}, LISTS)
        job = take(desk, name, revision(), values)
        wrong = answering.troubles(job)
        if not wrong or request.form.get("go") == "back":
            return changed(job, "questions")
    return show(
        "questions.html.j2",
        job,
        "questions",
        questions=spoken(asked, answering.spoken_to(job)),
        answers=answering.answers(job),
        unknown=UNKNOWN,
        troubles=answering.troubles(job),
        opened=any(answering.answer(job, question.name) for question in asked if question.later),
    )
