"""The entries that ship with the package: one TOML a document edition, and finding among them."""

from __future__ import annotations

import datetime
import difflib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Annotated

from flatscan.core.choices import LIMIT_STAGES
from flatscan.core.errors import BadTable, BadValue
from flatscan.core.records import Check, Positive, of_table, one_of, parse_toml
from flatscan.core.typed import is_length, parse_length
from flatscan.core.units import METRES_PER
from flatscan.standards.tolerances import (
    CRITERIA,
    INTERPOLATIONS,
    KINDS,
    MEMORY,
    METHODS,
    NOTES,
    ROUNDINGS,
    Reading,
    Tolerance,
)

# the members of the European standards body CEN (34, ISO 3166-1 codes), who take over every standard that it makes
CEN = (
    *("AT", "BE", "BG", "CH", "CY", "CZ", "DE", "DK", "EE", "ES", "FI", "FR", "GB", "GR", "HR", "HU", "IE", "IS"),
    *("IT", "LT", "LU", "LV", "MK", "MT", "NL", "NO", "PL", "PT", "RO", "RS", "SE", "SI", "SK", "TR"),
)


def _is_date(text: str) -> bool:
    try:
        return datetime.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _is_country(code: str) -> bool:
    country, _, part = code.partition("-")
    return code == "CEN" or (len(country) == 2 and (country + part).isalnum() and code.isupper())


Words = Annotated[str, Check("words", lambda text: bool(text.strip()))]
Country = Annotated[str, Check("a code such as GB, AU-QLD or CEN", _is_country)]


@dataclass(frozen=True, slots=True)
class _Read:
    """One ``[read.NAME]``: a place where values of the document were read."""

    title: Words
    kind: Annotated[str, one_of(KINDS)]
    date: Annotated[str, Check("a day such as 2026-11-28", _is_date)]
    publisher: str = ""
    copies: str = ""
    says: str = ""


@dataclass(frozen=True, slots=True)
class _Entry:
    """One ``[[entry]]`` as a file has it: lengths in ``length_unit``, limits in ``unit``."""

    id: Words
    clause: Words
    criterion: Annotated[str, one_of(CRITERIA)]
    stages: tuple[Annotated[str, one_of(LIMIT_STAGES)], ...]
    applies_to: Words
    line: Words
    read: tuple[str, ...]
    unit: Annotated[str, one_of(METRES_PER)]
    lengths: tuple[Positive, ...]
    limits: tuple[Positive, ...]
    method: Annotated[str, one_of(METHODS)] = ""
    anywhere: str = ""
    interpolation: Annotated[str, one_of(INTERPOLATIONS)] = "none"
    rounding: Annotated[str, one_of(ROUNDINGS)] = ""
    beyond: Positive | None = None
    short: str = ""
    doubt: str = ""
    length_unit: Annotated[str, one_of(METRES_PER)] = "m"
    directions: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Document:
    """A file: one edition of one document."""

    document: Words
    edition: Words
    countries: tuple[Country, ...]
    read: dict[str, _Read]
    entry: tuple[_Entry, ...]
    superseded_by: str = ""


def parse(text: str, where: str) -> tuple[Tolerance, ...]:
    """Entries of one document edition in TOML; a missing, unknown or contradictory key raises `BadTable`."""
    tables = parse_toml(text, where, "a TOML table", "Correct the line named")
    document = of_table(_Document, tables, where, "Correct the file; the shipped ones show the layout")
    if not document.entry:
        raise BadTable(where, "no [[entry]]", needed="at least one", remedy="Add what is missing")
    return tuple(_tolerance(document, entry, where) for entry in document.entry)


def _tolerance(document: _Document, entry: _Entry, where: str) -> Tolerance:
    for found, needed in _wrong(document, entry):
        raise BadTable("{file}, entry {id}", found, needed=needed, remedy="Correct the entry", file=where, id=entry.id)
    metre, unit = METRES_PER[entry.length_unit], METRES_PER[entry.unit]
    readings = tuple(
        Reading(name, one.title, one.publisher, one.kind, one.date, one.copies, one.says)
        for name, one in document.read.items()
        if name in entry.read
    )
    return Tolerance(
        id=entry.id,
        document=document.document,
        edition=document.edition,
        clause=entry.clause,
        criterion=entry.criterion,
        applies_to=entry.applies_to,
        method=entry.method,
        lengths=tuple(length * metre for length in entry.lengths),
        limits=tuple(limit * unit for limit in entry.limits),
        interpolation=entry.interpolation,
        rounding=entry.rounding,
        beyond=None if entry.beyond is None else entry.beyond * unit,
        directions=entry.directions,
        stages=entry.stages,
        countries=document.countries,
        superseded_by=document.superseded_by,
        line=entry.line,
        anywhere=entry.anywhere,
        short=entry.short,
        doubt=entry.doubt,
        readings=readings,
        unit=entry.unit,
        length_unit=entry.length_unit,
    )


