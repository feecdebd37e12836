"""Sheets to print, and the sealed file for the other side."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flatscan import evidence, report
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.desk import answering
from flatscan.desk.asking import PURPOSES, what_for
from flatscan.desk.bench import Working
from flatscan.desk.folders import Job
from flatscan.desk.screens import revision, show
from flatscan.jobs.job_plan import PlanUsed
from flatscan.jobs.plan_file import NAME
from flatscan.report.job_folder import sheet_name, sheets_by

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

EVIDENCE = "evidence.zip"
# what the purposes run
_COMMANDS = tuple(dict.fromkeys(purpose.command for purpose in PURPOSES))
# what a file is, for somebody who has never seen its ending
_SAID = {
    "day.pdf": ("The day's sheet", "one page for the wall: cut, fill, dots, mix, times"),
    "sheets.pdf": ("Sheets to print", "A4 or letter, black and white"),
    "wall.html": ("The wall to touch", "one file to send to a phone; opens without a signal"),
    "contour.png": ("Drawing of the wall", ""),
    "gaps.png": ("Drawing of the gaps", ""),
    "sections.png": ("Sections through the wall", ""),
    "setout.png": ("Drawing of the screeds", ""),
    "lows.png": ("Drawing of the low spots", ""),
    "spots.csv": ("Numbered spots", "for a spreadsheet"),
    "offsets.csv": ("All measured cells", "for a spreadsheet"),
    "result.json": ("All numbers", "for a program"),
}
_TYPES = {
    "pdf": "application/pdf",
    "html": "text/html",
    "png": "image/png",
    "csv": "text/csv",
    "json": "application/json",
    "zip": "application/zip",
}
_SHOWN = {"pdf", "html", "png"}
_MOST_WORDS = 300
# a capture up to this size [bytes] is hashed whenever its sheets are shown
_MOST_HASHED = 20_000_000


def sheets_page(desk: Desk, name: str) -> Any:
    """Make the sheets of the plan as it stands, and what there is of them, with the plan that each was made by."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if not answering.asked(job):
        return redirect(f"/wall/{name}/purpose")
    command = answering.command_of(job)
    try:
        found = desk.bench.result(job)
    except FlatscanError:
        # what is wrong is shown where it can be put right
        return redirect(f"/wall/{name}/answers", 303)
    if isinstance(found, Working):
        return show("working.html.j2", job, "sheets", working=found, of="answers")
    if request.method == "POST":
        paper = "letter" if request.form.get("paper") == "letter" else "a4"
        for one in (command, *(made.command for made in _made(job) if made.command != command)):
            _write(desk, job, one, paper, needed=one == command)
        desk.jobs.keep(name, revision(), lambda settings: settings.update(sheets=job.state))
        return redirect(f"/wall/{name}/sheets", 303)
    made = _made(job)
    return show(
        "sheets.html.j2", job, "sheets", made=made, stale=any(one.stale for one in made), plan=_used(job, command)
    )


def _write(desk: Desk, job: Job, command: str, paper: str, *, needed: bool) -> None:
    """The sheets of a command by the plan as it stands; those it cannot be done by any more stay as they are."""
    try:
        found = desk.bench.made(job, command)
    except FlatscanError:
        if needed:
            raise
        return
    units = job.settings["units"]
    desk.bench.do(lambda: report.write(found, job.results, overwrite=True, units=units, paper=paper))


@dataclass(frozen=True, slots=True)
class Made:
    """The sheets of a command: the fingerprint of the plan they were made by, whether it is another now, the files."""

    command: str
    plan: str
    stale: bool
    files: tuple[tuple[str, str, str], ...]

    @property
    def title(self) -> str:
        """What the sheets are for, in the words it was asked in."""
        return next(purpose.title for purpose in PURPOSES if purpose.command == self.command)


def _made(job: Job) -> list[Made]:
    """What there is of sheets, by command; stale where plan, capture or units are others than they were made by."""
    by = sheets_by(job.results)
    known = _hash_of(job)
    changed = (job.settings["sheets"] or job.state) != job.state
    found = []
    for command in _COMMANDS:
        files = tuple(_files(job, command))
        if files:
            plan, capture = by.get(command, ("", ""))
            stale = changed or plan != _used(job, command) or known not in (None, capture)
            found.append(Made(command, plan, stale, files))
    return found


