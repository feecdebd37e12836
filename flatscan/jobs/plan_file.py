"""The plan of a job as a file: what each key of ``plan.toml`` may hold, and what it stands for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, NoReturn

from flatscan.core.beside import near
from flatscan.core.choices import ANSWERS, AXES, CAPTURE_TYPES, LENGTH_UNITS, METHODS, SIGNS, STAGES, SURFACES
from flatscan.core.errors import BadTable, FlatscanError
from flatscan.core.records import parse_toml
from flatscan.core.settled import file_numbers
from flatscan.core.typed import LONGEST_SHOWN, parse_length, parse_place, read_text
from flatscan.jobs.job_plan import JobPlan, JobRecord, Statement
from flatscan.jobs.settings import wall_named
from flatscan.plan.cutting import Cut
from flatscan.standards import load as load_tolerance

NAME = "plan.toml"
_REMEDY = "Put it right in the file, or take the line out"
# the name of a table at the head of a line, and a key before its value
_HEAD = re.compile(r"\s*\[{1,2}\s*([\w-]+)\s*\]{1,2}\s*(?:#.*)?$")
_OWN = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*=")
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3])[:.]([0-5][0-9])")
Read = Callable[[Any], Any]


class _Misfit(Exception):
    """A value that a key cannot hold: what was needed."""


def load_plan(path: str | Path) -> JobPlan:
    """The plan in a file; files that it names lie beside it.

    Raises `ReadError` where it cannot be opened, `BadTable` where it is no TOML, for an unknown key, and for a value
    that its key cannot hold.
    """
    text, _ = read_text(path)
    return read_plan(text, path)


def read_plan(text: str, path: str | Path) -> JobPlan:
    """The plan in the text of a file at ``path``; raises as `load_plan` does."""
    table = parse_toml(text, path, "a plan in TOML", "Write it with {set:keep}, or put it right in the file")
    lines = _Lines(text, path)
    said = _read(table, _KEYS, lines, "")
    said |= _read(said.pop("face", {}), _FACE, lines, "face")
    fixed, objects = said.pop("fixed", ()), said.pop("object", ())
    said["fix"] = tuple(point for kind, point in fixed if kind == "offset")
    said["fix_reading"] = tuple(point for kind, point in fixed if kind == "reading")
    for state, name in (("wall", "as_wall"), ("not wall", "not_wall")):
        said[name] = tuple(place for kind, place in objects if kind == state)
    return JobPlan(**{name: _beside(path, name, value) for name, value in said.items()})


def _beside(path: str | Path, name: str, value: Any) -> Any:
    """A file's name, or several, as the plan's own folder has them; raises as `core.beside.near` does."""
    if name not in ("rates", "tie", "repeat", "same_wall"):
        return value
    if isinstance(value, tuple):
        return tuple(_beside(path, name, one) for one in value)
    return str(near(path, value))


@dataclass(frozen=True, slots=True)
class _Lines:
    """Where the keys of a file stand in its text."""

    text: str
    path: str | Path

    def at(self, key: str, inside: str, nth: int = 0) -> str:
        """The file with the line of a key, in the table it is ``inside`` of, or of the ``nth`` table of that name."""
        table, passed = "", 0
        for number, line in enumerate(self.text.splitlines(), 1):
            head, own = _HEAD.match(line), _OWN.match(line)
            if head is not None:
                table = head[1]
                if table == key and not inside and passed == nth:
                    return f"{self.path}, line {number}"
                passed += table == key
            elif own is not None and (own[1], table) == (key, inside):
                return f"{self.path}, line {number}"
        return str(self.path)


def _read(table: Any, keys: Mapping[str, tuple[str, Read]], lines: _Lines, inside: str) -> dict[str, Any]:
    """What a table of the file says, by the names of a `JobPlan`."""
    unknown = tuple(key for key in table if key not in keys)
    if unknown:
        raise BadTable(
            lines.at(unknown[0], inside),
            "{unknown} {inside} is nothing a plan knows" if inside else "{unknown} is nothing a plan knows",
            needed="some of {known}",
            remedy=_REMEDY,
            unknown=unknown[:3],
            inside=f"in [{inside}]",
            known=tuple(keys),
        )
    return {keys[key][0]: _taken(keys[key][1], value, lines, key, inside) for key, value in table.items()}


def _taken(read: Read, value: Any, lines: _Lines, key: str, inside: str) -> Any:
    """A value as its key takes it; raises `BadTable` with the line, the key and what it needed."""
    try:
        return read(value)
    except BadTable:
        raise
    except (_Misfit, FlatscanError) as wrong:
        needed = wrong.needed if isinstance(wrong, FlatscanError) else str(wrong)
        raise BadTable(
            lines.at(key, inside, _first_wrong(read, value)),
            "{key} = {value}",
            needed=needed,
            remedy=_REMEDY,
            key=f"[{inside}] {key}" if inside else key,
            value=repr(value)[:LONGEST_SHOWN],
        ) from None


def _first_wrong(read: Read, value: Any) -> int:
    """The first of several tables that its key cannot hold, from 0."""
    for nth, one in enumerate(value if isinstance(value, list) else ()):
        try:
            read([one])
        except (_Misfit, FlatscanError):
            return nth
    return 0


def _needs(needed: str) -> NoReturn:
    raise _Misfit(needed)


def _text(value: Any) -> str:
    return value if isinstance(value, str) else _needs("text in quotes")


def _entry(value: Any) -> str:
    """A published entry, whatever command reads the plan: one that nobody knows would come out at hand-over only."""
    return load_tolerance(_text(value)).id


def _flag(value: Any) -> bool:
    return value if isinstance(value, bool) else _needs("true or false")


def _length(value: Any) -> float:
    """A thickness or a rule: a number without its unit could be either of two."""
    if not isinstance(value, str):
        _needs('a length with its unit in quotes, such as "5 mm"')
    return parse_length(value)


def _place(value: Any) -> float:
    """A place along the wall; a bare number is metres, as on the form."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        _needs('a place in metres, or with its unit in quotes, such as "1.2 m"')
    return parse_place(str(value))


