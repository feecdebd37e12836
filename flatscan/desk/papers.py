"""Sheets to print, and the sealed file for the other side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from flatscan import evidence, report
from flatscan.core.errors import BadValue
from flatscan.desk import answering
from flatscan.desk.asking import PURPOSES, what_for
from flatscan.desk.bench import Working
from flatscan.desk.folders import RESULTS, Job
from flatscan.desk.screens import revision, show
from flatscan.jobs import Requirement, Result
from flatscan.report.job_folder import sheet_name

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

EVIDENCE = "evidence.zip"
# what the purposes run
_COMMANDS = tuple(dict.fromkeys(purpose.command for purpose in PURPOSES))
# what a file is, for somebody who has never seen its ending
_SAID = {
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


def sheets_page(desk: Desk, name: str) -> Any:
    """Make the sheets of the answers as they stand, and what there is of them."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if not answering.asked(job):
        return redirect(f"/wall/{name}/purpose")
    found = desk.bench.result(job)
    if isinstance(found, Working):
        return show("working.html.j2", job, "sheets", working=found, of="answers")
    if request.method == "POST":
        paper = "letter" if request.form.get("paper") == "letter" else "a4"
        units = job.settings["units"]
        desk.bench.do(lambda: _write(found, job, units, paper))
        desk.jobs.keep(name, revision(), lambda settings: settings.update(sheets=job.state))
        return redirect(f"/wall/{name}/sheets", 303)
    stale = (job.settings["sheets"] or job.state) != job.state
    return show("sheets.html.j2", job, "sheets", files=_files(job), stale=stale)


def _write(found: Result, job: Job, units: str, paper: str) -> None:
    """The sheets of these answers, and none of those that another purpose left."""
    report.write(found, job.results, overwrite=True, units=units, paper=paper, alone=True)


def _files(job: Job) -> list[tuple[str, str, str]]:
    """The sheets that are there, by their names, in the order they are offered."""
    there = {path.name for path in job.results.iterdir()} if job.results.is_dir() else set()
    return [(name, *said) for name, said in _offered() if name in there]


def _offered() -> Iterator[tuple[str, tuple[str, str]]]:
    """The names that a sheet can have here, with what is said of it."""
    for sheet, said in _SAID.items():
        yield from ((sheet_name(command, sheet), said) for command in _COMMANDS)


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
    """What is sealed: the survey, and the check where the job judges by a limit."""
    purpose = what_for(answering.answer(job, "purpose"))
    how, finish = answering.capturing(job), answering.finishing(job)
    sealed = (
        []
        if purpose is None or purpose.command != "check"
        else [evidence.Job("check", (0,), capturing=how, testing=answering.testing(job))]
    )
    if purpose is not None and (purpose.command != "check" or purpose.name == "dispute"):
        length = answering.length(job, "rule")
        sealed.append(
            evidence.Job("survey", (0,), capturing=how, testing=Requirement.by(rule=length), finishing=finish)
        )
    return sealed


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
        job.folder.resolve() / RESULTS,
        file,
        mimetype=_TYPES[ending],
        as_attachment=ending not in _SHOWN,
        download_name=f"{name}-{file}",
    )
    if ending == "html":
        # the sheet brings its own policy; here it is only kept from this page's cookie and address
        answer.headers["Content-Security-Policy"] = "sandbox allow-scripts"
    return answer
