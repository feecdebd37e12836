"""Sheets to print, made beside the page; and the files that were made."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan import report
from flatscan.core.errors import FlatscanError
from flatscan.desk import answering
from flatscan.desk.asking import PURPOSES
from flatscan.desk.bench import SHEETS, Working
from flatscan.desk.folders import Job
from flatscan.desk.measuring import capture_of
from flatscan.desk.screens import kept_from, revision, show
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
# a capture up to this size [bytes] is hashed whenever its sheets are shown
_MOST_HASHED = 20_000_000


def sheets_page(desk: Desk, name: str) -> Any:
    """Make the sheets of the plan as it stands, and what there is of them, with the plan that each was made by."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if not answering.asked(job):
        return redirect(f"/wall/{name}/purpose")
    command = answering.command_of(job)
    if request.method == "POST":
        return _begin(desk, job, command)
    working = desk.bench.making(job, SHEETS)
    if working is not None:
        return show("working.html.j2", job, "sheets", working=working, of=SHEETS)
    try:
        found = desk.bench.result(job)
    except FlatscanError:
        # what is wrong is shown where it can be put right
        return redirect(f"/wall/{name}/answers", 303)
    if isinstance(found, Working):
        return show("working.html.j2", job, "sheets", working=found, of="answers")
    trouble = kept_from(desk, job, SHEETS)
    # what came of it was noted when it was made
    job = desk.jobs.get(name)
    made = _made(job)
    stale, plan = any(one.stale for one in made), _used(job, command)
    return show("sheets.html.j2", job, "sheets", made=made, stale=stale, plan=plan, trouble=trouble)


def _begin(desk: Desk, job: Job, command: str) -> Any:
    """Have the sheets of the job's command made, and anew those that there are of others."""
    from flask import redirect, request

    job = desk.jobs.keep(job.name, revision())
    paper, state = "letter" if request.form.get("paper") == "letter" else "a4", job.state
    commands = tuple(dict.fromkeys((command, *(made.command for made in _made(job)))))

    def then(_written: tuple[str, ...]) -> None:
        desk.jobs.note(job.name, lambda settings: settings.update(sheets=state))

    desk.bench.begin(job, SHEETS, (commands, paper, report.USUAL), then)
    return redirect(f"/wall/{job.name}/sheets", 303)


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
    try:
        path = capture_of(job)
    except FlatscanError:
        return None
    if not path.is_file() or path.stat().st_size > _MOST_HASHED:
        return None
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _used(job: Job, command: str) -> str:
    return answering.plan_used(job, command).fingerprint


def _files(job: Job, command: str) -> Iterator[tuple[str, str, str]]:
    """The sheets of a command that are there, by their names, in the order they are offered."""
    return iter(files_of(job.results, command))


def _offered(*commands: str) -> Iterator[tuple[str, tuple[str, str]]]:
    """The names that a sheet can have here, with what is said of it."""
    for command in commands or _COMMANDS:
        yield from ((sheet_name(command, sheet), said) for sheet, said in _SAID.items())


def files_of(folder: Path, command: str) -> list[tuple[str, str, str]]:
    """The sheets of a command that lie in a folder: name, what it is, and more of that."""
    there = {path.name for path in folder.iterdir()} if folder.is_dir() else set()
    return [(name, *said) for name, said in _offered(command) if name in there]


def file(desk: Desk, name: str, file: str) -> Any:
    """One of the results by its name in a fixed list."""
    from flask import abort

    job = desk.jobs.get(name)
    if file not in (EVIDENCE, *dict(_offered())) or not (job.results / file).is_file():
        abort(404)
    return send(job.results, file, f"{name}-{file}")


def send(folder: Path, file: str, called: str) -> Any:
    """A file of a wall as what it is; the caller knows that it is one that may be sent."""
    from flask import send_from_directory

    ending = file.rpartition(".")[2]
    answer = send_from_directory(
        folder.resolve(), file, mimetype=_TYPES[ending], as_attachment=ending not in _SHOWN, download_name=called
    )
    if ending == "html":
        # the sheet brings its own policy; here it is only kept from this page's cookie and address
        answer.headers["Content-Security-Policy"] = "sandbox allow-scripts"
    return answer
