"""All walls of the folder by site and room, with how far each is; their names, a copy, and the bin."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from flatscan.desk import answering, screens, shelf
from flatscan.desk.choosing import suffixes
from flatscan.desk.folders import Job
from flatscan.desk.papers import EVIDENCE
from flatscan.desk.screens import revision, show
from flatscan.jobs.job_plan import JobPlan, JobRecord
from flatscan.report.job_folder import sheets_by

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

ABOUT = "about"
# what stands on every sheet of a wall, by the plan's own names, and what the page calls each
NAMED = {
    "wall": "Name of the wall",
    "place": "Room or part of the building",
    "project": "Site",
    "captured": "Measured on",
    "client": "Client",
    "people": "Who was there",
    "instrument": "Measured with",
    "report": "Title of the report",
    "number": "Number of the report",
    "issued": "Report issued on",
    "contract": "Contract",
    "clause": "Its clause",
}
_MOST_TEXT = 80


@dataclass(frozen=True, slots=True)
class Row:
    """One wall of the list: where it goes on, how far it is (a code of the page's own), and when it was measured."""

    job: Job
    to: str
    state: str
    date: str
    more: str = ""


def home(desk: Desk) -> Any:
    """All walls of the folder by site and room, what cannot be opened, the bin, and the start of a new one."""
    from flask import render_template

    walls, damaged = shelf.every_wall(desk.jobs)
    rooms: dict[tuple[str, str], list[Row]] = {}
    for job in walls:
        said = JobRecord() if job.broken is not None else job.plan.job
        rooms.setdefault((said.project, said.place), []).append(_row(desk, job, said))
    return render_template(
        "home.html.j2",
        rooms=sorted(rooms.items(), key=lambda one: (one[0] == ("", ""), one[0])),
        damaged=[(one.name, answering.in_four_parts(one.trouble, desk.jobs.folder, "mm")) for one in damaged],
        binned=shelf.in_bin(desk.jobs),
        folder=desk.jobs.folder.name,
        suffixes=suffixes(),
        last=next(((job.settings["units"], *_where(job)) for job in walls), ("mm", "", "")),
    )


def _where(job: Job) -> tuple[str, str]:
    said = JobRecord() if job.broken is not None else job.plan.job
    return said.project, said.place


def _row(desk: Desk, job: Job, said: JobRecord) -> Row:
    state, more = _state(desk, job)
    return Row(job, screens.where_to_go_on(job), state, said.captured, more)


def _state(desk: Desk, job: Job) -> tuple[str, str]:
    """How far a wall is, told from what lies in its folder without working anything out; and what goes with it."""
    working = desk.bench.at_work(job.name)
    if working is not None:
        return "working", working.words
    if job.broken is not None:
        return "broken", ""
    if job.capture is None:
        return "empty", ""
    if (job.results / EVIDENCE).is_file():
        seal = job.settings["seal"]
        return "sealed" if seal and seal[1] == job.state else "sealed-before", ""
    made = sheets_by(job.results)
    if made:
        known = job.settings["sheets"] in ("", job.state)
        at = max((path.stat().st_mtime for path in job.results.glob("*-result.json")), default=0.0)
        return "sheets" if known else "sheets-before", _day(at)
    if job.settings["readings"] is not None:
        return "readings", ""
    return "planned" if job.plan.stage else "captured", ""


def _day(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).astimezone().date().isoformat()


def about(desk: Desk, name: str) -> Any:
    """The wall's names as they stand on every sheet; a copy of it, and the bin."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if request.method == "POST":
        texts = {field: " ".join(request.form.get(field, "").split())[:_MOST_TEXT] for field in NAMED}

        def named(plan: JobPlan) -> JobPlan:
            return plan.changed_by({"job": tuple(texts.items())})

        title = texts["wall"]
        desk.jobs.keep(name, revision(), lambda settings: settings.update(title=title), named)
        return redirect(f"/wall/{name}/", 303)
    said = job.plan.job
    fields = [(field, label, getattr(said, field) or _usual(job, field)) for field, label in NAMED.items()]
    return show("about.html.j2", job, ABOUT, fields=fields)


def _usual(job: Job, field: str) -> str:
    return str(job.settings["title"]) if field == "wall" else ""


def copy(desk: Desk, name: str) -> Any:
    """Another wall on the same scan or readings, with the same plan."""
    from flask import redirect

    desk.jobs.get(name)
    return redirect(f"/wall/{shelf.copy(desk.jobs, name)}/{ABOUT}", 303)


def put_away(desk: Desk, name: str) -> Any:
    """A wall into the bin; what is being done on it stops."""
    from flask import redirect

    desk.bench.stop(name)
    shelf.put_away(desk.jobs, name)
    return redirect("/#bin", 303)


def bring_back(desk: Desk) -> Any:
    """A wall out of the bin."""
    from flask import redirect, request

    return redirect(f"/wall/{shelf.bring_back(desk.jobs, request.form.get('wall', ''))}/", 303)
