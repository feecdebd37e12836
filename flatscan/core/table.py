"""One reader for every small table with named columns: their titles, units, cells and doubts.

A column's unit stands in its title (``x_m``, ``x [m]``, ``x (mm)``), above the table (``units, mm``) or in the cell
itself (``13' 9"``); a number without one is an error, not a guess.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from flatscan.core.errors import BadTable
from flatscan.core.notes import Note, note
from flatscan.core.typed import (
    LONGEST_SHOWN,
    Line,
    Lines,
    is_length,
    pairs,
    parse_length,
    read_lines,
    unit_named,
    wrong,
)
from flatscan.core.units import METRES_PER

Kind = Literal["length", "angle", "word"]
_BRACKETS = re.compile(r"(.*?)\s*[\[(]([^\[\]()]*)[\])]\s*")
_TAIL = re.compile(r"(.+?)[\s_]+([^\s_]+)\s*")
_ANGLE = re.compile(r"([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*(?:°|deg|degrees)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Column:
    """What a column holds: lengths [m], angles [degrees] or words.

    An ``optional`` column may be absent and its cells empty. ``unit`` is that of bare numbers where nothing in the
    file gives one; None where something must. ``words`` stand for numbers; these may be under 0 where ``signed``.
    """

    name: str
    kind: Kind = "length"
    optional: bool = False
    unit: str | None = None
    signed: bool = True
    words: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the number of its line, its numbers in metres or degrees, and its words, by the columns' names."""

    line: int
    numbers: dict[str, float]
    words: dict[str, str]


@dataclass(frozen=True, slots=True)
class Table:
    """The rows of a table, the lines above it by the word each begins with, and what is doubtful.

    ``ended``: the last row has a line end, so that nothing was cut off in it.
    """

    path: Path
    rows: tuple[Row, ...]
    head: dict[str, Line]
    notes: tuple[Note, ...]
    ended: bool = True

    def wrong(self, row: Row, found: str, *, needed: str, remedy: str, **values: object) -> BadTable:
        """The error for a row that breaks what only its user knows."""
        return wrong(self.path, row.line, found, needed=needed, remedy=remedy, column="", **values)


@dataclass(frozen=True, slots=True)
class _Place:
    """A declared column as the file has it: where it stands, its title, and the unit of its bare numbers."""

    column: Column
    at: int
    title: str
    unit: str | None


def read_table(
    path: str | Path, columns: Sequence[Column], *, head: Sequence[str] | None = None, strict: bool = False
) -> Table:
    """Rows of a table whose first line names its ``columns``, in any order.

    ``head`` are the words that lines above the first may begin with (None: nothing stands above it); ``units`` among
    them gives the unit of columns without one. Other columns get a note, or are refused where the table is ``strict``.
    Raises `ReadError` where the file cannot be opened, and `BadTable` with line and column for what breaks the layout.
    """
    typed = read_lines(path)
    start = 0 if head is None else _find_header(typed, columns)
    above = pairs(typed.path, typed.lines[:start])
    unit = _common_unit(typed.path, above, head or ())
    if start == len(typed.lines):
        raise _without(typed.path, [column for column in columns if not column.optional], columns, (), "")
    header, body = typed.lines[start], typed.lines[start + 1 :]
    places = _places(typed.path, header, body, columns, unit)
    missing = [column for column in columns if not column.optional and all(column is not one.column for one in places)]
    if missing:
        more = ", or write a line 'units, mm' above it" if "units" in (head or ()) else ""
        raise _without(typed.path, missing, columns, header.cells, more)
    known = {place.at for place in places}
    others = tuple(title for at, title in enumerate(header.cells) if title and at not in known)
    if others and strict:
        raise wrong(
            typed.path,
            header.number,
            "the unknown column '{title}'",
            needed=f"any of {_names(columns)}, each once",
            remedy="Correct the first line",
            title=others[0][:LONGEST_SHOWN],
        )
    rows = tuple(_row(typed.path, line, header, places) for line in body)
    if not rows:
        raise BadTable(typed.path, "no rows under the header", needed="at least one row", remedy="Fill in the table")
    said = (note("table.not-used", titles=others),) if others else ()
    return Table(typed.path, rows, above, (*typed.notes, *said), typed.ended)


def _names(columns: Sequence[Column]) -> str:
    return ", ".join(column.name for column in columns)


def _name(title: str) -> str:
    return re.sub(r"[\s_-]+", "_", title.strip().lower()).strip("_")


def _name_and_unit(title: str) -> tuple[str, str | None]:
    """Name of a column and the unit in its title; ``direction_deg`` is a direction."""
    parts = _BRACKETS.fullmatch(title) or _TAIL.fullmatch(title)
    if parts is not None:
        unit = unit_named(parts[2])
        if unit is not None or parts[2].strip().lower() in ("deg", "degrees", "°"):
            return _name(parts[1]), unit
    return _name(title), None


