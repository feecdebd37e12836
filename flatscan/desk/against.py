"""A wall held against an earlier capture of it: what was put on, where, and how sure that is."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from flatscan.core.choices import ANSWERS
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.desk import answering, mending, shelf
from flatscan.desk.arriving import kept_as
from flatscan.desk.bench import Working
from flatscan.desk.crew import Stopped
from flatscan.desk.folders import Job, Plain
from flatscan.desk.papers import files_of, send
from flatscan.desk.screens import COMPARE, show
from flatscan.jobs import Change, Comparing, Result
from flatscan.report.reporting import report_of
from flatscan.report.say import finished
from flatscan.report.screen import in_words, sentences

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

# parts that nobody worked on may be so many
_PARTS = 2
_TIES = ("frame", "reference", "walls", "points")
_WALLS = 4
# what the page calls each answer of `ANSWERS`
CONFIRMED = {
    "size": "It is the same wall, or a part of it",
    "order": "It was hacked back: the order is right",
    "even": "It took an even coat or board",
    "wall": "It is the same wall, seen from the same side",
    "copy": "The later capture was made anew: it is no copy",
}


def compare(desk: Desk, name: str) -> Any:
    """Which wall is the earlier one and what ties the two together, and what changed between them.

    What is asked is kept with the wall when it is sent; looking begins nothing and writes nothing.
    """
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        return _begin(desk, job)
    sent = _fields(job.settings["against"])
    try:
        made = _made(desk, job, begin=False)
    except FlatscanError as trouble:
        return _shown(desk, job, sent, trouble=_said(desk, job, trouble))
    except Stopped as ended:
        reason = ended.reason or FlatscanError("it", "stopped", needed="a moment", remedy="Compare them again")
        return _shown(desk, job, sent, trouble=_said(desk, job, reason))
    if isinstance(made, Working):
        at = f"/wall/{name}/{COMPARE}/state"
        return show("working.html.j2", job, COMPARE, working=made, of=COMPARE, at=at)
    if not isinstance(made, Change):
        return _shown(desk, job, sent)
    told, to = report_of(made), answering.spoken_to(job)
    found = {
        "first": [in_words(line, to) for line in told.first],
        "said": [finished(text, to) for text in sentences(told)],
        "notes": [finished(text, to) for text in told.notes],
        "questions": [(one.answer, finished(one.said, to)) for one in made.questions],
    }
    return _shown(desk, job, sent, found=found)


def _begin(desk: Desk, job: Job) -> Any:
    """Keep what was sent, and begin; what is wrong with it is said at its field."""
    from flask import redirect, request

    sent = _fields(request.form) | {"points": job.settings["against"].get("points", "")}
    # an answer is about the two captures and their tie, and is none about others
    same = all(sent[name] == job.settings["against"].get(name, "") for name in ("with", "tie"))
    confirmed = [one for one in request.form.getlist("confirm") if same and one in ANSWERS]
    sent["confirm"] = " ".join(dict.fromkeys(confirmed))
    table, named = request.files.get("points"), dict[str, str]()
    if table is not None and table.filename:
        path = kept_as(job.folder, "points", table)
        sent["points"] = path.name
        named[path.name] = Path(table.filename.replace("\\", "/")).name[-80:]
    elif sent["points"] and not (job.folder / sent["points"]).is_file():
        sent["points"] = ""

    def put(settings: Plain) -> None:
        settings.update(against=sent, named=settings["named"] | named)

    job = desk.jobs.note(job.name, put)
    _, wrong = _asked(job)
    if wrong:
        return _shown(desk, job, sent, wrong=wrong), 422
    # one that was stopped, by somebody or by itself, is tried again
    desk.bench.again(job.name)
    # the page itself tells what cannot be done
    with contextlib.suppress(FlatscanError, Stopped):
        _made(desk, job, begin=True)
    return redirect(f"/wall/{job.name}/{COMPARE}", 303)


def _made(desk: Desk, job: Job, *, begin: bool) -> Result | Working | None:
    """What was found, or how far it is; None where nothing is asked for, or nobody has begun it."""
    asked, _ = _asked(job)
    earlier = next((one for one in _others(desk, job) if one.name == job.settings["against"].get("with")), None)
    if asked is None or earlier is None:
        return None
    return desk.bench.compared(job, earlier, asked, _folder(job), begin=begin)


def _others(desk: Desk, job: Job) -> list[Job]:
    return [one for one in shelf.every_wall(desk.jobs)[0] if one.name != job.name and one.capture and not one.broken]


def _shown(
    desk: Desk,
    job: Job,
    sent: Mapping[str, str],
    *,
    found: dict[str, Any] | None = None,
    wrong: Mapping[str, str] = MappingProxyType({}),
    trouble: dict[str, str] | None = None,
) -> Any:
    confirmed, names = sent["confirm"].split(), job.settings["named"]
    return show(
        "compare.html.j2",
        job,
        COMPARE,
        others=_others(desk, job),
        sent=sent,
        wrong=wrong,
        trouble=trouble,
        found=found,
        confirmed={one: said for one, said in CONFIRMED.items() if one in confirmed},
        asks=CONFIRMED,
        table=names.get(sent["points"], sent["points"]),
        files=files_of(_folder(job), COMPARE) if found else [],
        parts_count=_PARTS,
    )


def state(desk: Desk, name: str) -> Any:
    """Whether the comparison is done."""
    from flask import jsonify

    try:
        made = _made(desk, desk.jobs.get(name), begin=False)
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
    names = ["with", "tie", "walls", "points", "confirm"]
    names += [f"{field}-{part}" for part in range(_PARTS) for field in mending.BOX]
    return {name: sent.get(name, "").strip()[:80] for name in names}


def _asked(job: Job) -> tuple[Comparing | None, dict[str, str]]:
    """What is asked of a comparison, None where something that was typed is wrong; and what is, by field."""
    sent, to = _fields(job.settings["against"]), answering.spoken_to(job)
    parts, walls, wrong = [], tuple[int, ...](), dict[str, str]()
    tie = sent["tie"] if sent["tie"] in _TIES else ""
    if tie == "reference":
        for part in range(_PARTS):
            texts = {field: sent[f"{field}-{part}"] for field in mending.BOX}
            if not any(texts.values()):
                continue
            values, found = mending.read("box", texts, None, to)
            wrong |= {f"{field}-{part}": said for field, said in found.items()}
            if not found:
                left, bottom = values["left"], values["bottom"]
                parts.append((left, bottom, left + values["width"], bottom + values["height"]))
        if not parts and not wrong:
            wrong["left-0"] = answering.wrong(_nothing("The part nobody worked on", "its place and size"), to)
    elif tie == "walls":
        try:
            walls = _numbers(sent["walls"])
        except BadValue as trouble:
            wrong["walls"] = answering.wrong(trouble, to)
    elif tie == "points" and not sent["points"]:
        wrong["points"] = answering.wrong(_nothing("The table", "a CSV file of fixed points"), to)
    if wrong:
        return None, wrong
    return Comparing(
        same_frame=tie == "frame",
        reference=tuple(parts),
        reference_walls=walls,
        points=str(job.folder / sent["points"]) if tie == "points" else None,
        least=None if job.broken is not None else job.plan.least,
        confirm=tuple(sent["confirm"].split()),
    ), {}


def _nothing(where: str, needed: str) -> BadValue:
    return BadValue(where, "nothing is there", needed=needed, remedy="Put it in, or choose another tie")


def _numbers(text: str) -> tuple[int, ...]:
    """Numbers of walls out of such as "2, 3"."""
    words = text.replace(",", " ").split()
    if not words or len(words) > _WALLS or not all(one.isascii() and one.isdigit() and len(one) < 4 for one in words):
        raise BadValue(
            "The other wall", "'{text}'", needed="its number, such as 2", remedy="Take it from the wall step", text=text
        )
    return tuple(int(one) for one in words)


def file(desk: Desk, name: str, file: str) -> Any:
    """One of the sheets of a comparison."""
    from flask import abort

    job = desk.jobs.get(name)
    if file not in {one for one, _, _ in files_of(_folder(job), COMPARE)}:
        abort(404)
    return send(_folder(job), file, f"{name}-{file}")
