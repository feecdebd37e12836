"""Laser readings typed at the wall: stations in walking order, each reading checked as soon as it stands there."""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatscan import capture
from flatscan.capture.grid_checks import OF_ALL
from flatscan.capture.offset_grid import is_read
from flatscan.core.choices import READING_UNITS, SENSES
from flatscan.core.errors import BadValue, FlatscanError
from flatscan.core.lengths import is_length, parse_length
from flatscan.core.notes import Note
from flatscan.core.quantity import metres
from flatscan.desk.folders import READINGS, Job, Plain, write_through
from flatscan.report import words
from flatscan.report.form.blank import Blank, stations
from flatscan.report.say import say

AGAIN = "again"
_MOST_LETTERS, _MOST_STATIONS = 20, 300
# what the table rounds places to [m]
_SAME = 5e-4


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
            raise BadValue(name, f"'{value[:40]}'", needed=" or ".join(known), remedy="Choose one of these")
    blank = Blank(width=sizes[0], height=sizes[1], spacing=sizes[2])
    before = {(x, y): text for x, y, text in (settings["readings"] or {}).get("stations", []) if text}
    beyond = next((at for at in before if at[0] > sizes[0] or at[1] > sizes[1]), None)
    if beyond is not None:
        raise BadValue(
            "Size", "station {place:xy} was read and would lie beyond it", needed="a wall that holds every reading",
            remedy="Correct the size, or clear that reading first", place=beyond,
        )  # fmt: skip
    laid = [[x, y, before.pop((x, y), "")] for x, y in stations(blank)]
    settings["readings"] = {
        "width": sizes[0], "height": sizes[1], "spacing": sizes[2], "unit": unit, "sense": sense,
        "stations": laid + [[x, y, text] for (x, y), text in before.items()],
        "again": (settings["readings"] or {}).get("again", ""),
    }  # fmt: skip
    settings["capture"] = None


def add(settings: Plain, across: str, up: str) -> int:
    """One more station at a free place (a high spot that was hunted); returns its number. Raises `BadValue`."""
    held, bare = settings["readings"], "in" if settings["units"] == "in" else "m"
    x = round(parse_length(across, where="From the left", unit=bare), 4)
    y = round(parse_length(up, where="Up", unit=bare), 4)
    if not (0 <= x <= held["width"] and 0 <= y <= held["height"]):
        raise BadValue(
            "station {place:xy}", "it lies off the wall", needed="0 to {width:span} and 0 to {height:span}",
            remedy="Correct the place", place=(x, y), width=metres(held["width"]), height=metres(held["height"]),
        )  # fmt: skip
    if len(held["stations"]) >= _MOST_STATIONS:
        raise BadValue(
            "stations", f"{len(held['stations'])}", needed=f"at most {_MOST_STATIONS}", remedy="Begin another wall"
        )
    held["stations"].append([x, y, ""])
    return len(held["stations"])


def put(settings: Plain, number: str, text: str) -> None:
    """Put what was typed at a station, ``number`` from 1 or "again"; raises `BadValue` for one there is not."""
    held = settings["readings"]
    if len(text) > _MOST_LETTERS or any(ord(sign) < 32 for sign in text):
        raise BadValue("reading", "too long", needed=f"up to {_MOST_LETTERS} signs", remedy="Type one number")
    if number == AGAIN:
        held["again"] = text.strip()
    elif number.isascii() and number.isdigit() and 1 <= int(number) <= len(held["stations"]):
        held["stations"][int(number) - 1][2] = text.strip()
    else:
        raise BadValue("station", f"'{number[:20]}'", needed="one of the stations", remedy="Load the page again")


def places(job: Job) -> list[Station]:
    """All stations in walking order, and last the first one read again."""
    held = job.settings["readings"]
    made = [Station(number, x, y, text) for number, (x, y, text) in enumerate(held["stations"], 1)]
    return [*made, Station(0, made[0].x, made[0].y, held["again"])]


def table(settings: Plain) -> str:
    """The readings as a laser-offset grid in long form; what cannot be read as a length stands as not read."""
    held = settings["readings"]
    first, again = held["stations"][0][2], held["again"]
    control = f"control, {first}, {again}" if _readable(first) and _readable(again) else "control, -, -"
    title = " ".join(settings["title"].replace(",", " ").replace('"', " ").split())
    head = [
        f"units, {held['unit']}", f"sense, {held['sense']}", f"width, {held['width']:g} m",
        f"height, {held['height']:g} m", control,
        f"wall, {title or '-'}", "", "x, y, reading",
    ]  # fmt: skip
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
    if not _readable(station.text):
        unit = job.settings["readings"]["unit"]
        return [f"'{station.text}' is not a reading: type one number of {unit}, or - where nothing can be read."]
    try:
        warnings = _warnings(job)
    except FlatscanError as trouble:
        return [words.sentence(trouble.found)]
    here = (station.x, station.y)
    said = [one.quantities["what"] for one in warnings if one.place and math.dist(one.place, here) < _SAME]
    general = (*OF_ALL, "grid.control-moved") if number == AGAIN else OF_ALL
    said += [one for one in warnings if one.code in general]
    return [words.sentence(say(one, job.settings["units"])) for one in said if isinstance(one, Note)]


def _warnings(job: Job) -> list[Note]:
    with tempfile.TemporaryDirectory(prefix="flatscan-") as folder:
        path = Path(folder) / READINGS
        path.write_text(table(job.settings), encoding="utf-8")
        return [one for one in capture.read(path).origin.warnings if isinstance(one, Note)]


def progress(job: Job) -> tuple[int, int]:
    """How many stations are done, and how many there are, the control reading among them."""
    every = places(job)
    return sum(station.done for station in every), len(every)


def spoken(station: Station, count: int, units: str) -> str:
    """What to say when it is this station's turn."""
    at = f"{words.length(station.x, units)} from the left, {words.length(station.y, units)} up"
    if station.number == 0:
        return f"Last: the first station again, {at}."
    return f"Station {station.number} of {count}: {at}."


def shown(job: Job) -> list[dict[str, Any]]:
    """Every station as the page needs it: its key, words, place in words and what was typed."""
    units, every = job.settings["units"], places(job)
    return [
        {
            "key": AGAIN if station.number == 0 else str(station.number), "text": station.text,
            "x": words.length(station.x, units), "y": words.length(station.y, units),
            "spoken": spoken(station, len(every) - 1, units),
        }
        for station in every
    ]  # fmt: skip
