"""The wall, what it is for, the questions, and the answers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue
from flatscan.core.lengths import parse_length
from flatscan.desk import answering, told
from flatscan.desk.asking import PURPOSES, UNKNOWN
from flatscan.desk.bench import Working
from flatscan.desk.folders import Plain
from flatscan.desk.plans import elevation, room_plan
from flatscan.desk.saving import sent_json
from flatscan.desk.showing import changed, revision, sent_values, show
from flatscan.jobs import SetOut, Survey
from flatscan.jobs.settings import CLOUD_TYPE
from flatscan.report import more_tables, tables, words
from flatscan.report.model import Report
from flatscan.report.page import packing
from flatscan.report.reporting import report_of
from flatscan.report.say import say, spoken
from flatscan.report.view import Findings, findings_of

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

_LISTS = {"seen", "no_opening"}
_MOST_FIXED = 20


def wall(desk: Desk, name: str) -> Any:
    """The walls found, one of them, its openings, and its size by tape."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        values = sent_values(set(answering.WALL_FIELDS), _LISTS)
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
    chosen = answering.capturing(job).wall
    here = next((one for one in read.room.walls if one.number == chosen), read.room.walls[0])
    units = job.settings["units"]
    dropped = set(answering.capturing(job).no_opening)
    sizes = {one.number: f"{words.length(one.width, units)} x {words.length(one.height, units)}"
             for one in read.room.walls}  # fmt: skip
    openings = [(number, f"{words.length(hole.width, units)} x {words.length(hole.height, units)}", number in dropped)
                for number, hole in enumerate(here.openings, 1)]  # fmt: skip
    return show(
        "wall.html.j2", job, "wall", chosen=here.number, sizes=sizes, openings=openings,
        plan=room_plan(read.room, here.number) if len(sizes) > 1 else None,
        drawing=elevation(here, units, dropped), notes=spoken((*read.room.notes, *here.notes), units),
        tape=answering.tape_cost(answering.answer(job, "capture_type") or CLOUD_TYPE), is_scan=job.is_scan,
        troubles=answering.troubles(job), hints=answering.HINTS, facing=say(here.facing_from, units),
        up_from=say(here.up_from, units),
    )  # fmt: skip


def _wall_kept(settings: Plain, values: dict[str, Any]) -> None:
    before = settings["answers"].get("wall", "1") or "1"
    if values.get("wall", before) != before:
        # openings, fixed points and ticks belong to the wall that was chosen before
        values["no_opening"] = []
        settings["fixed"], settings["cut"] = [], []
    answering.take(settings, values)


def _hints(desk: Desk, job: Any, trouble: Exception) -> Any:
    """What the file does not say, asked for beside the reason."""
    from flatscan.core.errors import FlatscanError
    from flatscan.desk.wording import plain

    if not isinstance(trouble, FlatscanError):
        raise trouble
    parts = plain(trouble, desk.jobs.folder)
    return show("hints.html.j2", job, "wall", **parts, hints=answering.HINTS)


def purpose(desk: Desk, name: str) -> Any:
    """What the survey is for."""
    job = desk.jobs.get(name)
    from flask import request

    if request.method == "POST":
        values = sent_values({"purpose"}, set())
        if values.get("purpose") not in {one.name for one in PURPOSES}:
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
        values = sent_values({question.name for question in asked}, _LISTS)
        job = desk.jobs.keep(name, revision(), lambda settings: answering.take(settings, values))
        wrong = answering.troubles(job)
        if not wrong or request.form.get("go") == "back":
            return changed(job, "questions")
    return show(
        "questions.html.j2", job, "questions", questions=asked, answers=job.settings["answers"], unknown=UNKNOWN,
        troubles=answering.troubles(job),
    )  # fmt: skip