def _find_header(typed: Lines, columns: Sequence[Column]) -> int:
    """Which line names every column that must be there."""
    needed = {column.name for column in columns if not column.optional}
    for number, line in enumerate(typed.lines):
        if needed <= {_name_and_unit(cell)[0] for cell in line.cells}:
            return number
    raise BadTable(
        typed.path, "no header line", needed=f"a line '{_names(columns)}' above the numbers", remedy="Add it"
    )


def _common_unit(path: Path, above: Mapping[str, Line], known: Sequence[str]) -> str | None:
    """The unit that a line ``units`` gives; a line that begins with no known word raises `BadTable`."""
    for word, line in above.items():
        if word not in known:
            raise wrong(
                path,
                line.number,
                "begins with '{word}'",
                needed=f"one of {', '.join(known)}",
                remedy="Correct the head of the file",
                word=word[:LONGEST_SHOWN],
            )
    if "units" not in above:
        return None
    text = above["units"].cell(1)
    unit = unit_named(text)
    if unit is None:
        raise wrong(
            path,
            above["units"].number,
            "units '{text}'",
            needed=f"one of {', '.join(METRES_PER)}",
            remedy="Correct the head of the file",
            text=text[:LONGEST_SHOWN],
        )
    return unit


def _places(
    path: Path, header: Line, body: Sequence[Line], columns: Sequence[Column], unit: str | None
) -> tuple[_Place, ...]:
    """Where each column stands that has a unit; one that stands there twice raises `BadTable`."""
    found: dict[str, _Place] = {}
    for at, title in enumerate(header.cells):
        whole, (name, own) = _name(title), _name_and_unit(title)
        column = next((one for one in columns if one.name == (whole if one.kind == "word" else name)), None)
        if column is None:
            continue
        if column.name in found:
            raise wrong(
                path,
                header.number,
                "the columns {titles}",
                needed=f"{column.name} once",
                remedy="Correct the first line",
                titles=header.cells,
            )
        of_bare = own or column.unit or unit
        if column.kind != "length" or of_bare or any(is_length(line.cell(at), None) for line in body):
            found[column.name] = _Place(column, at, title, of_bare)
    return tuple(found.values())


def _without(
    path: Path, missing: Sequence[Column], columns: Sequence[Column], titles: tuple[str, ...], more: str
) -> BadTable:
    """The error for columns that are not there or without a unit; ``more`` ends its remedy."""
    bare = [one for one in columns if one.kind == "length" and one.unit is None]
    wanted = ", ".join(f"{one.name}_mm" if one in bare else one.name for one in columns if not one.optional)
    return BadTable(
        path,
        f"no column for {_names(missing)}; the header reads {{titles}}",
        needed=f"the columns {wanted}" + (f" (the unit may be {', '.join(METRES_PER)})" if bare else ""),
        remedy=f"Name the columns in the first line{', each length with its unit' if bare else ''}{more}",
        titles=titles or "nothing",
    )


def _row(path: Path, line: Line, header: Line, places: Sequence[_Place]) -> Row:
    if len(line.cells) > len(header.cells):
        raise wrong(
            path,
            line.number,
            "{many} values",
            needed="at most {most}, one for each column",
            remedy="Put values with a comma in them in quotes, or part the cells by semicolons",
            many=len(line.cells),
            most=len(header.cells),
        )
    numbers, words = {}, {}
    for place in places:
        text, column = line.cell(place.at), place.column
        if column.kind == "word":
            words[column.name] = text
            if not text and not column.optional:
                needed, remedy = f"a {column.name} in every row", "Fill it in"
                raise wrong(path, line.number, f"no {column.name}", needed=needed, remedy=remedy)
        elif text or not column.optional:
            numbers[column.name] = _number(path, line, place, text)
    return Row(line.number, numbers, words)


def _number(path: Path, line: Line, place: _Place, text: str) -> float:
    column = place.column
    value = _angle(text, column.words) if column.kind == "angle" else _length(text, place.unit)
    if math.isfinite(value) and (column.signed or value >= 0):
        return value
    found, needed, remedy = "'{text}' is not a number", "a number", "Put the number right"
    if 0 < line.written <= place.at:
        remedy = "The row ends before it: fill it in, or save the table anew if it was cut off"
    if math.isfinite(value):
        found, needed = "'{text}' is negative", "a number from 0 up"
    elif column.kind == "angle":
        needed = f"{', '.join(column.words)} or degrees" if column.words else "degrees"
    elif is_length(text):
        found, needed = "'{text}' has no unit", f"one of {', '.join(METRES_PER)} behind it, or in the column's title"
    raise wrong(
        path,
        line.number,
        found,
        needed=needed,
        remedy=remedy,
        column=place.title,
        text=text[:LONGEST_SHOWN],
    )


def _length(text: str, unit: str | None) -> float:
    return parse_length(text, unit=unit) if is_length(text, unit) else math.nan


def _angle(text: str, words: Mapping[str, float]) -> float:
    """Degrees that a word or a number stands for, NaN for neither."""
    if text.lower() in words:
        return words[text.lower()]
    number = _ANGLE.fullmatch(text)
    return float(number[1].replace(",", ".")) if number else math.nan
