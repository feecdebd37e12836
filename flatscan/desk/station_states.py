"""How far each station is: open, being typed, confirmed or doubtful; only what is confirmed counts anywhere."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from flatscan.capture.grid_head import is_read
from flatscan.core.errors import BadValue
from flatscan.core.typed import is_length

AGAIN = "again"
OPEN, TYPING, DOUBTFUL, CONFIRMED = "open", "typing", "doubtful", "confirmed"
_MOST_LETTERS = 20
Held = dict[str, Any]
# thousands are never parted in readings, and three figures behind a comma might be
_COMMA = re.compile(r"-?[0-9]+,[0-9]{1,2}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Station:
    """One place to read: its number in walking order (0: the first one read again) and its place [m].

    ``text`` is what was entered last, ``typing`` what is being typed in its place (None: nothing), ``state`` how far it
    is, ``kept`` whether somebody keeps it in spite of a doubt.
    """

    number: int
    x: float
    y: float
    text: str
    typing: str | None
    state: str
    kept: bool

    @property
    def key(self) -> str:
        """What a page, and a phone that was away, call it."""
        return AGAIN if self.number == 0 else key_of(self.x, self.y)


def key_of(x: float, y: float) -> str:
    """A place [m] as a key: numbers change when a wall is laid out anew, places do not."""
    return f"{x:.4f},{y:.4f}"


def places(held: Held) -> list[Station]:
    """All stations in walking order, and last the first one read again."""
    every = [_station(held, number, x, y, text) for number, (x, y, text) in enumerate(held["stations"], 1)]
    first = every[0]
    return [*every, _station(held, 0, first.x, first.y, held["again"])]


def _station(held: Held, number: int, x: float, y: float, text: str) -> Station:
    key = key_of(x, y) if number else AGAIN
    typing = held["typing"].get(key)
    entered = OPEN if text == "" else DOUBTFUL if key in held["doubtful"] else CONFIRMED
    state = entered if typing is None else TYPING
    return Station(number, x, y, text, typing, state, key in held["kept"])


def counted(held: Held) -> Held:
    """The readings as they count: what is confirmed, and of what is being typed over what stood there before."""
    waiting = set(held["doubtful"])
    stations = [[x, y, "" if key_of(x, y) in waiting else text] for x, y, text in held["stations"]]
    kept = {name: held[name] for name in ("width", "height", "spacing", "unit", "sense")}
    return kept | {"stations": stations, "again": "" if AGAIN in waiting else held["again"]}


def put_typing(held: Held, key: str, text: str) -> None:
    """What is being typed at a station, which counts nowhere; raises `BadValue` for a station there is not."""
    before, text = _entered(held, key), _checked(text)
    held["typing"] = {name: other for name, other in held["typing"].items() if name != key}
    if text != before:
        held["typing"][key] = text


def enter(held: Held, key: str, text: str, *, keep: bool = False) -> None:
    """A reading entered at a station, with ``keep`` to stand in spite of a doubt; raises as `put_typing` does."""
    _entered(held, key)
    text = _checked(text)
    if key == AGAIN:
        held["again"] = text
    for station in held["stations"]:
        if key_of(station[0], station[1]) == key:
            station[2] = text
    held["typing"] = {name: other for name, other in held["typing"].items() if name != key}
    held["doubtful"] = [name for name in held["doubtful"] if name != key]
    held["kept"] = [name for name in held["kept"] if name != key] + ([key] if keep and is_reading(text) else [])


def _entered(held: Held, key: str) -> str:
    """What was entered at a station last."""
    if key == AGAIN:
        return str(held["again"])
    found = [text for x, y, text in held["stations"] if key_of(x, y) == key]
    if not found:
        raise BadValue(
            "station", "'{key}'", needed="one of the stations", remedy="Load the page again", key=str(key)[:20]
        )
    return str(found[0])


def _checked(text: str) -> str:
    if len(text) > _MOST_LETTERS or any(ord(sign) < 32 for sign in text):
        raise BadValue("reading", "too long", needed="up to {most} signs", remedy="Type one number", most=_MOST_LETTERS)
    return text.strip()


def conflict(held: Held, key: str, text: str, was: Sequence[str]) -> str | None:
    """What somebody else entered at a station since a page saw one of ``was`` there; None where nobody did."""
    there = _entered(held, key)
    return None if there == text.strip() or there in was else there


def settle(held: Held, found: Mapping[str, Sequence[Any]]) -> None:
    """Stations with doubts that nobody looked at wait for somebody; those without one no longer do."""
    held["doubtful"] = [
        one.key for one in places(held) if found.get(one.key) and not (one.kept and is_reading(one.text))
    ]


def now(held: Held, found: Mapping[str, Sequence[Any]]) -> Iterator[Station]:
    """All stations as they are by the doubts found now, whatever was found when they were written last."""
    for one in places(held):
        waits = bool(found.get(one.key)) and not one.kept and one.text != ""
        state = one.state if one.state in (OPEN, TYPING) else DOUBTFUL if waits else CONFIRMED
        yield replace(one, state=state)


def is_reading(text: str) -> bool:
    """Whether it is one number, or says that nothing can be read."""
    return not is_read(text) or is_number(text)


def is_number(text: str) -> bool:
    """Whether it is one number of the readings' unit."""
    return "," not in with_point(text) and is_length(with_point(text))


def with_point(text: str) -> str:
    """A number as a table of readings has it, where commas part its columns; one comma before one or two figures."""
    return text.replace(",", ".") if _COMMA.fullmatch(text) else text
