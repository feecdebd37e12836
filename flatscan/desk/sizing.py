"""How large the wall is: asked before its readings, each error beside its field and what was typed kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flatscan.core.choices import READING_UNITS, SENSES
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.desk import answering
from flatscan.desk.folders import Job
from flatscan.desk.screens import changed, revision, show
from flatscan.desk.sizes import parse_size
from flatscan.desk.stations import begin, save
from flatscan.report.say import say

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

_LENGTHS = {"width": "Width", "height": "Height", "spacing": "Between columns"}
_FIELDS = (*_LENGTHS, "unit", "sense")


def size(desk: Desk, name: str) -> Any:
    """How large the wall is, and how the readings will be written."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method != "POST":
        return _shown(job, _usual(job), {}, None)
    given = {field: request.form.get(field, "").strip()[:40] for field in _FIELDS}
    wrong = _wrong(job, given)
    if wrong:
        return _shown(job, given, wrong, None), 422
    try:
        job = desk.jobs.keep(name, revision(), lambda settings: begin(settings, *given.values()))
    except BadValue as trouble:
        if type(trouble) is not BadValue:
            raise
        # what none of the fields says alone: readings that would lie beyond the wall, or too many stations
        return _shown(job, given, {}, answering.in_four_parts(trouble, desk.jobs.folder, job.settings["units"])), 422
    save(job)
    return changed(job, "size")


def _shown(job: Job, given: dict[str, str], wrong: dict[str, str], trouble: dict[str, str] | None) -> Any:
    return show(
        "size.html.j2", job, "size", given=given, wrong=wrong, trouble=trouble, senses=SENSES, read_in=READING_UNITS
    )


def _wrong(job: Job, given: dict[str, str]) -> dict[str, str]:
    """What is wrong with each of the lengths."""
    found = {}
    for field, label in _LENGTHS.items():
        try:
            parse_size(given[field], where=label, units=job.settings["units"])
        except FlatscanError as trouble:
            found[field] = answering.wrong(trouble, answering.spoken_to(job))
    return found


def _usual(job: Job) -> dict[str, str]:
    """What stands in the fields before anybody typed: what was kept, else what is usual."""
    held, units = job.settings["readings"], job.settings["units"]
    usual = {"width": "", "height": "", "sense": SENSES[0]}
    usual |= {"spacing": "4 ft", "unit": "in"} if units == "in" else {"spacing": "1.2 m", "unit": "mm"}
    if held is not None:
        usual |= {key: say(note("desk.held-long", length=metres(held[key])), units) for key in _LENGTHS}
        usual |= {key: held[key] for key in ("unit", "sense")}
    return usual
