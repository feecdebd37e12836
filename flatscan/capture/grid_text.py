"""The text of a laser-offset grid: lines into cells, the words before the table, and numbers with their place."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

from flatscan.core.errors import BadTable, BadValue
from flatscan.core.lengths import parse_length
from flatscan.core.units import METRES_PER

_NOT_READ = {"", "-", "–", "—"}
_MOST_CELLS = 100_000
# the words DESIGN.md's contract knows; others are kept as notes and said
WORDS = ("units", "sense", "width", "height", "control", "wall", "date", "instrument", "who", "note")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the file: its number (from 1) and its cells, trimmed, without empty ones at the end."""

    number: int
    cells: tuple[str, ...]


def decode(data: bytes) -> str:
    """Text of a file written by a spreadsheet or an editor: UTF-8 or UTF-16 by their marks, else Windows-1252."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def delimiter_of(text: str) -> str:
    """Semicolon or tab where a spreadsheet wrote them between cells, else comma."""
    head = text[:4000]
    return max(",;\t", key=lambda mark: (sum(mark in line for line in head.splitlines()), mark == ","))


def split_lines(path: Path, text: str) -> list[Line]:
    """Every line as cells; raises `BadTable` where the quoting is broken or a line is absurdly long."""
    lines: list[Line] = []
    try:
        rows = csv.reader(io.StringIO(text), delimiter=delimiter_of(text), strict=True)
        for cells in rows:
            while cells and not cells[-1].strip():
                cells.pop()
            if len(cells) > _MOST_CELLS:
                raise BadTable(
                    path,
                    f"line {rows.line_num} has {len(cells):,} cells",
                    needed="a table of readings",
                    remedy="Check the file",
                )
            lines.append(Line(rows.line_num, tuple(cell.strip() for cell in cells)))
    except csv.Error as reason:
        raise BadTable(
            path,
            f"line {rows.line_num} cannot be read as a table row ({reason})",
            needed="cells with commas between them",
            remedy="Correct the line",
        ) from None
    return lines


def is_read(cell: str) -> bool:
    """Whether a cell holds a reading (a dash or nothing means not read)."""
    return cell not in _NOT_READ


def length_in(path: Path, line: Line, column: int, unit: str, what: str) -> float:
    """Metres in one cell (``column`` from 0), bare numbers in ``unit``; text raises `BadTable` with row and column."""
    text = line.cells[column] if column < len(line.cells) else ""
    try:
        value = parse_length(text, where=what, unit=unit)
    except (BadValue, ValueError, ZeroDivisionError, OverflowError):
        value = math.nan
    if math.isfinite(value):
        return value
    found = f"line {line.number}, column {column + 1}: '{text[:40]}' where {what} should be"
    raise BadTable(path, found, needed=f"a number (of {unit}), or - for not read", remedy="Correct the cell")


def is_length(cell: str) -> bool:
    """Whether a cell is one number, with or without a unit."""
    try:
        return math.isfinite(parse_length(cell, unit="m"))
    except (BadValue, ValueError, ZeroDivisionError, OverflowError):
        return False


def unit_named(text: str) -> str | None:
    """Unit a text names (mm, cm, in, m or ft), or None."""
    word = text.strip().lower().rstrip(".")
    word = {
        "millimetres": "mm",
        "millimeters": "mm",
        "centimetres": "cm",
        "centimeters": "cm",
        "inches": "in",
        "inch": "in",
        '"': "in",
        "metres": "m",
        "meters": "m",
        "feet": "ft",
    }.get(word, word)
    return word if word in METRES_PER else None