def _hash_of(job: Job) -> str | None:
    """SHA-256 of the capture where it is a small file; a large one is told by the state of its job."""
    path = job.capture
    if path is None or not path.is_file() or path.stat().st_size > _MOST_HASHED:
        return None
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _used(job: Job, command: str) -> str:
    return answering.plan_used(job, command).fingerprint


def _files(job: Job, command: str) -> Iterator[tuple[str, str, str]]:
    """The sheets of a command that are there, by their names, in the order they are offered."""
    there = {path.name for path in job.results.iterdir()} if job.results.is_dir() else set()
    return ((name, *said) for name, said in _offered(command) if name in there)


def _offered(*commands: str) -> Iterator[tuple[str, tuple[str, str]]]:
    """The names that a sheet can have here, with what is said of it."""
    for command in commands or _COMMANDS:
        yield from ((sheet_name(command, sheet), said) for sheet, said in _SAID.items())


def evidence_page(desk: Desk, name: str) -> Any:
    """Seal the capture, the settings, the results and what is stated into one file."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if not answering.asked(job):
        return redirect(f"/wall/{name}/purpose")
    if request.method == "POST":
        statement = _statement()
        path = job.results / EVIDENCE
        capture = job.capture
        assert capture is not None
        units = job.settings["units"]
        sealed = desk.bench.do(
            lambda: evidence.seal(path, [capture], _jobs(job), statement=statement, units=units, overwrite=True)
        )
        desk.jobs.keep(name, revision(), lambda settings: settings.update(seal=[sealed.seal, job.state]))
        return redirect(f"/wall/{name}/evidence", 303)
    there = (job.results / EVIDENCE).is_file()
    seal, of = job.settings["seal"] or ("", job.state)
    return show("evidence.html.j2", job, "evidence", there=there, seal=seal, stale=of != job.state)


def _jobs(job: Job) -> Sequence[evidence.Job]:
    """What is sealed, with the plan of the job: the survey, and the check where the job judges by a limit."""
    purpose = what_for(job.plan.stage or "")
    if purpose is None:
        return []
    commands = ["check"] if purpose.command == "check" else []
    commands += ["survey"] if purpose.command != "check" or purpose.name == "dispute" else []
    return [_sealed(job, command) for command in commands]


def _sealed(job: Job, command: str) -> evidence.Job:
    how, test, finish = answering.settings(job, command)
    used = PlanUsed(answering.plan_used(job, command), NAME if job.text else "")
    return evidence.Job(command, (0,), capturing=how, testing=test, finishing=finish, plan=used)


def _statement() -> evidence.Statement:
    from flask import request

    def words(field: str) -> str:
        text = " ".join(request.form.get(field, "").split())
        if len(text) > _MOST_WORDS:
            raise BadValue(
                field, "{count} letters", needed="up to {most}", remedy="Write less", count=len(text), most=_MOST_WORDS
            )
        return text

    present = tuple(part.strip() for part in words("present").split(",") if part.strip())
    notes = (words("note"),) if words("note") else ()
    return evidence.Statement(
        title=words("title"), date=words("date"), grounds=words("grounds"), present=present, notes=notes
    )


def file(desk: Desk, name: str, file: str) -> Any:
    """One of the results by its name in a fixed list."""
    from flask import abort, send_from_directory

    job = desk.jobs.get(name)
    if file not in (EVIDENCE, *dict(_offered())) or not (job.results / file).is_file():
        abort(404)
    ending = file.rpartition(".")[2]
    answer = send_from_directory(
        job.folder.resolve(),
        file,
        mimetype=_TYPES[ending],
        as_attachment=ending not in _SHOWN,
        download_name=f"{name}-{file}",
    )
    if ending == "html":
        # the sheet brings its own policy; here it is only kept from this page's cookie and address
        answer.headers["Content-Security-Policy"] = "sandbox allow-scripts"
    return answer
