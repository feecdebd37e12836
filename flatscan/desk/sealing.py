"""The sealed file for the other side: what is stated in it, kept as it is typed, and its making."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from flatscan import evidence
from flatscan.core.errors import BadValue
from flatscan.desk import answering
from flatscan.desk.asking import what_for
from flatscan.desk.bench import SEAL
from flatscan.desk.folders import Job, OtherTab, Plain
from flatscan.desk.papers import EVIDENCE
from flatscan.desk.screens import kept_from, revision, sent_json, show
from flatscan.jobs.job_plan import PlanUsed
from flatscan.jobs.plan_file import NAME

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

# what is stated, and what the page calls each
STATED = {
    "title": "What is it about?",
    "date": "Day, as you state it",
    "present": "Who was there, with commas between",
    "grounds": "How do you know how it was scanned?",
    "note": "A note",
}
_MOST_WORDS = 300


def evidence_page(desk: Desk, name: str) -> Any:
    """Seal the capture, the settings, the results and what is stated into one file."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if request.method == "POST":
        # kept before anything else can be wrong: nobody types it twice
        try:
            job = desk.jobs.keep(name, revision(), lambda settings: _put(settings, request.form))
        except OtherTab:
            return _page(
                job, answering.in_four_parts(_changed(), desk.jobs.folder, job.settings["units"]), _typed()
            ), 409
    if not answering.asked(job):
        return redirect(f"/wall/{name}/purpose")
    if request.method == "POST":
        if not _wrong(job):
            _begin(desk, job)
        return redirect(f"/wall/{name}/evidence", 303)
    working = desk.bench.making(job, SEAL)
    if working is not None:
        return show("working.html.j2", job, "evidence", working=working, of=SEAL)
    trouble = kept_from(desk, job, SEAL)
    # what came of it was noted when it was made
    return _page(desk.jobs.get(name), trouble)


def _changed() -> BadValue:
    return BadValue(
        "this wall",
        "it was changed in another window, on another phone or in its folder since this page was opened",
        needed="a second look",
        remedy="What you typed stands below and is not sealed yet: look it over and seal it",
    )


def _typed() -> dict[str, str]:
    from flask import request

    return {field: request.form[field][: 2 * _MOST_WORDS] for field in STATED if field in request.form}


def _page(job: Job, trouble: dict[str, str] | None, typed: Mapping[str, str] = MappingProxyType({})) -> Any:
    seal, of = job.settings["seal"] or ("", job.state)
    return show(
        "evidence.html.j2",
        job,
        "evidence",
        there=(job.results / EVIDENCE).is_file(),
        seal=seal,
        stale=of != job.state,
        stated=[(field, ask, typed.get(field, _text(job, field))) for field, ask in STATED.items()],
        troubles=_wrong(job),
        trouble=trouble,
        commands=_commands(job),
    )


def stated(desk: Desk, name: str) -> Any:
    """What is stated, as it is typed."""
    from flask import jsonify

    sent = sent_json()
    values = sent.get("values")
    if not isinstance(values, dict) or not all(isinstance(text, str) for text in values.values()):
        raise BadValue("the page", "no values", needed="its own fields", remedy="Load it again")
    job = desk.jobs.keep(name, sent["revision"], lambda settings: _put(settings, values))
    wrong = _wrong(job)
    return jsonify(revision=job.revision, troubles={field: wrong.get(field, "") for field in STATED})


def _put(settings: Plain, values: Mapping[str, str]) -> None:
    # twice as long as it may be: too long is said beside the field, with what was typed still in it
    texts = {field: values[field][: 2 * _MOST_WORDS] for field in STATED if field in values}
    settings["stated"] = settings["stated"] | texts


def _text(job: Job, field: str) -> str:
    """What stands in a field: what was typed, else the wall's name and the day that the plan has."""
    said = answering.job_record(job)
    usual = {"title": job.title, "date": said.captured}.get(field, "")
    return str(job.settings["stated"].get(field, usual))


def _wrong(job: Job) -> dict[str, str]:
    """What is wrong with what is stated, by its field."""
    found = {}
    for field in STATED:
        if len(_text(job, field)) > _MOST_WORDS:
            trouble = BadValue(
                field,
                "{count} letters",
                needed="up to {most}",
                remedy="Write less",
                count=len(_text(job, field)),
                most=_MOST_WORDS,
            )
            found[field] = answering.wrong(trouble, answering.spoken_to(job))
    return found


def _begin(desk: Desk, job: Job) -> None:
    words = {field: " ".join(_text(job, field).split()) for field in STATED}
    statement = evidence.Statement(
        title=words["title"],
        date=words["date"],
        grounds=words["grounds"],
        present=tuple(part.strip() for part in words["present"].split(",") if part.strip()),
        notes=(words["note"],) if words["note"] else (),
    )
    done, of = [_sealed(job, command) for command in _commands(job)], job.state

    def then(seal: str) -> None:
        desk.jobs.note(job.name, lambda settings: settings.update(seal=[seal, of]))

    desk.bench.begin(job, SEAL, (EVIDENCE, done, statement), then)


def _commands(job: Job) -> Sequence[str]:
    """What is sealed: what the answers show, and in a dispute the survey beside it."""
    purpose = what_for(job.plan.stage or "")
    if purpose is None:
        return []
    return [purpose.command, *(["survey"] if purpose.name == "dispute" else [])]


def _sealed(job: Job, command: str) -> evidence.Job:
    how, test, finish = answering.settings(job, command)
    used = PlanUsed(answering.plan_used(job, command), NAME if job.text else "")
    # a wall put together of several captures is one job on all of them
    captures = tuple(range(1 + len(job.plan.same_wall)))
    return evidence.Job(command, captures, capturing=how, testing=test, finishing=finish, plan=used)
