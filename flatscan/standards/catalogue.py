"""Reading the tolerance entries that ship with the package, and any in the same layout."""

from __future__ import annotations

import difflib
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from flatscan.core.errors import BadTable, BadValue
from flatscan.core.units import METRES_PER
from flatscan.standards.tolerance import CHECKED, CRITERIA, INTERPOLATIONS, METHODS, Tolerance

_HEAD = {"document", "edition", "source", "checked"}
_ENTRY = {"id", "clause", "criterion", "applies_to", "method", "unit", "lengths", "limits"}
_FREE = {"interpolation", "note", "checked", "length_unit", "tags", "source", "directions"}


def parse(text: str, where: str) -> tuple[Tolerance, ...]:
    """Entries of one document edition in TOML; a missing, unknown or contradictory key raises `BadTable`."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise BadTable(where, str(trouble), needed="a TOML table", remedy="Correct the line named") from None
    missing = _HEAD - table.keys()
    entries = table.pop("entry", None)
    if missing or not isinstance(entries, list) or not entries:
        raise BadTable(
            where,
            f"no {', '.join(sorted(missing)) or '[[entry]]'}",
            needed="document, edition, source, checked and at least one [[entry]]",
            remedy="Add what is missing",
        )
    return tuple(_entry(table, entry, where) for entry in entries)


def _entry(head: dict[str, Any], entry: dict[str, Any], where: str) -> Tolerance:
    place = f"{where}, entry {entry.get('id', '?')}"
    missing, unknown = _ENTRY - entry.keys(), entry.keys() - _ENTRY - _FREE
    if missing or unknown:
        raise BadTable(
            place,
            f"missing {sorted(missing)}, unknown {sorted(unknown)}",
            needed=f"the keys {', '.join(sorted(_ENTRY))}",
            remedy="Correct the keys",
        )
    checked = entry.get("checked", head["checked"])
    interpolation = entry.get("interpolation", "none")
    for value, allowed, name in (
        (entry["criterion"], CRITERIA, "criterion"),
        (entry["method"], METHODS, "method"),
        (interpolation, INTERPOLATIONS, "interpolation"),
        (checked, CHECKED, "checked"),
        (entry["unit"], tuple(METRES_PER), "unit"),
    ):
        if value not in allowed:
            raise BadTable(place, f"{name} '{value}'", needed="one of " + ", ".join(allowed), remedy="Correct it")
    lengths = _metres(entry["lengths"], entry.get("length_unit", "m"), place)
    limits = _metres(entry["limits"], entry["unit"], place)
    if len(lengths) != len(limits) or list(lengths) != sorted(set(lengths)):
        raise BadTable(
            place,
            f"{len(lengths)} lengths and {len(limits)} limits",
            needed="as many limits as rising lengths",
            remedy="Correct the row",
        )
    return Tolerance(
        id=entry["id"],
        document=head["document"],
        edition=str(head["edition"]),
        clause=entry["clause"],
        criterion=entry["criterion"],
        applies_to=entry["applies_to"],
        method=entry["method"],
        lengths=lengths,
        limits=limits,
        interpolation=interpolation,
        source=entry.get("source", head["source"]),
        checked=checked,
        note=entry.get("note", ""),
        tags=tuple(entry.get("tags", ())),
        directions=tuple(float(value) for value in entry.get("directions", ())),
    )


def _metres(values: list[Any], unit: str, place: str) -> tuple[float, ...]:
    """Numbers in a unit as metres; anything not over 0 raises `BadTable`."""
    if not values or not all(isinstance(value, (int, float)) and value > 0 for value in values):
        raise BadTable(place, f"{values}", needed="numbers over 0", remedy="Correct the row")
    return tuple(float(value) * METRES_PER[unit] for value in values)


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
