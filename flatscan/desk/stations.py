"""Laser readings typed at the wall: its size, then station after station, each checked as soon as it stands there."""

from __future__ import annotations

import secrets
import time
from typing import TYPE_CHECKING, Any

from flatscan.core.choices import READING_UNITS, SENSES
from flatscan.core.errors import BadValue
from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import metres
from flatscan.desk import station_states as states
from flatscan.desk.answering import spoken_to
from flatscan.desk.folders import READINGS, Job, Jobs, Plain, write_through
from flatscan.desk.screens import changed, revision, show
from flatscan.desk.sizes import parse_size
from flatscan.desk.sketches import station_plan
from flatscan.desk.station_doubts import Doubts, doubts_of, sentences, table
from flatscan.desk.station_states import AGAIN, Station
from flatscan.report.form import Blank, before_reading, checks, stations
from flatscan.report.say import say

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

_MOST_STATIONS = 300


def begin(settings: Plain, width: str, height: str, spacing: str, unit: str, sense: str) -> None:
    """Lay the stations for a wall of this size; readings typed before stay where they are.

    Raises `BadValue` for sizes, a unit or a sense that make no sense.
    """
    asked = (("Width", width), ("Height", height), ("Between columns", spacing))
    sizes = [parse_size(text, where=name, units=settings["units"]) for name, text in asked]
    for name, value, known in (("Readings in", unit, READING_UNITS), ("Sense", sense, SENSES)):
        if value not in known:
            raise BadValue(name, "'{value}'", needed=" or ".join(known), remedy="Choose one of these", value=value[:40])
    blank = Blank(width=sizes[0], height=sizes[1], spacing=sizes[2])
    held: Plain = settings["readings"] or {"stations": [], "again": "", "typing": {}, "doubtful": [], "kept": []}
    before = {(x, y): text for x, y, text in held["stations"] if text or states.key_of(x, y) in held["typing"]}
    beyond = next((at for at in before if at[0] > sizes[0] or at[1] > sizes[1]), None)
    if beyond is not None:
        raise BadValue(
            "Size",
            "station {place:xy} was read and would lie beyond it",
            needed="a wall that holds every reading",
            remedy="Correct the size, or clear that reading first",
            place=beyond,
        )
    laid = [[x, y, before.pop((x, y), "")] for x, y in stations(blank)]
    settings["readings"] = held | {
        "width": sizes[0],
        "height": sizes[1],
        "spacing": sizes[2],
        "unit": unit,
        "sense": sense,
        "stations": laid + [[x, y, text] for (x, y), text in before.items()],
        "mark": held.get("mark") or secrets.token_hex(6),
    }
    settings["capture"] = None
    recheck(settings["readings"])


def add(settings: Plain, across: str, up: str) -> int:
    """One more station at a free place (a high spot that was hunted); returns its number. Raises `BadValue`."""
    held, units = settings["readings"], settings["units"]
    x = round(parse_size(across, where="From the left", units=units, place=True), 4)
    y = round(parse_size(up, where="Up", units=units, place=True), 4)
    if not (0 <= x <= held["width"] and 0 <= y <= held["height"]):
        raise BadValue(
            "station {place:xy}",
            "it lies off the wall",
            needed="0 to {width:span} and 0 to {height:span}",
            remedy="Correct the place",
            place=(x, y),
            width=metres(held["width"]),
            height=metres(held["height"]),
        )
    if len(held["stations"]) >= _MOST_STATIONS:
        raise BadValue("stations", "{most}", needed="no more", remedy="Begin another wall", most=_MOST_STATIONS)
    there = [states.key_of(one[0], one[1]) for one in held["stations"]]
    if states.key_of(x, y) in there:
        return there.index(states.key_of(x, y)) + 1
    held["stations"].append([x, y, ""])
    return len(held["stations"])


def save(job: Job) -> None:
    """Write the readings that count beside the settings, as the capture the commands read too, where they changed."""
    path, content = (
        job.folder / READINGS,
        table(states.counted(job.settings["readings"]), job.settings["title"]).encode(),
    )
    if not path.is_file() or path.read_bytes() != content:
        write_through(path, content)


