"""Changes of the plan that somebody makes at the answers: cuts, points, boxes, readings; its text; and the way back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.geometry import Rectangle
from flatscan.core.model import Wall
from flatscan.core.notes import note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import metres
from flatscan.core.typed import parse_length
from flatscan.desk import answering, plans
from flatscan.desk.bench import PATIENCE, Working
from flatscan.desk.crew import Stopped
from flatscan.desk.folders import Job, Plain
from flatscan.desk.screens import PLAN, names_of, revision, sent_json, show
from flatscan.jobs import SetOut, Survey
from flatscan.jobs.fixing import box, off_wall
from flatscan.jobs.job_plan import JobPlan
from flatscan.jobs.ticking import Tick, ticks_of
from flatscan.plan.cutting import Cut
from flatscan.report.say import say

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

# the fields of a fixed point and of a box, and what the page calls each
POINT = {"x": "From the left", "y": "Up", "proud": "Stands proud of the wall"}
BOX = {"left": "From the left", "bottom": "Up from the foot", "width": "Width", "height": "Height"}
BOXES = {"opening": "An opening", "pocket": "A chase, filled first", "skip": "Not to be plastered"}
_FORMS = {"fix": POINT, "box": BOX}
_MOST = 50
Change = Callable[[JobPlan], JobPlan]


def held(job: Job, form: str) -> dict[str, str]:
    """What was typed into a form and could not be put in, by its fields."""
    found = {name: job.settings["entries"].get(f"{form}-{name}", "") for name in (*_FORMS[form], "number", "kind")}
    return found if any(found.values()) else dict.fromkeys(found, "")


def read(form: str, texts: Mapping[str, str], wall: Wall | None, to: Manner) -> tuple[dict[str, float], dict[str, str]]:
    """The lengths [m] typed into a form, and what is wrong with them by field; off the ``wall`` is wrong too."""
    values, wrong = dict[str, float](), dict[str, str]()
    for name, said in _FORMS[form].items():
        try:
            values[name] = parse_length(texts.get(name, ""), where=said, unit="in" if to.units == "in" else "mm")
        except FlatscanError as trouble:
            wrong[name] = answering.wrong(trouble, to)
    if wrong or wall is None:
        return values, wrong
    return values, _off(form, values, wall, to)


def _off(form: str, values: Mapping[str, float], wall: Wall, to: Manner) -> dict[str, str]:
    """The fields that put something off the wall, each with the wall's size."""
    wide = say(note("desk.off-width", width=metres(wall.width)), to)
    high = say(note("desk.off-height", height=metres(wall.height)), to)
    if form == "fix":
        along, up = off_wall(wall, values["x"], values["y"])
        return ({"x": wide} if along else {}) | ({"y": high} if up else {})
    try:
        left, bottom, right, top = _box(values)
    except BadValue as trouble:
        return {"width": answering.wrong(trouble, to)}
    found = dict[str, str]()
    for names, corner in ((("left", "bottom"), (left, bottom)), (("width", "height"), (right, top))):
        for name, out, said in zip(names, off_wall(wall, *corner), (wide, high), strict=True):
            found |= {name: said} if out else {}
    return found


def _box(values: Mapping[str, float]) -> Rectangle:
    return box(values["left"], values["bottom"], values["width"], values["height"])


def wall_of(desk: Desk, job: Job) -> Wall | None:
    """The job's wall, None where it is not found yet, or cannot be."""
    try:
        room = desk.bench.room(job, wait=PATIENCE)
    except (FlatscanError, Stopped):
        return None
    if isinstance(room, Working):
        return None
    how = answering.capturing(job)
    walls = [one for one in room.room.walls if one.number == how.wall and how.part in ("", one.part)]
    return walls[0] if walls else None


def fix(desk: Desk, name: str) -> Any:
    """A fixed point added where the wall was tapped, changed, or taken away."""
    from flask import request

    if "remove" in request.form:
        return _changed(desk, name, _removing(request.form["remove"]), "fixed")

    def put(values: dict[str, float]) -> Change:
        at = (values["x"], values["y"], values["proud"])
        return lambda plan: replace(plan, fix=_with_point(plan.fix, request.form.get("number", ""), at))

    return _sent(desk, name, "fix", put, "fixed")


def _with_point(points: tuple[Any, ...], number: str, at: tuple[float, float, float]) -> tuple[Any, ...]:
    """Points with one in the place of another, or one more at their end."""
    where = _index(number, "fix", len(points))
    if where is None:
        _no_more(points)
        return (*points, (*at, 0.0, True))
    return (*points[:where], (*at, *points[where][3:]), *points[where + 1 :])


def _no_more(parts: tuple[Any, ...]) -> None:
    if len(parts) >= _MOST:
        raise BadValue("the plan", "{most} of one kind", needed="no more", remedy="Remove one first", most=_MOST)


def _index(number: str, kind: str, count: int) -> int | None:
    """Which of so many a page's name such as ``fix-2`` means; None for another kind or one there is not."""
    found, _, digits = number.partition("-")
    is_one = found == kind and digits.isascii() and digits.isdigit() and len(digits) < 4 and int(digits) < count
    return int(digits) if is_one else None


def _removing(number: str) -> Change:
    """A change that takes away what a page calls such as ``fix-0``, ``reading-1``, ``opening-0`` or ``cut-1``."""
    kind = number.partition("-")[0]
    name = {"reading": "fix_reading"}.get(kind, kind)

    def change(plan: JobPlan) -> JobPlan:
        parts = getattr(plan, name) if name in ("fix", "fix_reading", "cut", *BOXES) else ()
        at = _index(number, kind, len(parts))
        return plan if at is None else plan.changed_by({name: (*parts[:at], *parts[at + 1 :])})

    return change