def _wrong(document: _Document, entry: _Entry) -> Iterator[tuple[str, str]]:
    """What contradicts itself in an entry, and what is needed instead."""
    lengths = list(entry.lengths)
    if not lengths or len(lengths) != len(entry.limits) or lengths != sorted(set(lengths)):
        yield f"{len(lengths)} lengths and {len(entry.limits)} limits", "as many limits as rising lengths"
    if not entry.stages or not document.countries:
        yield "no stage or no country", "at least one of each"
    unknown = set(entry.read) - set(document.read)
    copied = {one.copies for one in document.read.values()} - {"", *document.read}
    if not entry.read or unknown or copied:
        yield f"read {', '.join(sorted(unknown | copied)) or 'nowhere'}", "names of [read.NAME] tables of the file"
    for name, one in document.read.items():
        if (one.kind in (NOTES, MEMORY)) == bool(one.publisher):
            yield f"the publisher of {name}", "a publisher for a document or a page, none for notes and memory"
    if (entry.criterion == "flatness") != bool(entry.method and entry.anywhere and entry.short):
        yield "method, anywhere and short", "all three for flatness, none of them otherwise"
    if entry.method == "chord" and entry.interpolation not in ("linear", "class"):
        yield f"interpolation {entry.interpolation} for a chord", "linear or class"
    if entry.interpolation == "per storey" and len(lengths) != 1:
        yield f"{len(lengths)} lengths for {entry.interpolation}", "one"


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


def matching(words: Sequence[str] = (), country: str | None = None, stage: str | None = None) -> tuple[Tolerance, ...]:
    """The entries that hold all of the words, in any case, or have that length or limit, of a country and a stage.

    ``country`` is a code such as DE (documents of the European body count for all its members) or AU-QLD. `BadValue`
    where there is none, with ids that come near.
    """
    known = {entry.id: entry for entry in available()}
    if len(words) == 1 and words[0].lower() in known:
        found: tuple[Tolerance, ...] = (known[words[0].lower()],)
    else:
        found = tuple(entry for entry in known.values() if all(_holds(entry, word.lower()) for word in words))
    found = tuple(
        entry
        for entry in found
        if (country is None or holds_in(entry, country)) and (stage is None or stage in entry.stages)
    )
    if found:
        return found
    there = sorted({code for entry in known.values() for code in entry.countries})
    if country is not None and not any(holds_in(entry, country) for entry in known.values()):
        raise BadValue(
            "tolerances",
            "no entry for the country {country}",
            needed="a code of those that have one: {there}",
            remedy="Leave the country out to see them all ({run:tolerances})",
            country=country,
            there=", ".join(there),
        )
    close = _close(words[0]) if len(words) == 1 else []
    raise BadValue(
        "tolerances",
        "no entry holds all of '{words}'" if words else "no entry for that country and stage",
        needed="words of an entry's id, document or line, a length or a limit, in that country and stage",
        remedy="Near are {close}" if close else "Leave the words out to see them all ({run:tolerances})",
        words=tuple(words),
        close=" or ".join(close),
    )


def holds_in(entry: Tolerance, country: str) -> bool:
    """Whether an entry's document speaks of that country (ISO 3166-1), or of a part of it (AU-QLD)."""
    code = country.upper()
    every = {one for code in entry.countries for one in (CEN if code == "CEN" else (code,))}
    return any(one in (code, code.partition("-")[0]) or one.startswith(f"{code}-") for one in every)


def _holds(entry: Tolerance, word: str) -> bool:
    if word in str(entry).lower():
        return True
    if not is_length(word, None):
        return False
    length = parse_length(word)
    return any(math.isclose(length, known, abs_tol=1e-6) for known in (*entry.lengths, *entry.limits))


def _close(identifier: str) -> list[str]:
    """Up to three ids that come near one that is not known."""
    known = [entry.id for entry in available()]
    close = difflib.get_close_matches(identifier.lower(), known, n=3, cutoff=0.4)
    return close or [name for name in known if identifier.lower() in name][:3]


def load(identifier: str) -> Tolerance:
    """The entry of that id; an unknown one raises `BadValue` with the closest ids."""
    known = {entry.id: entry for entry in available()}
    if identifier in known:
        return known[identifier]
    close = _close(identifier)
    raise BadValue(
        "tolerance",
        "'{id}'",
        needed="an id that `{run:tolerances}` lists",
        remedy="Use {close}" if close else "List them with `{run:tolerances}`",
        id=identifier,
        close=" or ".join(close),
    )
