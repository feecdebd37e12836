"""The answers: the report's facts under the questions they answer, the wall to touch, and what ticks would change."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue
from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import cubic_metres, metres
from flatscan.core.typed import parse_length
from flatscan.desk import answering
from flatscan.desk.bench import Cut, Working
from flatscan.desk.folders import Job, Plain
from flatscan.desk.screens import changed, revision, sent_json, sent_values, show
from flatscan.jobs import Result, SetOut, Survey
from flatscan.plan.hacking import Hack
from flatscan.report import report_of
from flatscan.report.page import packing
from flatscan.report.parts import Fact, Report
from flatscan.report.say import Said, finished, say
from flatscan.report.sections.hacking_section import depth_of
from flatscan.report.sections.plan_section import material, order_section
from flatscan.report.sections.seen_section import signed
from flatscan.report.tables import rounded

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

Line = tuple[str, str]
# the question each fact answers, by the fact's key, the one that matters most to its job first
QUESTIONS = {
    "is-flat": "ask.is-flat",
    "is-plumb": "ask.is-plumb",
    "has-no-step": "ask.has-no-step",
    "is-square": "ask.is-square",
    "is-within": "ask.is-within",
    "why": "ask.why",
    "by-hand": "ask.by-hand",
    "bags": "ask.bags",
    "order-note": "ask.order-note",
    "thick": "ask.thick",
    "volume": "ask.volume",
    "governs": "ask.governs",
    "coats": "ask.coats",
    "days": "ask.days",
    "screeds": "ask.screeds",
    "start": "ask.start",
    "set-out-note": "ask.set-out-note",
    "shave": "ask.shave",
    "lows": "ask.lows",
    "fill": "ask.fill",
    "lean": "ask.lean",
    "gap": "ask.gap",
    "measured": "ask.measured",
}
# a set-out asks where, not how much
_NOT_OF_SET_OUT = {"bags", "order-note", "governs", "coats", "days"}
# what a cut changes: the fact's key, and its name beside the ticks
_CHANGES = (
    ("volume", "ask.cut-volume"),
    ("bags", "ask.cut-bags"),
    ("mean", "ask.cut-mean"),
    ("most", "ask.cut-most"),
    ("left-foot", "ask.cut-foot"),
    ("lean-turn", "ask.cut-lean"),
)
_MOST_FIXED = 20


def lines(report: Report, to: Manner) -> list[Line]:
    """Question and answer, the one that matters most to this job first; what is not known answers nothing."""
    facts = [fact for section in report.sections for fact in (*section.facts, *section.answers)]
    left_out = _NOT_OF_SET_OUT if report.command == SetOut.command else set()
    return [
        (say(Note(code), to), finished(fact.text, to))
        for key, code in QUESTIONS.items()
        for fact in facts
        if fact.key == key and key not in left_out and not _is_unknown(fact)
    ]


def _is_unknown(fact: Fact) -> bool:
    return isinstance(fact.text, Note) and fact.text.code == "report.unknown"


def after_cutting(cut: Cut, to: Manner) -> list[Line]:
    """What the ticked humps change: savings, thickness, volume, order and where the face stands."""
    facts = {fact.key: fact.text for section in (material(cut.plan), order_section(cut.plan)) for fact in section.facts}
    saves = note("desk.saves", volume=cubic_metres(cut.saves))
    changes = [("ask.cut-saves", saves), *((code, facts.get(key, note("report.unknown"))) for key, code in _CHANGES)]
    return [(say(Note(code), to), say(said, to)) for code, said in changes]


def humps(hacks: Sequence[Hack], to: Manner) -> Iterator[dict[str, str]]:
    """The hacking list for ticking: mark, place (also in metres, as its key), and cut in words."""
    for number, hack in enumerate(hacks, 1):
        where = note("desk.hump-where", (hack.x, hack.y), saves=cubic_metres(hack.saves))
        cut = note("desk.hump", cut=depth_of(hack))
        yield {"mark": f"H{number}", "key": _key(hack), "where": say(where, to), "cut": say(cut, to)}


def _key(hack: Hack) -> str:
    return f"{hack.x:.4f},{hack.y:.4f}"


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
    report = report_of(found)
    return show("answers.html.j2", job, "answers", **_drawn(report, job), **_said(report, job), **_planned(found, job))


def _drawn(report: Report, job: Job) -> dict[str, Any]:
    """The wall to touch and its numbered spots."""
    data = packing.pack(report, job.settings["units"])
    spots = [
        {"mark": spot.mark, "x_mm": rounded(spot.x * 1000), "y_mm": rounded(spot.y * 1000)} for spot in report.spots
    ]
    return {"data": data, "layers": data["layers"], "grid": data["grid"] is not None, "spots": spots}


def _said(report: Report, job: Job) -> dict[str, Any]:
    """What the report says: stop signs and cautions first, the answers, the choices side by side, the notes last."""
    to = answering.spoken_to(job)
    choices = report.section("choices")
    beside = None if choices is None else choices.tables[0]
    known_from = [fact for section in report.sections for fact in section.facts if fact.key == "plumb-from"]
    said: tuple[Said, ...] = (
        *(note("desk.labelled", label=Note("fact.plumb-from"), what=fact.text) for fact in known_from),
        *report.notes,
    )
    return {
        "stops": [say(note("report.stop", sign=sign), to) for sign in report.stops],
        "cautions": [say(caution, to) for caution in report.cautions],
        "lines": lines(report, to),
        "choices": None if beside is None else say(beside.title, to),
        "choice_texts": [] if beside is None else beside.texts(to.units),
        "choice_heads": [] if beside is None else beside.headings(to.units),
        "not_examined": finished(note("report.list", parts=report.not_examined), to),
        "notes": [finished(text, to) for text in said],
        "record": say(report.record, to),
        "unknowns": answering.unknowns(job),
    }


def _planned(found: Result, job: Job) -> dict[str, Any]:
    """What may be ticked, put in and chosen, where something was planned."""
    to, held = answering.spoken_to(job), job.settings
    plan = found.plan if isinstance(found, (Survey, SetOut)) else None
    return {
        "plans": plan is not None,
        "humps": [] if plan is None else list(humps(plan.hacks, to)),
        "before_hacking": say(note("report.before-hacking"), to),
        "cut": [f"{x:.4f},{y:.4f}" for x, y in held["cut"]],
        "fixed": [
            (number, say(note("report.at", (x, y)), to), say(signed(metres(proud)), to))
            for number, (x, y, proud) in enumerate(held["fixed"])
        ],
        "face": answering.answer(job, "face") or "plumb",
    }


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
        at = [
            parse_length(form.get(field, ""), where=said, unit=unit)
            for field, said in (("x", "From the left"), ("y", "Up"), ("proud", "Stands proud"))
        ]
        if len(settings["fixed"]) >= _MOST_FIXED:
            raise BadValue("fixed points", "{count}", needed="no more", remedy="Remove one first", count=_MOST_FIXED)
        if not all(abs(value) < 100 for value in at):
            raise BadValue(
                "fixed point",
                "a length over {most:span}",
                needed="a place on the wall",
                remedy="Check the unit",
                most=metres(100),
            )
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
    places = [(hack.x, hack.y) for hack in found.plan.hacks if _key(hack) in keys]
    after = desk.bench.cut(job, places)
    job = desk.jobs.keep(name, sent["revision"], lambda settings: settings.update(cut=[list(at) for at in places]))
    return jsonify(revision=job.revision, lines=after_cutting(after, answering.spoken_to(job)))
