"""The answers: what the report says, the wall to touch, and the plan to be changed beside it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import cubic_metres, metres
from flatscan.desk import answering, mending, telling
from flatscan.desk.bench import Working
from flatscan.desk.folders import Job
from flatscan.desk.screens import changed, revision, sent_values, show, take
from flatscan.jobs import Planned, Result, SetOut, Survey
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.ticking import ticks_of
from flatscan.report import report_of
from flatscan.report.bands import cut_of
from flatscan.report.page import packing
from flatscan.report.parts import Report
from flatscan.report.say import Said, finished, say
from flatscan.report.sections.hacking_section import depth_of
from flatscan.report.sections.seen_section import signed
from flatscan.report.tables import rounded

if TYPE_CHECKING:
    from flatscan.desk.app import Desk


def ticks(plan: Planned, to: Manner) -> list[dict[str, Any]]:
    """The humps for ticking: mark, place (also in metres, as its key), cut in words, and whether it is cut already."""
    rows = []
    for one in ticks_of(plan):
        where = note("report.at", (one.x, one.y))
        if one.saves is not None:
            where = note("desk.hump-where", (one.x, one.y), saves=cubic_metres(one.saves))
        cut = note("desk.hump", cut=cut_of(one.depth, None) if one.hack is None else depth_of(one.hack))
        row = {"mark": f"H{one.number}", "key": mending.key_of(one), "where": say(where, to), "cut": say(cut, to)}
        rows.append(row | {"ticked": one.cut})
    return rows


def answers(desk: Desk, name: str) -> Any:
    """What can be said at once, the wall to touch, and the plan to change: cuts, fixed points, boxes, the face."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if not answering.asked(job):
        return redirect(f"/wall/{name}/purpose")
    if request.method == "POST":
        return changed(take(desk, name, revision(), sent_values({"face"}, set())), "answers")
    trouble = None
    try:
        found: Result | Working | None = desk.bench.nearest(job)
    except FlatscanError as wrong:
        found, trouble = None, answering.in_four_parts(wrong, desk.jobs.folder, job.settings["units"])
    if isinstance(found, Working):
        return show("working.html.j2", job, "answers", working=found, of="answers")
    if found is None:
        return show("mend.html.j2", job, "answers", trouble=trouble, **_plan(desk, job, None))
    report = report_of(found)
    return show(
        "answers.html.j2",
        job,
        "answers",
        **_drawn(report, job),
        **_said(report, job, found),
        **_planned(found, job),
        **_plan(desk, job, found),
        fingerprint=report.fingerprint,
    )


def _drawn(report: Report, job: Job) -> dict[str, Any]:
    """The wall to touch and its numbered spots."""
    data = packing.pack(report, job.settings["units"])
    spots = [
        {"mark": spot.mark, "x_mm": rounded(spot.x * 1000), "y_mm": rounded(spot.y * 1000)} for spot in report.spots
    ]
    return {"data": data, "layers": data["layers"], "spots": spots}


def _said(report: Report, job: Job, found: Result) -> dict[str, Any]:
    """What the report says: the sentence that leads, the answers, the choices side by side, the notes last."""
    to = answering.spoken_to(job)
    choices = report.section("choices")
    beside = None if choices is None else choices.tables[0]
    known_from = [fact for section in report.sections for fact in section.facts if fact.key == "plumb-from"]
    said: tuple[Said, ...] = (
        *(note("desk.labelled", label=Note("fact.plumb-from"), what=fact.text) for fact in known_from),
        *report.notes,
    )
    plan = _plan_of(found)
    return {
        **telling.told(report, to, humps=plan is not None and bool(ticks(plan, to)), plans=plan is not None),
        "choices": None if beside is None else say(beside.title, to),
        "choice_texts": [] if beside is None else beside.texts(to.units),
        "choice_heads": [] if beside is None else beside.headings(to.units),
        "not_examined": finished(note("report.list", parts=report.not_examined), to),
        "notes": [finished(text, to) for text in said],
        "record": say(report.record, to),
        "unknowns": answering.unknowns(job),
    }


def _plan_of(found: Result) -> Planned | None:
    return found.plan if isinstance(found, (Survey, SetOut)) else None


def _planned(found: Result, job: Job) -> dict[str, Any]:
    """What may be ticked, put in and chosen, where something was planned; and readings that somebody must look at."""
    to = answering.spoken_to(job)
    plan = _plan_of(found)
    doubted = [
        (f"{one.x:.4f},{one.y:.4f}", say(note("desk.doubted", (one.x, one.y), reading=metres(one.reading)), to))
        for one in found.seen.doubted
    ]
    return {
        "plans": plan is not None,
        "humps": [] if plan is None else ticks(plan, to),
        "face": answering.answer(job, "face"),
        "doubted": doubted,
    }


def _plan(desk: Desk, job: Job, found: Result | None) -> dict[str, Any]:
    """The points, boxes and cuts of the plan, and what was typed for one and could not be put in."""
    to, plan = answering.spoken_to(job), job.plan
    wall = mending.wall_of(desk, job) if found is None else found.wall
    forms = {}
    for form in ("fix", "box"):
        texts = mending.held(job, form)
        typed = any(texts.values())
        forms[form] = {"texts": texts, "wrong": mending.read(form, texts, wall, to)[1] if typed else {}}
    return {
        "forms": forms,
        "fixed": [*_points(plan, to)],
        "boxes": [*_boxes(plan, to)],
        "cuts": [*_cuts(plan, to)],
        "kinds": mending.BOXES,
    }


Row = tuple[str, str, dict[str, str]]


def _points(plan: JobPlan, to: Manner) -> Iterator[Row]:
    """Every fixed point: what the page calls it, in words, and its fields where it may be changed."""
    for number, (x, y, offset, _, beside) in enumerate(plan.fix):
        code = "desk.point-beside" if beside else "desk.point"
        fields = dict(zip(mending.POINT, (_field(one, to) for one in (x, y, offset)), strict=True))
        yield f"fix-{number}", say(note(code, (x, y), proud=signed(metres(offset))), to), fields
    for number, (x, y, reading) in enumerate(plan.fix_reading):
        yield f"reading-{number}", say(note("desk.point-read", (x, y), reading=metres(reading)), to), {}


def _field(length: float, to: Manner) -> str:
    return say(note("desk.held", length=metres(length)), to)


def _boxes(plan: JobPlan, to: Manner) -> Iterator[Row]:
    for kind, name in mending.BOXES.items():
        for number, (left, bottom, right, top) in enumerate(getattr(plan, kind)):
            size = {"name": name, "left": metres(left), "bottom": metres(bottom)}
            size |= {"right": metres(right), "top": metres(top)}
            sides = (left, bottom, right - left, top - bottom)
            place = ",".join(f"{side:.6f}" for side in sides)
            yield f"{kind}-{number}", say(note("desk.box", None, **size), to), {"box": place}


def _cuts(plan: JobPlan, to: Manner) -> Iterator[Row]:
    """The cuts of a plan that nothing could be worked out by: there are no humps to tick then."""
    for number, one in enumerate(plan.cut):
        place = None if isinstance(one, str) else note("desk.cut-at", (one.x, one.y), cut=metres(one.depth))
        yield f"cut-{number}", one if isinstance(one, str) else say(place or "", to), {}
