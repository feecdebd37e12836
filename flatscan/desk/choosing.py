"""All walls, a new one, and the capture of one."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from flatscan.capture import formats
from flatscan.core.errors import BadValue, ReadError
from flatscan.core.records import to_plain
from flatscan.desk import answering, recognising, screens
from flatscan.desk.arriving import arrive, forget_others
from flatscan.desk.asking import PURPOSES, UNKNOWN
from flatscan.desk.folders import ANOTHER, Job, Plain
from flatscan.desk.line_photos import PHOTOS, UNASKED
from flatscan.desk.line_questions import VIDEOS
from flatscan.desk.screens import changed, revision, sent_values, show, take
from flatscan.desk.taking import LISTS, on_another_wall
from flatscan.jobs.job_plan import JobPlan, JobRecord
from flatscan.report.say import spoken

if TYPE_CHECKING:
    from werkzeug.datastructures import FileStorage

    from flatscan.desk.app import Desk

# a step of these, in a room of its own
wall, picture = recognising.wall, recognising.picture
_TITLE = 80
# what comes with captures of several files: lens files, buffers of a mesh, pictures, and a zip of all
_BESIDE = (".json", ".yml", ".yaml", ".xml", ".bin", ".log", ".zip")


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
    return redirect(f"/wall/{job.name}/{screens.where_to_go_on(job)}", 303)


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
        settings["kind"] = "lines" if arrived.holds == UNASKED else ""
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
    every = [*(suffix for form in formats() for suffix in form.suffixes), *_BESIDE, *PHOTOS, *VIDEOS]
    return ",".join(dict.fromkeys(every))


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