def boxes(desk: Desk, name: str) -> Any:
    """An opening, a chase or a part not to be plastered added or changed, or one of them, or a cut, taken away."""
    from flask import request

    if "remove" in request.form:
        return _changed(desk, name, _removing(request.form["remove"]), "boxes")
    kind = request.form.get("kind", "")
    if kind not in BOXES:
        raise BadValue("the page", "no kind of box", needed="one of its own", remedy="Load it again")

    number = request.form.get("number", "")

    def put(values: dict[str, float]) -> Change:
        return lambda plan: _with_box(plan, kind, number, _box(values))

    return _sent(desk, name, "box", put, "boxes")


def _with_box(plan: JobPlan, kind: str, number: str, box: Rectangle) -> JobPlan:
    """The plan with one box more, or with it in the place of the one that a page calls so."""
    parts = getattr(plan, kind)
    at = _index(number, kind, len(parts))
    if at is not None:
        return plan.changed_by({kind: (*parts[:at], box, *parts[at + 1 :])})
    if number.partition("-")[0] in BOXES:
        # it is of another kind now
        plan = _removing(number)(plan)
    _no_more(parts)
    return plan.changed_by({kind: (*parts, box)})


def _sent(desk: Desk, name: str, form: str, put: Callable[[dict[str, float]], Change], to: str) -> Any:
    """A form with lengths put into the plan; what is wrong in it is kept and shown beside its field."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    texts = {field: request.form.get(field, "").strip()[:40] for field in (*_FORMS[form], "number", "kind")}
    values, wrong = read(form, texts, wall_of(desk, job), answering.spoken_to(job))
    entries = {f"{form}-{field}": text for field, text in texts.items()}

    def keep(settings: Plain) -> None:
        others = {key: text for key, text in settings["entries"].items() if key not in entries}
        settings["entries"] = others | (entries if wrong else {})

    desk.jobs.keep(name, revision(), keep, None if wrong else put(values))
    return redirect(f"/wall/{name}/answers#{to}", 303)


def _changed(desk: Desk, name: str, change: Change, to: str) -> Any:
    from flask import redirect

    desk.jobs.keep(name, revision(), replan=change)
    return redirect(f"/wall/{name}/answers#{to}", 303)


def key_of(one: Tick | Cut) -> str:
    """What a page calls a place on the wall."""
    return f"{one.x:.4f},{one.y:.4f}"


def cut(desk: Desk, name: str) -> Any:
    """Humps ticked or unticked: what that cuts is in the plan, and everything is worked out by it."""
    from flask import jsonify

    sent = sent_json()
    keys = sent.get("cut")
    job = desk.jobs.get(name)
    found = desk.bench.nearest(job, wait=PATIENCE)
    cuts = None
    if isinstance(found, (Survey, SetOut)) and isinstance(keys, list):
        places = [(one.x, one.y) for one in ticks_of(found.plan) if key_of(one) in keys]
        cuts = desk.bench.ticked(job, found, places)
    if not isinstance(cuts, tuple):
        raise BadValue("hacking", "the answers are not ready", needed="a moment", remedy="Load the page again")
    job = desk.jobs.keep(name, sent["revision"], replan=lambda plan: replace(plan, cut=cuts))
    desk.bench.nearest(job, wait=0.0)
    return jsonify(revision=job.revision)


def accept(desk: Desk, name: str) -> Any:
    """A reading that others deny is right: somebody looked."""
    from flask import request

    job = desk.jobs.get(name)
    found = desk.bench.nearest(job, wait=PATIENCE)
    doubted = () if isinstance(found, Working) else found.seen.doubted
    right = [(one.x, one.y) for one in doubted if f"{one.x:.4f},{one.y:.4f}" == request.form.get("place")]
    return _changed(desk, name, lambda plan: replace(plan, accept=(*plan.accept, *right)), "doubted")


def plan_page(desk: Desk, name: str, trouble: FlatscanError | None = None) -> Any:
    """The plan as its file has it, to be read and put right; one that cannot be read is shown with its error."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    text, code = job.text, 200
    if request.method == "POST":
        text = request.form.get("text", "").replace("\r\n", "\n")
        try:
            plans.plan_in(text, job.folder)
        except FlatscanError as wrong:
            trouble, code = wrong, 422
        else:
            desk.jobs.put_plan(name, revision(), lambda job: _by_hand(job, text))
            return redirect(f"/wall/{name}/{PLAN}", 303)
    trouble = trouble or job.broken
    units = job.settings["units"]
    parts = None if trouble is None else answering.in_four_parts(trouble, desk.jobs.folder, units)
    mark = "" if job.broken else job.plan.fingerprint if _usable(job) else ""
    return show("plan.html.j2", job, PLAN, text=text, trouble=parts, fingerprint=mark), code


def _usable(job: Job) -> bool:
    try:
        _ = job.plan.fingerprint
    except FlatscanError:
        return False
    return True


def _by_hand(job: Job, text: str) -> str:
    if text != job.text:
        plans.changed(job.settings, job.text, text, plans.BY_HAND)
    return text


def undo(desk: Desk, name: str) -> Any:
    """The plan as it was before the last change."""
    return _moved(desk, name, plans.back)


def redo(desk: Desk, name: str) -> Any:
    """The plan as it was before the last change was taken back."""
    return _moved(desk, name, plans.forth)


def _moved(desk: Desk, name: str, way: Callable[[Plain, str], str]) -> Any:
    from flask import redirect, request

    job = desk.jobs.put_plan(name, revision(), lambda job: way(job.settings, job.text))
    to = request.form.get("to", "")
    return redirect(f"/wall/{name}/{to if to in (*names_of(job), PLAN) else PLAN}", 303)
