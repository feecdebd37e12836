"""A wall held against an earlier capture of it: what was put on, where, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan.core.errors import FlatscanError
from flatscan.desk import answering, mending, shelf
from flatscan.desk.bench import Working
from flatscan.desk.crew import Stopped
from flatscan.desk.folders import Job
from flatscan.desk.papers import files_of, send
from flatscan.desk.screens import show
from flatscan.jobs import Comparing
from flatscan.report.reporting import report_of
from flatscan.report.say import finished
from flatscan.report.screen import in_words, sentences

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

COMPARE = "compare"
# parts that nobody worked on may be so many
_PARTS = 2


def compare(desk: Desk, name: str) -> Any:
    """Which wall is the earlier one and what ties the two together, and what changed between them.

    All of it stands in the page's address: looking changes nothing, and a page that is loaded again says the same.
    """
    from flask import request

    job, sent = desk.jobs.get(name), request.args
    others = [one for one in shelf.every_wall(desk.jobs)[0] if one.name != name and one.capture and not one.broken]
    earlier = next((one for one in others if one.name == sent.get("with")), None)
    asked, wrong = _asked(job, sent)
    more: dict[str, Any] = {
        "others": others,
        "earlier": earlier,
        "sent": _fields(sent),
        "wrong": wrong,
        "parts_count": _PARTS,
    }
    more |= {"trouble": None, "found": None, "files": [], "parts_count": _PARTS}
    if earlier is None or asked is None:
        return show("compare.html.j2", job, COMPARE, **more), 422 if wrong else 200
    try:
        made = desk.bench.compared(job, earlier, asked, _folder(job))
    except FlatscanError as trouble:
        return show("compare.html.j2", job, COMPARE, **more | {"trouble": _said(desk, job, trouble)})
    except Stopped as ended:
        reason = ended.reason or FlatscanError("it", "stopped", needed="a moment", remedy="Compare them again")
        return show("compare.html.j2", job, COMPARE, **more | {"trouble": _said(desk, job, reason)})
    if isinstance(made, Working):
        at = f"/wall/{name}/{COMPARE}/state?{request.query_string.decode()}"
        return show("working.html.j2", job, COMPARE, working=made, of=COMPARE, at=at)
    told = report_of(made)
    to = answering.spoken_to(job)
    more["found"] = {
        "first": [in_words(line, to) for line in told.first],
        "said": [finished(text, to) for text in sentences(told)],
        "notes": [finished(text, to) for text in told.notes],
    }
    more["files"] = files_of(_folder(job), COMPARE)
    return show("compare.html.j2", job, COMPARE, **more)


def state(desk: Desk, name: str) -> Any:
    """Whether the comparison is done."""
    from flask import jsonify, request

    job = desk.jobs.get(name)
    asked, _ = _asked(job, request.args)
    try:
        earlier = desk.jobs.get(request.args.get("with", ""))
        made = None if asked is None else desk.bench.compared(job, earlier, asked, _folder(job))
    except (FlatscanError, Stopped):
        return jsonify(done=True)
    if isinstance(made, Working):
        return jsonify(done=False, words=made.words, share=made.share)
    return jsonify(done=True)


def _said(desk: Desk, job: Job, trouble: FlatscanError) -> dict[str, str]:
    return answering.in_four_parts(trouble, desk.jobs.folder, job.settings["units"])


def _folder(job: Job) -> Path:
    """Where the sheets of comparisons lie, beside those of the wall alone."""
    return job.folder / "compared"


def _fields(sent: Mapping[str, str]) -> dict[str, str]:
    names = ["with", "tie", *(f"{field}-{part}" for part in range(_PARTS) for field in mending.BOX)]
    return {name: sent.get(name, "")[:40] for name in names}


def _asked(job: Job, sent: Mapping[str, str]) -> tuple[Comparing | None, dict[str, str]]:
    """What is asked of a comparison, None where something that was typed is wrong; and what is, by field."""
    parts, wrong = [], dict[str, str]()
    if sent.get("tie") == "reference":
        for part in range(_PARTS):
            texts = {field: sent.get(f"{field}-{part}", "").strip()[:40] for field in mending.BOX}
            if not any(texts.values()):
                continue
            values, found = mending.read("box", texts, None, answering.spoken_to(job))
            wrong |= {f"{field}-{part}": said for field, said in found.items()}
            if not found:
                left, bottom = values["left"], values["bottom"]
                parts.append((left, bottom, left + values["width"], bottom + values["height"]))
    if wrong:
        return None, wrong
    least = None if job.broken is not None else job.plan.least
    return Comparing(same_frame=sent.get("tie") == "frame", reference=tuple(parts), least=least), wrong


def file(desk: Desk, name: str, file: str) -> Any:
    """One of the sheets of a comparison."""
    from flask import abort

    job = desk.jobs.get(name)
    if file not in {one for one, _, _ in files_of(_folder(job), COMPARE)}:
        abort(404)
    return send(_folder(job), file, f"{name}-{file}")