def _slope(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value < 1000:
        _needs("a number of mm per m from 0 up")
    return float(value)


def _number(of: str) -> Read:
    return lambda value: value if type(value) is int and value > 0 else _needs(f"{of}'s number")


def _one_of(words: Iterable[str]) -> Read:
    known = tuple(words)
    return lambda value: value if value in known else _needs(f"one of {', '.join(known)}")


def _list_of(read: Read) -> Read:
    """One, or a list of them."""

    def several(value: Any) -> tuple[Any, ...]:
        return tuple(read(one) for one in (value if isinstance(value, list) else [value]))

    return several


def _places(count: int) -> Read:
    """So many places, in quotes with commas between, or as a list."""

    def read(value: Any) -> tuple[float, ...]:
        parts = value.split(",") if isinstance(value, str) else value
        if not isinstance(parts, list) or len(parts) != count:
            _needs(f"{count} places with commas between")
        return tuple(_place(part) for part in parts)

    return read


def _file_places(count: int, setting: str) -> Read:
    return lambda value: file_numbers(value if isinstance(value, (str, list)) else "", count, setting)


def _clock(value: Any) -> str:
    if not isinstance(value, str) or _CLOCK.fullmatch(value.strip()) is None:
        _needs('a time of day, such as "7:30"')
    return str(value).strip()


def _wall(value: Any) -> tuple[int, str]:
    if isinstance(value, bool) or not isinstance(value, (str, int)):
        _needs('a wall such as 1, or "1a"')
    return wall_named(value)


def _record(**keys: Read) -> Callable[[Any], dict[str, Any]]:
    """A table with some of these keys."""

    def read(value: Any) -> dict[str, Any]:
        if not isinstance(value, dict) or not value.keys() <= keys.keys():
            _needs(f"a table with the keys {', '.join(keys)}")
        return {key: keys[key](part) for key, part in value.items()}

    return read


def _whole(value: Any, **keys: Read) -> dict[str, Any]:
    """A table with all of these keys."""
    found = _record(**keys)(value)
    return found if len(found) == len(keys) else _needs(f"a table with the keys {', '.join(keys)}")


def _rectangle(value: Any) -> tuple[float, float, float, float]:
    it = _whole(value, left=_place, bottom=_place, width=_place, height=_place)
    if not (it["width"] > 0 and it["height"] > 0):
        _needs("a width and a height over 0")
    return it["left"], it["bottom"], it["left"] + it["width"], it["bottom"] + it["height"]


def _cut(value: Any) -> Cut | str:
    """A hump's number, of walls planned together with its wall, or a table with its place and depth."""
    if isinstance(value, str) and re.fullmatch(r"([0-9]{1,4}:)?[Hh][0-9]{1,4}", value.strip()):
        return value.strip().upper()
    return _cut_place(value)


def _cut_place(value: Any) -> Cut:
    if isinstance(value, str):
        _needs('a hump such as "H1", or a table with x, y and depth')
    it = _whole(value, x=_place, y=_place, depth=_length)
    return Cut(**it) if it["depth"] > 0 else _needs("a depth over 0")


def _fixed(value: Any) -> tuple[str, tuple[Any, ...]]:
    it = _record(x=_place, y=_place, offset=_length, reading=_length, band=_length, beside=_flag)(value)
    if not {"x", "y"} <= it.keys() or ("offset" in it) == ("reading" in it):
        _needs("x, y, and offset or reading")
    if "reading" in it:
        return "reading", (it["x"], it["y"], it["reading"])
    return "offset", (it["x"], it["y"], it["offset"], it.get("band", 0.0), it.get("beside", False))


def _object(value: Any) -> tuple[str, tuple[float, float]]:
    found = _whole(value, x=_place, y=_place, **{"is": _one_of(("wall", "not wall"))})
    return found["is"], (found["x"], found["y"])


def _statement(value: Any) -> Statement:
    found = _record(text=_text, by=_text, date=_text)(value)
    return Statement(**found) if found.get("text") else _needs("text, and by and date")


def _job(value: Any) -> JobRecord:
    return JobRecord(**_record(**{item.name: _text for item in fields(JobRecord)})(value))


_FACE: dict[str, tuple[str, Read]] = {
    "lean_up_to": ("lean_up_to", _slope),
    "turn_up_to": ("turn_up_to", _slope),
    "parallel_to": ("parallel_to", _number("a wall")),
    "square_to": ("square_to", _number("a wall")),
}
_KEYS: dict[str, tuple[str, Read]] = {
    "stage": ("stage", _one_of(STAGES)),
    "system": ("system", _text),
    "least": ("least", _length),
    "most": ("most", _length),
    "finish": ("finish", _length),
    "strip": ("strip", _length),
    "rule": ("rule", _length),
    "limit": ("limit", _length),
    "tolerance": ("tolerance", _list_of(_entry)),
    "method": ("method", _one_of(METHODS)),
    "plumb_limit": ("plumb_limit", _length),
    "cut": ("cut", _list_of(_cut)),
    "start": ("start", _clock),
    "rates": ("rates", _text),
    "surface": ("surface", _one_of(SURFACES)),
    "seen": ("seen", _list_of(_one_of(SIGNS))),
    "mix": ("mix", _text),
    "laser": ("laser", _length),
    "capture_type": ("capture_type", _one_of(CAPTURE_TYPES)),
    "up": ("up", _one_of(AXES)),
    "seen_from": ("seen_from", _file_places(3, "seen_from")),
    "file_unit": ("file_unit", _one_of(LENGTH_UNITS)),
    "width": ("width", _length),
    "height": ("height", _length),
    "no_opening": ("no_opening", _list_of(_number("an opening"))),
    "wall": ("wall", _wall),
    "region": ("region", _places(4)),
    "crop": ("crop", _file_places(6, "crop")),
    "accept": ("accept", _list_of(_places(2))),
    "accept_source": ("accept_source", _flag),
    "confirm": ("confirm", _list_of(_one_of(ANSWERS))),
    "same_wall": ("same_wall", _list_of(_text)),
    "tie": ("tie", _text),
    "repeats": ("repeat", _list_of(_text)),
    "face": ("face", lambda value: value if isinstance(value, dict) else _needs("a table [face]")),
    "opening": ("opening", _list_of(_rectangle)),
    "pocket": ("pocket", _list_of(_rectangle)),
    "skip": ("skip", _list_of(_rectangle)),
    "fixed": ("fixed", _list_of(_fixed)),
    "object": ("object", _list_of(_object)),
    "shave": ("shave", _list_of(_cut_place)),
    "statement": ("statement", _list_of(_statement)),
    "job": ("job", _job),
}
