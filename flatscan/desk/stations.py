"""Laser readings typed at the wall: its size, then station after station, each checked as soon as it stands there."""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatscan import jobs
from flatscan.capture.grid_checks import OF_ALL
from flatscan.capture.grid_head import head_lines, is_read
from flatscan.core.choices import READING_UNITS, SENSES
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.typed import is_length, parse_length
from flatscan.desk.answering import spoken_to
from flatscan.desk.choosing import station_plan
from flatscan.desk.folders import READINGS, Job, Plain, write_through
from flatscan.desk.screens import changed, revision, sent_json, show
from flatscan.report.form import Blank, before_reading, checks, stations
from flatscan.report.say import finished, say

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

AGAIN = "again"
_MOST_LETTERS, _MOST_STATIONS = 20, 300
# what the table rounds places to [m]
_SAME = 5e-4
_SIZES = ("width", "height", "spacing", "unit", "sense")


@dataclass(frozen=True, slots=True)
class Station:
    """One place to read: its number in walking order (0: the first one read again), place [m] and what was typed."""

    number: int
    x: float
    y: float
    text: str

    @property
    def done(self) -> bool:
        """Whether something stands here, be it only a dash for not readable."""
        return self.text != ""


def begin(settings: Plain, width: str, height: str, spacing: str, unit: str, sense: str) -> None:
    """Lay the stations for a wall of this size; readings typed before stay where they are.

    Raises `BadValue` for sizes, a unit or a sense that make no sense.
    """
    bare = "in" if settings["units"] == "in" else "m"
    asked = (("Width", width), ("Height", height), ("Between columns", spacing))
    sizes = [parse_length(text, where=name, unit=bare) for name, text in asked]
    for name, value, known in (("Readings in", unit, READING_UNITS), ("Sense", sense, SENSES)):
        if value not in known:
            raise BadValue(name, "'{value}'", needed=" or ".join(known), remedy="Choose one of these", value=value[:40])
    blank = Blank(width=sizes[0], height=sizes[1], spacing=sizes[2])
    before = {(x, y): text for x, y, text in (settings["readings"] or {}).get("stations", []) if text}
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
    settings["readings"] = {
        "width": sizes[0],
        "height": sizes[1],
        "spacing": sizes[2],
        "unit": unit,
        "sense": sense,
        "stations": laid + [[x, y, text] for (x, y), text in before.items()],
        "again": (settings["readings"] or {}).get("again", ""),
    }
    settings["capture"] = None


def add(settings: Plain, across: str, up: str) -> int:
    """One more station at a free place (a high spot that was hunted); returns its number. Raises `BadValue`."""
    held, bare = settings["readings"], "in" if settings["units"] == "in" else "m"
    x = round(parse_length(across, where="From the left", unit=bare), 4)
    y = round(parse_length(up, where="Up", unit=bare), 4)
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
    held["stations"].append([x, y, ""])
    return len(held["stations"])


def put(settings: Plain, number: str, text: str) -> None:
    """Put what was typed at a station, ``number`` from 1 or "again"; raises `BadValue` for one there is not."""
    held = settings["readings"]
    if len(text) > _MOST_LETTERS or any(ord(sign) < 32 for sign in text):
        raise BadValue("reading", "too long", needed="up to {most} signs", remedy="Type one number", most=_MOST_LETTERS)
    if number == AGAIN:
        held["again"] = text.strip()
    elif number.isascii() and number.isdigit() and 1 <= int(number) <= len(held["stations"]):
        held["stations"][int(number) - 1][2] = text.strip()
    else:
        raise BadValue(
            "station", "'{number}'", needed="one of the stations", remedy="Load the page again", number=number[:20]
        )


def places(job: Job) -> list[Station]:
    """All stations in walking order, and last the first one read again."""
    held = job.settings["readings"]
    stations = [Station(number, x, y, text) for number, (x, y, text) in enumerate(held["stations"], 1)]
    return [*stations, Station(0, stations[0].x, stations[0].y, held["again"])]


def table(settings: Plain) -> str:
    """The readings as a laser-offset grid in long form; what cannot be read as a length stands as not read."""
    held = settings["readings"]
    first, again = held["stations"][0][2], held["again"]
    control = f"control, {first}, {again}" if _readable(first) and _readable(again) else "control, -, -"
    title = " ".join(settings["title"].replace(",", " ").replace('"', " ").split())
    more = (control, f"wall, {title or '-'}")
    head = head_lines(held["width"], held["height"], more, unit=held["unit"], sense=held["sense"])
    rows = [f"{x:g}, {y:g}, {text if _readable(text) else '-'}" for x, y, text in held["stations"]]
    return "\n".join([*head, *rows]) + "\n"


def _readable(text: str) -> bool:
    return is_read(text) and "," not in text and is_length(text)


def save(job: Job) -> None:
    """Write the readings beside the settings, as the capture the commands read too."""
    write_through(job.folder / READINGS, table(job.settings).encode())


