"""Codes into words: the one place where a note becomes a sentence, in the units asked for."""

from __future__ import annotations

import dataclasses
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Caution, Note, Unknown
from flatscan.core.phrase import Manner, command_line, fill

Said = Note | Caution | Unknown | FlatscanError | str


@cache
def templates() -> dict[str, str]:
    """Every code with its template, from the tables in ``report/wording``."""
    found: dict[str, str] = {}
    for table in sorted(files("flatscan.report").joinpath("wording").iterdir(), key=lambda item: item.name):
        if table.name.endswith(".toml"):
            for room, rows in tomllib.loads(table.read_text(encoding="utf-8")).items():
                found |= {f"{room}.{name}": text for name, text in rows.items()}
    return found


class _Printed(Note):
    """A note whose settings are called in plain words: on paper nobody types them."""

    __slots__ = ()


def _plainly(setting: str) -> str:
    return f"the setting '{setting.replace('_', ' ')}'"


def say(it: Said, manner: Manner | str = "mm") -> str:
    """The words of a note, of a caution, of an error kept in a result, or of the reason why a number is not there.

    ``manner`` is the reader's, or the units for somebody at a command line.
    A str, which is a name or the user's own words, stays as it is. Raises `KeyError` for a code without words.
    """
    manner = command_line(manner) if isinstance(manner, str) else manner
    if isinstance(it, str):
        return it
    if isinstance(it, _Printed):
        manner = dataclasses.replace(manner, setting=_plainly)
    if isinstance(it, Unknown):
        return fill(templates()[it.reason], {}, manner)
    if isinstance(it, FlatscanError):
        return it.text(manner)
    if isinstance(it, Caution):
        return fill(templates()[it.code], dict(it.pairs), manner, say)
    place = {} if it.place is None else {"place": it.place}
    values = {name: say(v, manner) if isinstance(v, FlatscanError) else v for name, v in it.quantities.items()}
    return fill(templates()[it.code], {**place, **values}, manner, say)


# notes that name an option, and their words where nobody types one
_PRINTED = {
    "doubt.limit-is-read": "printed.limit-is-read",
    "doubt.each-storey": "printed.each-storey",
    "doubt.side-said": "printed.side-said",
    "doubt.read-again": "printed.read-again",
    "doubt.tied": "printed.tied",
    "doubt.tied-or-plumbed": "printed.tied-or-plumbed",
    "doubt.tied-or-by-hand": "printed.tied-or-by-hand",
    "doubt.looked-at": "printed.looked-at",
    "doubt.type-said": "printed.type-said",
    "jobs.type-not-stated": "printed.type-not-stated",
    "jobs.unit-settled": "printed.unit-of-readings",
    "relief.objects-removed": "printed.objects-removed",
    "wall.maybe-opening": "printed.maybe-opening",
    "doubt.repeats": "printed.repeats",
    "doubt.better": "printed.better",
    "doubt.unit-settled": "printed.unit-settled",
    "jobs.reading-settled": "printed.reading-settled",
    "jobs.reading-read-again": "printed.reading-read-again",
    "wall.facing-assumed": "printed.facing-assumed",
    "wall.seen-from-against": "printed.seen-from-against",
}


def printed(it: Said) -> Said:
    """What is said on paper and page: the same, in plain words where it names an option of the command line."""
    if not isinstance(it, Note):
        return it
    pairs = tuple((name, _printed_part(value)) for name, value in it.pairs)
    code = _PRINTED.get(it.code, it.code)
    kind = _Printed if "{set:" in templates()[code] else Note
    return kind(code, it.place, pairs)


def _printed_part(value: Any) -> Any:
    if isinstance(value, tuple):
        return tuple(_printed_part(part) for part in value)
    return printed(value) if isinstance(value, Note) else value


def is_item(text: Said, mark: str) -> bool:
    """Whether a note's template begins with a ``mark``, such as that of an item of a list."""
    return isinstance(text, Note) and templates()[text.code][: len(mark)] == mark


# what a sentence can begin with that is written as it is
_FILE_NAMES = ("{file}", "{picture}", "{member}")


def finished(text: Said, manner: Manner | str = "mm") -> str:
    """Words with a capital first (but of a file's name) and one full stop last, where they ask nothing.

    A line of a list stays as it is.
    """
    words = say(text, manner).rstrip()
    if not words.strip() or is_item(text, "  "):
        return words
    named = any(is_item(text, slot) for slot in _FILE_NAMES)
    ended = words[1:] if words[-1] in "?!" else f"{words[1:].rstrip('.')}."
    return f"{words[:1] if named else words[:1].upper()}{ended}"


def trouble(error: FlatscanError, manner: Manner | str = "mm") -> str:
    """An error in one line, in the reader's units and names."""
    return error.text(command_line(manner) if isinstance(manner, str) else manner)


def spoken(it: Any, manner: Manner | str = "mm") -> Any:
    """A result with every note and error in it, however deep, put into words, and None for each `Unknown`.

    Cautions stay as they are: where they belong is decided by their code and action.
    For the desk's forms, whose fields hold notes; renderings of sections say notes themselves.
    """
    if isinstance(it, (Note, FlatscanError)):
        return say(it, manner)
    if isinstance(it, Unknown):
        return None
    if type(it) is tuple:
        parts = tuple(spoken(part, manner) for part in it)
        return parts if any(a is not b for a, b in zip(parts, it, strict=True)) else it
    if dataclasses.is_dataclass(it) and not isinstance(it, type):
        changed = {}
        for item in dataclasses.fields(it):
            value = getattr(it, item.name)
            new = spoken(value, manner)
            if new is not value:
                changed[item.name] = new
        return dataclasses.replace(it, **changed) if changed else it
    return it
