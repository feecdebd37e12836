"""One step a screen: how far a job has come, how a screen is shown, and what its form or script sends back."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue, FlatscanError
from flatscan.desk import answering, plans
from flatscan.desk import station_states as states
from flatscan.desk.bench import SEAL, SHEETS, Working
from flatscan.desk.crew import Stopped
from flatscan.desk.folders import Job, Plain
from flatscan.desk.taking import taken
from flatscan.jobs.job_plan import JobPlan

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

_TITLES = {
    "capture": "Scan",
    "size": "Size",
    "readings": "Readings",
    "lines": "Set-up",
    "wall": answering.WALL_STEP,
    "purpose": "What for",
    "questions": "Questions",
    "answers": "Answers",
    "sheets": "Sheets",
    "evidence": "Evidence",
}
# a page of its own beside the steps
PLAN = "plan"
COMPARE = "compare"
SCAN = ("capture", "wall", "purpose", "questions", "answers", "sheets", "evidence")
LINES = ("capture", "lines", *SCAN[1:])
LASER = ("size", "readings", "purpose", "questions", "answers", "sheets", "evidence")


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its address, title, number from 1, and whether the job has come far enough to open it."""

    name: str
    title: str
    number: int
    reached: bool


def names_of(job: Job) -> tuple[str, ...]:
    """Steps of this job in order: a scan has its walls to choose from, readings have their size."""
    if job.settings["readings"] is not None or job.settings["kind"] == "laser":
        return LASER
    return LINES if job.settings["kind"] == "lines" else SCAN


def steps_of(job: Job) -> list[Step]:
    """All steps of a job."""
    has, chosen = job.capture is not None, bool(_said(job, "purpose"))
    reached = {
        "capture": True,
        "size": True,
        "lines": job.settings["capture"] is not None,
        "readings": job.settings["readings"] is not None,
        "wall": has,
        "purpose": has,
    }
    return [
        Step(name, _TITLES[name], number, reached.get(name, has and chosen))
        for number, name in enumerate(names_of(job), 1)
    ]


def beside(job: Job, here: str) -> tuple[str | None, str | None]:
    """The steps before and after one."""
    names = names_of(job)
    at = names.index(here) if here in names else 0
    return names[at - 1] if at else None, names[at + 1] if at + 1 < len(names) else None


def where_to_go_on(job: Job) -> str:
    """The step a job opened again goes on at: the last one that makes sense, answers at most."""
    names = names_of(job)
    reached = {step.name: step.reached for step in steps_of(job)}
    held, purpose = job.settings["readings"], _said(job, "purpose")
    if job.broken is not None:
        return PLAN
    if held is not None and _goes_on_reading(held, purpose):
        return "readings"
    for name in ("answers", "purpose", "wall", "lines", "readings"):
        if name in names and reached[name]:
            return "wall" if name == "purpose" and "wall" in names and not _said(job, "wall") else name
    return names[0]


def _goes_on_reading(held: Plain, purpose: str) -> bool:
    """Whether somebody who comes back has a wall half read; stations left open on purpose are no reason."""
    waiting = (states.TYPING, states.DOUBTFUL) + (() if purpose else (states.OPEN,))
    return any(one.state in waiting for one in states.places(held))


def _said(job: Job, name: str) -> str:
    """The answer to a question; "" also where the plan that has it is broken."""
    return "" if job.broken is not None else answering.answer(job, name)


def show(template: str, job: Job, here: str, **more: Any) -> Any:
    """One screen of a job, with the steps before and after it."""
    from flask import render_template

    before, after = beside(job, here)
    title = "" if after is None else _TITLES[after]
    ways = {"undo": plans.way_back(job.settings, job.text), "redo": plans.way_forth(job.settings, job.text)}
    named = {name: answering.labels(what) for name, what in ways.items()}
    return render_template(template, job=job, here=here, before=before, after=after, next_title=title, **named, **more)


def changed(job: Job, here: str) -> Any:
    """After a screen was sent: on to the next, or back, or to the same one, as its button says."""
    from flask import redirect, request

    before, after = beside(job, here)
    to = {"back": before, "stay": here}.get(request.form.get("go", ""), after) or here
    return redirect(f"/wall/{job.name}/{to}", 303)


def sent_values(names: set[str], lists: set[str]) -> dict[str, Any]:
    """The fields of a form by name; a list of ticks that is empty is sent as nothing, and means none."""
    from flask import request

    values: dict[str, Any] = {name: request.form[name] for name in names - lists if name in request.form}
    return values | {name: request.form.getlist(name) for name in names & lists}


