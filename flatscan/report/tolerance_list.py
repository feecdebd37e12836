"""The tolerance entries for reading and as a document: limit, lengths, how it is read, where it was read, how sure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from flatscan.core.notes import Note, in_unit, note
from flatscan.core.quantity import degrees
from flatscan.report.result_document import SCHEMA, plain_values
from flatscan.report.say import finished, say
from flatscan.standards import Tolerance

WIDTH = 96
_PLAIN = (
    *("id", "document", "edition", "clause", "superseded_by", "countries", "stages", "applies_to", "criterion"),
    *("line", "method", "anywhere", "interpolation", "rounding", "short", "unit", "length_unit"),
)
_READING = ("title", "publisher", "kind", "date", "says")
_READ_AS = {
    "document": "list.read-in-document",
    "two places": "list.read-in-two",
    "one place": "list.read-in-one",
    "memory": "list.from-memory",
}
_IN_SHORT = {
    "document": "list.in-document",
    "two places": "list.in-two",
    "one place": "list.in-one",
    "memory": "list.by-memory",
}
_LAID = {(0.0,): "list.level-only", (0.0, 90.0): "list.level-and-upright"}
_BETWEEN = {"linear": "list.straight-between", "none": "list.none-between"}
_OVER = {
    "linear": "list.limit-at",
    "class": "list.limit-up-to",
    "pro rata": "list.limit-in-every",
    "per storey": "list.limit-storey",
    "none": "list.limit-over",
}


def tolerance_records(entries: Sequence[Tolerance]) -> dict[str, object]:
    """The entries as a document, lengths in mm, directions in degrees."""
    return plain_values({"schema": SCHEMA, "tolerances": [_record(entry) for entry in entries]})


def _record(entry: Tolerance) -> dict[str, object]:
    row: dict[str, object] = {name: getattr(entry, name) for name in _PLAIN}
    row |= {"lengths_mm": list(entry.lengths), "limits_mm": list(entry.limits), "beyond_mm": entry.beyond}
    row |= {"directions_deg": list(entry.directions), "doubt": entry.doubt}
    read = [{name: getattr(one, name) for name in _READING} for one in entry.readings]
    return row | {"read": read, "read_as": entry.read_as, "decides": entry.sure}


def tolerance_text(entries: Sequence[Tolerance], units: str) -> str:
    """The entries for reading: one in full, several with their limit and whether it decides."""
    lines = []
    for entry in entries:
        said = _in_full(entry) if len(entries) == 1 else (_in_short(entry),)
        lines += [entry.id, *(part for text in said for part in _wrapped(text, units))]
    if len(entries) > 1:
        if not all(entry.sure for entry in entries):
            lines.append(say(note("list.numbers-only"), units))
        lines.append(say(note("list.in-full"), units))
    lines.append(say(note("list.contract-governs"), units))
    return "\n".join(lines)


def _wrapped(said: Note, units: str) -> list[str]:
    return textwrap.wrap(
        finished(said, units), WIDTH, initial_indent="    ", subsequent_indent="      ", break_on_hyphens=False
    )


def _in_short(entry: Tolerance) -> Note:
    names = {"document": entry.document, "edition": entry.edition, "clause": entry.clause}
    read_as = note(_IN_SHORT[entry.read_as])
    return note("list.tolerance", None, **names, limits=_limits(entry), read_as=read_as)


def _limits(entry: Tolerance) -> Note:
    """Criterion, method and limits."""
    if not entry.method:
        return note("list.limits", criterion=entry.criterion, pairs=limits_of(entry))
    return note("list.limits-by", criterion=entry.criterion, method=entry.method, pairs=limits_of(entry))


def _in_full(entry: Tolerance) -> Iterator[Note]:
    yield note("list.document", document=entry.document, edition=entry.edition, clause=entry.clause)
    if entry.superseded_by:
        yield note("list.superseded", by=entry.superseded_by)
    yield _limits(entry)
    yield note("list.where", countries=entry.countries, stages=entry.stages, applies=entry.applies_to)
    yield note("list.line", line=entry.line)
    if entry.directions:
        turns = tuple(degrees(turn) for turn in entry.directions)
        yield note(_LAID.get(entry.directions, "list.directions"), turns=turns)
    if entry.method:
        yield note("list.anywhere", anywhere=entry.anywhere)
        yield note("list.short", short=entry.short)
    for one in entry.readings:
        who = note("list.publisher", publisher=one.publisher) if one.publisher else ""
        says = note("list.says", says=one.says) if one.says else ""
        yield note("list.reading", title=one.title, publisher=who, kind=one.kind, date=one.date, says=says)
    yield note(_READ_AS[entry.read_as])
    if entry.doubt:
        yield note("list.doubt", doubt=entry.doubt)


def limits_of(entry: Tolerance) -> Note:
    """All limits of an entry with the lengths they are for, in the units of its document, and what is between them."""
    pairs = [
        note(_OVER[entry.interpolation], limit=in_unit(limit, entry.unit), length=in_unit(length, entry.length_unit))
        for length, limit in zip(entry.lengths, entry.limits, strict=True)
    ]
    if entry.beyond is not None:
        over = "list.limit-whole-height" if entry.interpolation == "per storey" else "list.limit-beyond"
        pairs.append(note(over, limit=in_unit(entry.beyond, entry.unit)))
    if len(entry.lengths) > 1 and entry.interpolation in _BETWEEN:
        pairs.append(note(_BETWEEN[entry.interpolation]))
    if entry.interpolation == "pro rata":
        pairs.append(note("list.slope"))
    if entry.rounding:
        pairs.append(note("list.rounded"))
    return note("report.list-comma", parts=tuple(pairs))