def answers(desk: Desk, name: str) -> Any:
    """One line for each answer, the wall to touch, what hacking and other choices would change."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if not answering.asked(job):
        return redirect(f"/wall/{name}/purpose")
    if request.method == "POST":
        values = sent_values({"face"}, set())
        job = desk.jobs.keep(name, revision(), lambda settings: answering.take(settings, values))
        return changed(job, "answers")
    found = desk.bench.result(job)
    if isinstance(found, Working):
        return show("working.html.j2", job, "answers", working=found, of="answers")
    return show(
        "answers.html.j2",
        job,
        "answers",
        **_shown(spoken(findings_of(found), job.settings["units"]), report_of(found), job),
    )


def _shown(found: Findings, report: Report, job: Any) -> dict[str, Any]:
    units = job.settings["units"]
    data = packing.pack(report, units)
    choices = more_tables.choices(found)
    return {
        "told": told.answers(found, units), "plumb_from": told.plumb_from(found, units),
        "unknowns": answering.unknowns(job),
        "cautions": words.all_cautions(found, units), "layers": data["layers"], "grid": data["grid"] is not None,
        "data": data, "spots": tables.spot_table(found).records() + tables.gap_table(found).records(),
        "humps": told.humps(found.hacks or (), units), "cut": [f"{x:.4f},{y:.4f}" for x, y in job.settings["cut"]],
        "fixed": [
            (number, words.place((x, y), units), words.signed(proud, units))
            for number, (x, y, proud) in enumerate(job.settings["fixed"])
        ],
        "plans": found.build_up is not None, "face": answering.answer(job, "face") or "plumb",
        "choices": choices if found.choices else None, "choice_texts": choices.texts(units),
        "choice_heads": choices.headings(units), "not_examined": "; ".join(words.not_examined(found, units)),
        "warnings": [words.sentence(text) for text in dict.fromkeys(found.warnings)],
        "record": words.RECORD, "before_hacking": words.BEFORE_HACKING,
    }  # fmt: skip


def fix(desk: Desk, name: str) -> Any:
    """A fixed point added where the wall was tapped, or taken away."""
    from flask import redirect, request

    form = request.form

    def put(settings: Plain) -> None:
        if "remove" in form:
            number = form["remove"]
            if number.isdigit() and len(number) < 4 and int(number) < len(settings["fixed"]):
                del settings["fixed"][int(number)]
            return
        unit = "in" if settings["units"] == "in" else "mm"
        at = [parse_length(form.get(field, ""), where=said, unit=unit)
              for field, said in (("x", "From the left"), ("y", "Up"), ("proud", "Stands proud"))]  # fmt: skip
        if len(settings["fixed"]) >= _MOST_FIXED:
            raise BadValue("fixed points", f"{_MOST_FIXED}", needed="no more", remedy="Remove one first")
        if not all(abs(value) < 100 for value in at):
            raise BadValue("fixed point", "a length over 100 m", needed="a place on the wall", remedy="Check the unit")
        settings["fixed"].append([round(value, 6) for value in at])

    desk.jobs.keep(name, revision(), put)
    return redirect(f"/wall/{name}/answers#fixed", 303)


def cut(desk: Desk, name: str) -> Any:
    """Humps ticked or unticked: kept, and what that changes."""
    from flask import jsonify

    sent = sent_json()
    keys = sent.get("cut")
    job = desk.jobs.get(name)
    found = desk.bench.result(job, wait=60.0)
    if isinstance(found, Working) or not isinstance(found, (Survey, SetOut)) or not isinstance(keys, list):
        raise BadValue("hacking", "the answers are not ready", needed="a moment", remedy="Load the page again")
    known = {one["key"]: (hack.x, hack.y)
             for one, hack in zip(told.humps(found.plan.hacks, "mm"), found.plan.hacks, strict=True)}  # fmt: skip
    places = [known[key] for key in known if key in keys]
    made = desk.bench.cut(job, places)
    job = desk.jobs.keep(name, sent["revision"], lambda settings: settings.update(cut=[list(at) for at in places]))
    return jsonify(revision=job.revision, lines=told.after_cutting(made, job.settings["units"]))