def heal(jobs: Jobs) -> None:
    """Bring every wall's readings up to its settings: a battery may have died between writing the two."""
    for job in jobs.all():
        if job.settings["readings"] is not None and job.settings["capture"] is None:
            save(job)


def recheck(held: Plain, entering: str = "") -> Doubts:
    """Look all readings over: those that are doubtful now wait; returns what was said of each."""
    found = doubts_of(held, entering)
    states.settle(held, found)
    return found


def progress(every: list[Station]) -> tuple[int, int]:
    """How many stations are confirmed, and how many there are, the control reading among them."""
    return sum(station.state == states.CONFIRMED for station in every), len(every)


def turn(station: Station, count: int) -> Note:
    """What to say when it is this station's turn."""
    if station.number == 0:
        return note("desk.station-again", (station.x, station.y))
    return note("desk.station", (station.x, station.y), number=station.number, count=count)


def shown(every: list[Station], found: Doubts, to: Manner) -> list[dict[str, Any]]:
    """Every station as the page needs it: its key, number, words, place in words, what stands there, and how sure."""
    return [
        {
            "number": str(station.number or AGAIN),
            "x": say(note("report.length", length=metres(station.x)), to),
            "y": say(note("report.length", length=metres(station.y)), to),
            "spoken": say(turn(station, len(every) - 1), to),
            **now(station, found, to),
        }
        for station in every
    ]


def now(station: Station, found: Doubts, to: Manner) -> dict[str, Any]:
    """What changes about a station while a wall is read."""
    doubts = sentences(found.get(station.key, []), to) if station.state == states.DOUBTFUL else []
    held = {"key": station.key, "text": station.text, "typing": station.typing, "state": station.state}
    return held | {"doubts": doubts, "keepable": states.is_reading(station.text)}


def readings(desk: Desk, name: str) -> Any:
    """All stations; a form without scripts sends them together, or adds one."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if job.settings["readings"] is None:
        return redirect(f"/wall/{name}/size")
    if request.method == "POST":
        return _sent(desk, name)
    held, to = job.settings["readings"], spoken_to(job)
    # whatever was found when they were written last, doubts are looked for anew; looking changes nothing
    found = doubts_of(held)
    every = [*states.now(held, found)]
    drawn = [(str(station.number), station.x, station.y, station.state) for station in every if station.number]
    done, count = progress(every)
    asked = request.args.get("at", "")
    at = int(asked) - 1 if asked.isascii() and asked.isdigit() and 0 < int(asked) <= count - 1 else None
    return show(
        "readings.html.j2",
        job,
        "readings",
        stations=shown(every, found, to),
        at=at,
        begun=any(station.state != states.OPEN for station in every),
        done=done,
        count=count,
        plan=station_plan(held["width"], held["height"], drawn, to),
        cautions=before_reading(),
        checks=[say(check, to) for check in checks(to.units)],
        sense=held["sense"],
        unit=held["unit"],
        mark=held["mark"],
        served=time.time(),
    )


def _sent(desk: Desk, name: str) -> Any:
    """The table of a page without scripts, or one more station."""
    from flask import redirect, request

    form, here = request.form, {"number": 0}
    fields = [field for field in form if field.startswith("r-")]

    def fill(settings: Plain) -> None:
        held = settings["readings"]
        for station in states.places(held):
            number = station.number or AGAIN
            text, keep = form.get(f"r-{number}", station.text), f"k-{number}" in form
            if text.strip() != station.text or keep or (station.typing is not None and f"r-{number}" in form):
                states.enter(held, station.key, text, keep=keep)
        if form.get("go") == "add":
            here["number"] = add(settings, form.get("across", ""), form.get("up", ""))
        recheck(held)

    # a station more is in nobody's way; a whole table may stand on an older one
    job = desk.jobs.keep(name, revision(), fill) if fields else desk.jobs.note(name, fill)
    save(job)
    if form.get("go") == "add":
        return redirect(f"/wall/{name}/readings?at={here['number']}", 303)
    return changed(job, "readings")
