"""What a scan is held against: laser readings that tie it, the same wall captured again; and which part counts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan.capture.registry import pick
from flatscan.core.errors import BadValue, ReadError
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.desk import answering, mending
from flatscan.desk.arriving import kept_as
from flatscan.desk.bench import PATIENCE, Working
from flatscan.desk.crew import Stopped
from flatscan.desk.folders import Job, Plain
from flatscan.desk.screens import revision, show
from flatscan.jobs.job_plan import JobPlan
from flatscan.report.say import say

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

MORE = "more"
# the plan's own name of each, and whether it takes several files
KINDS = {"tie": False, "repeat": True, "same_wall": True}
_MOST = 12


def more(desk: Desk, name: str) -> Any:
    """What stands there, and one more of it, or one less."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if request.method != "POST":
        return _shown(desk, job)
    kind = request.form.get("kind", "")
    if "remove" in request.form:
        desk.jobs.keep(name, revision(), replan=_without(kind, request.form["remove"]))
    elif kind == "region":
        return _region(desk, job)
    else:
        _take(desk, job, kind)
    return redirect(f"/wall/{name}/{MORE}", 303)


def _shown(desk: Desk, job: Job, given: dict[str, str] | None = None, wrong: dict[str, str] | None = None) -> Any:
    plan, to = job.plan, answering.spoken_to(job)
    tie = () if plan.tie is None else (plan.tie,)
    held = {kind: [Path(one).name for one in files] for kind, files in
            (("tie", tie), ("repeat", plan.repeat), ("same_wall", plan.same_wall))}  # fmt: skip
    region = None
    if plan.region is not None:
        left, bottom, right, top = plan.region
        size = {"left": metres(left), "bottom": metres(bottom), "right": metres(right), "top": metres(top)}
        region = say(note("desk.region", None, **size), to)
    trouble = _trouble(desk, job)
    fields = {"texts": given or dict.fromkeys(mending.BOX, ""), "wrong": wrong or {}}
    said = {"names": dict(job.settings["named"]), "region": region, "trouble": trouble}
    return show("more.html.j2", job, MORE, held=held, box=fields, **said)


def _trouble(desk: Desk, job: Job) -> dict[str, str] | None:
    """What keeps the wall from being measured with them, where that is known already."""
    try:
        if answering.asked(job):
            desk.bench.nearest(job, wait=0.3)
    except Stopped:
        return None
    except Exception as wrong:
        from flatscan.core.errors import FlatscanError

        if not isinstance(wrong, FlatscanError):
            raise
        return answering.in_four_parts(wrong, desk.jobs.folder, job.settings["units"])
    return None


def _take(desk: Desk, job: Job, kind: str) -> None:
    """A file that was sent, into the wall's folder and the plan; what is not of its kind is not kept."""
    from flask import request

    sent = request.files.get("capture")
    if kind not in KINDS or sent is None or not sent.filename:
        raise ReadError("the file", "no file was chosen", needed="one file", remedy="Choose it, or drop it on the page")
    if len(getattr(job.plan, kind) or ()) >= _MOST and KINDS[kind]:
        raise BadValue("the plan", "{most} of one kind", needed="no more", remedy="Remove one first", most=_MOST)
    job = desk.jobs.keep(job.name, revision())
    called = Path(sent.filename.replace("\\", "/")).name[-80:]
    path = kept_as(job.folder, kind.replace("_", "-"), sent)
    try:
        _fits(path, kind, called)
    except Exception:
        path.unlink(missing_ok=True)
        raise

    def put(settings: Plain) -> None:
        settings["named"] = settings["named"] | {path.name: called}

    def change(plan: JobPlan) -> JobPlan:
        if not KINDS[kind]:
            return plan.changed_by({kind: str(path)})
        return plan.changed_by({kind: (*getattr(plan, kind), str(path))})

    desk.jobs.keep(job.name, job.revision, put, change)


def _fits(path: Path, kind: str, called: str) -> None:
    try:
        holds = pick(path)[0].holds
    except ReadError as trouble:
        raise trouble.at(called) from None
    if kind == "tie" and holds != "stations":
        raise ReadError(called, "a scan", needed="laser readings of the wall", remedy="Drop the table of readings here")


def _without(kind: str, name: str) -> Callable[[JobPlan], JobPlan]:
    """A change that takes a file out of the plan; in the folder it stays, so that it can be taken back."""

    def change(plan: JobPlan) -> JobPlan:
        if kind == "region":
            return replace(plan, region=None)
        if kind == "tie":
            return replace(plan, tie=None)
        if kind not in KINDS:
            return plan
        return plan.changed_by({kind: tuple(one for one in getattr(plan, kind) if Path(one).name != name)})

    return change


def _region(desk: Desk, job: Job) -> Any:
    """The part of the wall that counts, by its box; what is wrong with it is said at its field."""
    from flask import redirect, request

    texts = {field: request.form.get(field, "").strip()[:40] for field in mending.BOX}
    values, wrong = mending.read("box", texts, _wall(desk, job), answering.spoken_to(job))
    if wrong:
        return _shown(desk, job, texts, wrong), 422
    corner = (values["left"] + values["width"], values["bottom"] + values["height"])
    desk.jobs.keep(
        job.name, revision(), replan=lambda plan: replace(plan, region=(values["left"], values["bottom"], *corner))
    )
    return redirect(f"/wall/{job.name}/{MORE}", 303)


def _wall(desk: Desk, job: Job) -> Any:
    # by the whole wall: a region set before is no reason to refuse another one
    try:
        room = desk.bench.room(job, wait=PATIENCE)
    except Exception:
        return None
    return None if isinstance(room, Working) else mending.wall_of(desk, job)