def doubts(job: Job, number: str) -> list[str]:
    """What the reader of laser grids says about one station, in its own words; empty where it has nothing to say."""
    every = places(job)
    station = every[-1] if number == AGAIN else every[int(number) - 1]
    if not is_read(station.text):
        return []
    to = spoken_to(job)
    if not _readable(station.text):
        unit = job.settings["readings"]["unit"]
        return [say(note("desk.no-reading", text=station.text, unit=unit), to)]
    try:
        warnings = _warnings(job)
    except FlatscanError as trouble:
        _, found, _, _ = trouble.parts(to)
        return [finished(found, to)]
    here = (station.x, station.y)
    said = [one.quantities["what"] for one in warnings if one.place and math.dist(one.place, here) < _SAME]
    general = (*OF_ALL, "grid.control-moved") if number == AGAIN else OF_ALL
    said += [one for one in warnings if one.code in general]
    return [finished(one, to) for one in said if isinstance(one, Note)]


def _warnings(job: Job) -> list[Note]:
    with tempfile.TemporaryDirectory(prefix="flatscan-") as folder:
        path = Path(folder) / READINGS
        path.write_text(table(job.settings), encoding="utf-8")
        return [one for one in jobs.see(path, jobs.Capturing()).notes if isinstance(one, Note)]


def progress(job: Job) -> tuple[int, int]:
    """How many stations are done, and how many there are, the control reading among them."""
    every = places(job)
    return sum(station.done for station in every), len(every)


def turn(station: Station, count: int) -> Note:
    """What to say when it is this station's turn."""
    if station.number == 0:
        return note("desk.station-again", (station.x, station.y))
    return note("desk.station", (station.x, station.y), number=station.number, count=count)


def shown(job: Job) -> list[dict[str, Any]]:
    """Every station as the page needs it: its key, words, place in words and what was typed."""
    every, to = places(job), spoken_to(job)
    return [
        {
            "key": AGAIN if station.number == 0 else str(station.number),
            "text": station.text,
            "x": say(note("report.length", length=metres(station.x)), to),
            "y": say(note("report.length", length=metres(station.y)), to),
            "spoken": say(turn(station, len(every) - 1), to),
        }
        for station in every
    ]


def size(desk: Desk, name: str) -> Any:
    """How large the wall is, and how the readings will be written."""
    from flask import request

    job = desk.jobs.get(name)
    if request.method == "POST":
        given = [request.form.get(field, "") for field in _SIZES]
        job = desk.jobs.keep(name, revision(), lambda settings: begin(settings, *given))
        save(job)
        return changed(job, "size")
    held, units = job.settings["readings"], job.settings["units"]
    usual = {"width": "", "height": "", "sense": SENSES[0]}
    usual |= {"spacing": "4 ft", "unit": "in"} if units == "in" else {"spacing": "1.2 m", "unit": "mm"}
    if held is not None:
        usual |= {key: f"{held[key]:g} m" for key in ("width", "height", "spacing")}
        usual |= {key: held[key] for key in ("unit", "sense")}
    return show("size.html.j2", job, "size", given=usual, senses=SENSES, read_in=READING_UNITS)


def readings(desk: Desk, name: str) -> Any:
    """All stations; a form without scripts sends them together, or adds one."""
    from flask import redirect, request

    job = desk.jobs.get(name)
    if job.settings["readings"] is None:
        return redirect(f"/wall/{name}/size")
    if request.method == "POST":
        return _sent(desk, name)
    every, held, to = places(job), job.settings["readings"], spoken_to(job)
    drawn = [(str(station.number), station.x, station.y, station.done) for station in every if station.number]
    start = next((k for k, station in enumerate(every) if not station.done), 0)
    done, count = progress(job)
    asked = request.args.get("at", "")
    start = int(asked) - 1 if asked.isascii() and asked.isdigit() and 0 < int(asked) <= count - 1 else start
    return show(
        "readings.html.j2",
        job,
        "readings",
        stations=shown(job),
        start=start,
        done=done,
        count=count,
        plan=station_plan(held["width"], held["height"], drawn, to),
        cautions=before_reading(),
        checks=[say(check, to) for check in checks(to.units)],
        sense=held["sense"],
        unit=held["unit"],
    )


def _sent(desk: Desk, name: str) -> Any:
    from flask import redirect, request

    form, here = request.form, {"number": 0}

    def fill(settings: Plain) -> None:
        for field, text in form.items():
            if field.startswith("r-"):
                put(settings, field[2:], text)
        if form.get("go") == "add":
            here["number"] = add(settings, form.get("across", ""), form.get("up", ""))

    job = desk.jobs.keep(name, revision(), fill)
    save(job)
    if form.get("go") == "add":
        return redirect(f"/wall/{name}/readings?at={here['number']}", 303)
    return changed(job, "readings")


def reading(desk: Desk, name: str) -> Any:
    """One reading as it is typed: saved, and checked against its neighbours by the reader of laser grids."""
    from flask import jsonify

    sent = sent_json()
    number, text = sent.get("number"), sent.get("text")
    if not isinstance(number, str) or not isinstance(text, str):
        raise BadValue("the page", "no reading", needed="a station and what was typed", remedy="Load it again")
    job = desk.jobs.get(name)
    if job.settings["readings"] is None:
        raise BadValue("readings", "no size of the wall yet", needed="its size", remedy="Go back one step")
    job = desk.jobs.keep(name, sent["revision"], lambda settings: put(settings, number, text))
    save(job)
    done, count = progress(job)
    return jsonify(revision=job.revision, doubts=doubts(job, number), done=done, count=count)