def revision() -> str:
    """The revision of the settings and the plan that a form was made from; one that is none where it says nothing."""
    from flask import request

    return request.form.get("revision", "")


def sent_json() -> dict[str, Any]:
    """The object a script sent; anything else raises `BadValue`."""
    from flask import request

    sent = request.get_json(silent=True)
    if not isinstance(sent, dict) or not isinstance(sent.get("revision"), str):
        raise BadValue("the page", "not what its script sends", needed="its own request", remedy="Load it again")
    return sent


def take(
    desk: Desk,
    name: str,
    revision: str,
    values: Mapping[str, Any],
    *,
    typed: bool = False,
    first: Callable[[JobPlan], JobPlan] = lambda plan: plan,
) -> Job:
    """What a page sent, in the job's plan, after ``first``; what is no value yet is kept as it was typed."""
    units, wrong = desk.jobs.get(name).settings["units"], dict[str, str]()

    def replan(plan: JobPlan) -> JobPlan:
        made, found = taken(first(plan), values, units)
        wrong.update(found)
        return made

    def put(settings: Plain) -> None:
        settings["entries"] = {key: text for key, text in (settings["entries"] | wrong).items() if text}

    return desk.jobs.keep(name, revision, put, replan, typed=typed)


def keep(desk: Desk, name: str) -> Any:
    """Answers as they are typed; gives the new revision and what is wrong with a length, by field."""
    from flask import jsonify

    sent = sent_json()
    values = sent.get("values")
    if not isinstance(values, dict):
        raise BadValue("the page", "no values", needed="its own fields", remedy="Load it again")
    job = take(desk, name, sent["revision"], values, typed=True)
    if "capture_type" in values:
        _begin(desk, job)
    wrong = answering.troubles(job)
    return jsonify(revision=job.revision, troubles={key: wrong.get(key, "") for key in values})


def _begin(desk: Desk, job: Job) -> None:
    """The walls found as such a capture has them, while the other questions are read; the next page tells errors."""
    with contextlib.suppress(FlatscanError, Stopped):
        desk.bench.room(job, wait=0.0)


def state(desk: Desk, name: str) -> Any:
    """Whether the work a page waits for is done."""
    from flask import jsonify, request

    job, of = desk.jobs.get(name), request.args.get("of")
    try:
        if of in (SHEETS, SEAL):
            found: Any = desk.bench.making(job, of)
        else:
            found = desk.bench.room(job) if of == "wall" else desk.bench.nearest(job)
    except (FlatscanError, Stopped):
        # the page itself tells it when it is loaded again
        return jsonify(done=True)
    if isinstance(found, Working):
        return jsonify(done=False, words=found.words, share=found.share)
    return jsonify(done=True, next=where_to_go_on(job))


def stop(desk: Desk, name: str) -> Any:
    """Stop what is being done on a wall, and show the screen that waited for it."""
    from flask import redirect

    job = desk.jobs.get(name)
    desk.bench.stop(name)
    return redirect(f"/wall/{name}/{_asked_for(job)}", 303)


def again(desk: Desk, name: str) -> Any:
    """Go on with what was stopped."""
    from flask import redirect

    job = desk.jobs.get(name)
    desk.bench.again(name)
    return redirect(f"/wall/{name}/{_asked_for(job)}", 303)


def _asked_for(job: Job) -> str:
    from flask import request

    to = request.form.get("to", "")
    return to if to in (*names_of(job), COMPARE) else ""


def kept_from(desk: Desk, job: Job, kind: str) -> dict[str, str] | None:
    """What kept the sheets or the seal from being made, in four parts; None where nothing did, or somebody stopped it.

    Those that were there before are there still.
    """
    try:
        desk.bench.made(job, kind)
    except FlatscanError as wrong:
        return _in_parts(desk, job, wrong)
    except Stopped as ended:
        return _in_parts(desk, job, ended.reason)
    return None


def _in_parts(desk: Desk, job: Job, wrong: FlatscanError | None) -> dict[str, str] | None:
    return None if wrong is None else answering.in_four_parts(wrong, desk.jobs.folder, job.settings["units"])


def stopped(desk: Desk, ended: Stopped) -> Any:
    """The screen of a wall on which work was stopped, in the place of the one that needs it."""
    from flask import jsonify, request

    job = desk.jobs.get((request.view_args or {})["name"])
    here = request.path.rpartition("/")[2]
    if request.method != "GET":
        return jsonify(where="", found="The measuring was stopped", needed="", remedy="Open the page again"), 409
    trouble = _in_parts(desk, job, ended.reason)
    return show("stopped.html.j2", job, here if here in names_of(job) else names_of(job)[0], trouble=trouble)
