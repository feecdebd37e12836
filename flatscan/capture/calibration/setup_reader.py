"""Entries of the TOML files that say what was taped, as numbers in metres."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.core.beside import beside
from flatscan.core.errors import BadTable, BadValue
from flatscan.core.geometry import Array
from flatscan.core.typed import parse_place


def short(given: object) -> str:
    """What a file gives for an entry, cut off where it is long."""
    return repr(given)[:60]


@dataclass(frozen=True)
class SetupReader:
    """Entries of a TOML table as numbers, with errors that name the file and the entry."""

    file: Path

    def wrong(self, entry: str, found: str, needed: str, **values: object) -> BadTable:
        """The error that an entry of the file is none."""
        return BadTable(self.file, f"[{entry}] {found}", needed=needed, remedy="Correct the set-up file", **values)

    def table(self, record: dict[str, Any], name: str) -> dict[str, Any]:
        """A table of the file, empty where there is none."""
        table = record.get(name, {})
        if not isinstance(table, dict):
            raise self.wrong(name, "{given}", f"a table [{name}]", given=short(table))
        return table

    def length(self, name: str, value: Any) -> float:
        """A length; a bare number is in metres, as positions are."""
        try:
            return parse_place(str(value), where=name)
        except (BadValue, ValueError, ZeroDivisionError):
            raise self.wrong(name, "{given}", 'a length such as "1.2 m" or "3 mm"', given=repr(value)) from None

    def size(self, record: dict[str, Any], name: str) -> float | None:
        """A length [m] that need not be there."""
        return self.length(name, record[name]) if name in record else None

    def lengths(self, record: dict[str, Any], name: str, many: int) -> Array:
        """So many lengths (many,) [m]."""
        values = record.get(name)
        if not isinstance(values, list) or len(values) != many:
            raise self.wrong(name, "{given}", "{many} lengths in brackets", given=short(values), many=many)
        return np.array([self.length(name, value) for value in values])

    def pixels(self, record: dict[str, Any], name: str, many: int) -> Array:
        """So many places (many, 2) on a picture [pixels]."""
        try:
            pixels = np.array(record[name], float).reshape(-1, 2)
        except (KeyError, TypeError, ValueError):
            pixels = np.empty((0, 2))
        if len(pixels) != many or not np.isfinite(pixels).all():
            given = short(record.get(name))
            raise self.wrong(name, "{given}", "{many} times two pixel coordinates", given=given, many=many)
        return pixels

    def places(self, record: dict[str, Any]) -> dict[int, Array]:
        """Middles (2,) [m] of targets by their number."""
        given = record.get("at", {})
        if not isinstance(given, dict) or not all(re.fullmatch("[0-9]{1,6}", str(key)) for key in given):
            needed = 'at = { 0 = ["0.3 m", "0.3 m"], ... }'
            raise self.wrong("targets", "at {given}", needed, given=short(given))
        if given and "size" not in record:
            raise self.wrong("targets", "no size", 'size = "100 mm": of the black square, measured on the paper')
        return {int(key): self.lengths({"at": value}, "at", 2) for key, value in given.items()}

    def beside(self, name: Any) -> Path:
        """A file beside the set-up."""
        return beside(self.file, name)

    def only(self, record: dict[str, Any], known: tuple[str, ...], where: str = "") -> None:
        """Raise `BadTable` for a key of a table, called ``where``, that is none of those known."""
        unknown = tuple(key for key in record if key not in known)
        if unknown:
            raise self.wrong(where or unknown[0], "unknown: {unknown}", "some of {known}", unknown=unknown, known=known)
