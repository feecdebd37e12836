"""Reading the tolerance entries that ship with the package, and any in the same layout."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Annotated

from flatscan.core.errors import BadTable, BadValue
from flatscan.core.records import Positive, of_table, one_of, parse_toml
from flatscan.core.units import METRES_PER
from flatscan.standards.tolerance import CHECKED, CRITERIA, INTERPOLATIONS, METHODS, Tolerance


@dataclass(frozen=True, slots=True)
class _Entry:
    """One ``[[entry]]`` as a file has it: lengths in ``length_unit``, limits in ``unit``."""

    id: str
    clause: str
    criterion: Annotated[str, one_of(CRITERIA)]
    applies_to: str
    method: Annotated[str, one_of(METHODS)]
    unit: Annotated[str, one_of(METRES_PER)]
    lengths: tuple[Positive, ...]
    limits: tuple[Positive, ...]
    interpolation: Annotated[str, one_of(INTERPOLATIONS)] = "none"
    note: str = ""
    checked: Annotated[str, one_of(CHECKED)] | None = None
    length_unit: Annotated[str, one_of(METRES_PER)] = "m"
    tags: tuple[str, ...] = ()
    source: str | None = None
    directions: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Document:
    """A file: one edition of one document."""

    document: str
    edition: str | int
    source: str
    checked: Annotated[str, one_of(CHECKED)]
    entry: tuple[_Entry, ...]


def parse(text: str, where: str) -> tuple[Tolerance, ...]:
    """Entries of one document edition in TOML; a missing, unknown or contradictory key raises `BadTable`."""
    tables = parse_toml(text, where, "a TOML table", "Correct the line named")
    document = of_table(_Document, tables, where, "Correct the file; the shipped ones show the layout")
    if not document.entry:
        raise BadTable(where, "no [[entry]]", needed="at least one", remedy="Add what is missing")
    return tuple(_tolerance(document, entry, where) for entry in document.entry)


def _tolerance(document: _Document, entry: _Entry, where: str) -> Tolerance:
    lengths, limits = entry.lengths, entry.limits
    if not lengths or len(lengths) != len(limits) or list(lengths) != sorted(set(lengths)):
        raise BadTable(
            "{file}, entry {id}",
            "{lengths} lengths and {limits} limits",
            needed="as many limits as rising lengths",
            remedy="Correct the row",
            file=where,
            id=entry.id,
            lengths=len(lengths),
            limits=len(limits),
        )
    return Tolerance(
        id=entry.id,
        document=document.document,
        edition=str(document.edition),
        clause=entry.clause,
        criterion=entry.criterion,
        applies_to=entry.applies_to,
        method=entry.method,
        lengths=tuple(length * METRES_PER[entry.length_unit] for length in lengths),
        limits=tuple(limit * METRES_PER[entry.unit] for limit in limits),
        interpolation=entry.interpolation,
        source=entry.source or document.source,
        checked=entry.checked or document.checked,
        note=entry.note,
        tags=entry.tags,
        directions=entry.directions,
    )


@cache
def available() -> tuple[Tolerance, ...]:
    """All entries that ship with the package, in the order of their ids."""
    folder = files("flatscan.standards")
    found = [
        entry
        for item in sorted(folder.iterdir(), key=lambda item: item.name)
        if item.name.endswith(".toml")
        for entry in parse(item.read_text(encoding="utf-8"), item.name)
    ]
    return tuple(sorted(found, key=lambda entry: entry.id))


def matching(words: Sequence[str]) -> tuple[Tolerance, ...]:
    """The entries that hold all of the words, in any case; `BadValue` where none does."""
    wanted = [word.lower() for word in words]
    found = tuple(entry for entry in available() if all(word in str(entry).lower() for word in wanted))
    if not found:
        raise BadValue(
            "tolerances",
            "no entry holds all of '{words}'",
            needed="words of an entry's id, document or note",
            remedy="Leave the words out to see them all ({run:tolerances})",
            words=tuple(words),
        )
    return found


def load(identifier: str) -> Tolerance:
    """The entry of that id; an unknown one raises `BadValue` with the closest ids."""
    known = {entry.id: entry for entry in available()}
    if identifier in known:
        return known[identifier]
    close = difflib.get_close_matches(identifier.lower(), known, n=3, cutoff=0.4)
    close = close or [name for name in known if identifier.lower() in name][:3]
    raise BadValue(
        "tolerance",
        f"'{identifier}'",
        needed="an id that `flatscan tolerances` lists",
        remedy=f"Use {' or '.join(close)}" if close else "List them with `flatscan tolerances`",
    )
