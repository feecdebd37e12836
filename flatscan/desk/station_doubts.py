"""What the reader of laser grids says about single stations of a wall that is being read."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from flatscan import jobs
from flatscan.capture.grid_checks import OF_ALL
from flatscan.capture.grid_head import head_lines, is_read
from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner
from flatscan.desk import station_states as states
from flatscan.desk.folders import READINGS, Plain
from flatscan.report.say import finished

# what the table rounds places to [m]
_SAME = 5e-4
_MOVED = "grid.control-moved"
Doubt = Note | FlatscanError
Doubts = dict[str, list[Doubt]]


def table(held: Plain, title: str) -> str:
    """Readings as a laser-offset grid in long form; what cannot be read as a length stands as not read."""
    first, again = (states.with_point(text) for text in (held["stations"][0][2], held["again"]))
    control = f"control, {first}, {again}" if states.is_number(first) and states.is_number(again) else "control, -, -"
    title = " ".join(title.replace(",", " ").replace('"', " ").split())
    more = (control, f"wall, {title or '-'}")
    head = head_lines(held["width"], held["height"], more, unit=held["unit"], sense=held["sense"])
    rows = [f"{x:g}, {y:g}, {_cell(text)}" for x, y, text in held["stations"]]
    return "\n".join([*head, *rows]) + "\n"


def _cell(text: str) -> str:
    return states.with_point(text) if states.is_number(text) else "-"


def doubts_of(held: Plain, entering: str = "") -> Doubts:
    """What is doubtful at every station that has an entry, by its key, those being looked at again among them.

    What is said of all readings is a matter of the one ``entering``, of the first where none is; while a station waits
    for it, or somebody kept one, it is nobody else's.
    """
    found: Doubts = {one.key: [_no_reading(held, one.text)] for one in states.places(held) if _is_none(one.text)}
    try:
        notes = _notes(held)
    except FlatscanError as trouble:
        # of readings that no table may have, the one entered last is the odd one, or those that waited already
        odd = [entering] if entering else list(held["doubtful"]) or [_first(held)]
        found |= {key: [trouble] for key in odd if key not in found}
        notes = _notes(_without(held, set(found)), quiet=True)
    for one in states.places(held):
        if is_read(one.text) and one.key not in found and (said := _about(one, notes)):
            found[one.key] = said
    general = [one for one in notes if one.code in OF_ALL]
    for key in _whose(held, found, entering) if general else ():
        found[key] = [*found.get(key, []), *general]
    return found


def _is_none(text: str) -> bool:
    return is_read(text) and not states.is_number(text)


def _no_reading(held: Plain, text: str) -> Note:
    return note("desk.no-reading", text=text, unit=held["unit"])


def _notes(held: Plain, *, quiet: bool = False) -> list[Note]:
    if not any(states.is_number(one.text) for one in states.places(held)):
        # no reading yet is no doubt of one
        return []
    with tempfile.TemporaryDirectory(prefix="flatscan-") as folder:
        path = Path(folder) / READINGS
        path.write_text(table(held, ""), encoding="utf-8")
        try:
            return [one for one in jobs.see(path, jobs.Capturing()).notes if isinstance(one, Note)]
        except FlatscanError:
            if quiet:
                return []
            raise


def _without(held: Plain, keys: set[str]) -> Plain:
    stations = [[x, y, "" if states.key_of(x, y) in keys else text] for x, y, text in held["stations"]]
    return held | {"stations": stations, "again": "" if states.AGAIN in keys else held["again"]}


def _about(station: states.Station, notes: Sequence[Note]) -> list[Doubt]:
    if station.key == states.AGAIN:
        return [one for one in notes if one.code == _MOVED]
    here = (station.x, station.y)
    about = (one.quantities.get("what") for one in notes if one.place and math.dist(one.place, here) < _SAME)
    return [what for what in about if isinstance(what, Note)]


def _first(held: Plain) -> str:
    return next((one.key for one in states.places(held) if is_read(one.text)), states.AGAIN)


def _whose(held: Plain, found: Mapping[str, Sequence[Doubt]], entering: str) -> list[str]:
    waiting = [key for key in held["doubtful"] if key not in found and key != entering]
    if waiting or any(key not in found for key in held["kept"]):
        return waiting
    return [entering or _first(held)]


def sentences(doubts: Sequence[Doubt], to: Manner) -> list[str]:
    """Doubts in the reader's own words."""
    return [finished(one if isinstance(one, Note) else one.parts(to)[1], to) for one in doubts]
