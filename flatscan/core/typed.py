"""What people type or a spreadsheet saves, as lines of cells: letters, what parts the cells, remarks, doubts."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from flatscan.core.errors import BadTable, ReadError
from flatscan.core.lengths import is_length, parse_length
from flatscan.core.notes import Note, note

LONGEST_SHOWN = 40
_MOST_BYTES, _MOST_CELLS = 20_000_000, 100_000
_BINARY = re.compile("[\x00-\x08\x0e-\x1f]")
_THREE_DECIMALS = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}\s*[a-z]*\.?", re.IGNORECASE)
_DECIMALS = re.compile(r"[+-]?[0-9]*,[0-9]+\s*[a-z]*\.?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a file: its number (from 1) and its cells, trimmed, without empty ones at the end."""

    number: int
    cells: tuple[str, ...]

    def cell(self, column: int) -> str:
        """What stands in a column (from 0), nothing where the line ends before it."""
        return self.cells[column] if column < len(self.cells) else ""


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of a file that are neither blank nor remarks, and what is doubtful about how they were read."""

    path: Path
    lines: tuple[Line, ...]
    notes: tuple[Note, ...] = ()


def decode(data: bytes) -> tuple[str, str]:
    """Text of a file and its encoding (utf-8, utf-16, cp1252); what is no letter comes out as U+FFFD."""
    if data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return data.decode("utf-16", errors="replace"), "utf-16"
    # some programs leave the mark out: every second byte of plain letters is zero then
    if len(data) > 3 and (data[1] == data[3] == 0 or data[0] == data[2] == 0):
        return data.decode("utf-16-le" if data[1] == 0 else "utf-16-be", errors="replace"), "utf-16"
    try:
        return data.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), "cp1252"


def read_text(path: str | Path) -> tuple[str, tuple[Note, ...]]:
    """Text of a small file, with a note where its letters had to be guessed.

    Raises `ReadError` where it cannot be opened, `BadTable` where it is no text or over 20 MB.
    """
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(_MOST_BYTES + 1)
    except (OSError, ValueError) as reason:
        words = getattr(reason, "strerror", None) or str(reason)
        found = "cannot be read ({reason})"
        raise ReadError(path, found, needed="a table as text", remedy="Check the path", reason=words) from None
    text, encoding = decode(data)
    # the old sign for the end of a file
    text = text.rstrip("\x1a")
    if len(data) > _MOST_BYTES:
        found = "over {most} bytes"
        raise BadTable(path, found, needed="a small table", remedy="Check the file", most=f"{_MOST_BYTES:,}")
    if _BINARY.search(text) or (encoding == "utf-16" and "\ufffd" in text):
        raise BadTable(path, "is not text", needed="a table as text", remedy="Save it as CSV, UTF-8")
    return text, (note("table.old-letters"),) if encoding == "cp1252" else ()


def delimiter_of(text: str) -> str:
    """Comma, semicolon or tab, whichever most of the first lines have; commas before digits may be decimal marks."""
    lines = [line for line in text[:4000].splitlines() if line.strip() and line[:1] != "#"]
    mark = max("\t;,", key=lambda mark: sum(mark in line for line in lines))
    tied = all("," in line for line in lines if mark in line)
    return "," if tied and any(re.search(r",(?![0-9])", line) for line in lines) else mark


def read_lines(path: str | Path) -> Lines:
    """Lines of a file as cells; blank lines and remarks (``#``) are passed over.

    Raises `ReadError` where it cannot be opened, `BadTable` for what is no text, and with the line for broken quotes
    and absurdly many cells.
    """
    text, notes = read_text(path)
    named = re.match(r"sep=([,;\t])[\r\n]", text)
    mark = named[1] if named else delimiter_of(text)
    lines = tuple(_split(Path(path), text, mark))[1 if named else 0 :]
    return Lines(Path(path), lines, (*notes, *_comma_doubt(lines, mark)))


def _split(path: Path, text: str, mark: str) -> Iterator[Line]:
    rows = csv.reader(io.StringIO(text, newline=None), delimiter=mark, strict=True, skipinitialspace=mark != "\t")
    while True:
        try:
            cells = [cell.strip() for cell in next(rows)]
        except StopIteration:
            return
        except csv.Error as reason:
            found, needed = "cannot be read as a table row ({reason})", "cells with commas, semicolons or tabs between"
            remedy = "Close the quotes, or save the table as CSV anew"
            raise wrong(path, rows.line_num, found, needed=needed, remedy=remedy, reason=str(reason)) from None
        while cells and not cells[-1]:
            cells.pop()
        if len(cells) > _MOST_CELLS:
            many = f"{len(cells):,}"
            raise wrong(path, rows.line_num, "{many} cells", needed="a table", remedy="Check the file", many=many)
        if cells and cells[0][:1] != "#":
            yield Line(rows.line_num, tuple(cells))


def _comma_doubt(lines: Iterable[Line], mark: str) -> tuple[Note, ...]:
    """A note where numbers such as 1,250 may be thousands, and nothing else in the table shows what its commas mean."""
    doubtful: list[tuple[int, str]] = []
    # where cells are parted by semicolons the comma is the decimal mark
    for line in lines if mark != ";" else ():
        for cell in line.cells:
            if _THREE_DECIMALS.fullmatch(cell):
                doubtful.append((line.number, cell))
            elif _DECIMALS.fullmatch(cell):
                return ()
    return tuple(note("table.thousands", line=number, text=cell) for number, cell in doubtful[:1])


def pairs(path: Path, lines: Iterable[Line], repeated: Sequence[str] = ()) -> dict[str, Line]:
    """Lines by the word they begin with, in small letters and without a colon.

    Raises `BadTable` for a word that is said twice and differently, unless it may be ``repeated``.
    """
    found: dict[str, Line] = {}
    for line in lines:
        word = line.cell(0).lower().rstrip(": ")
        if word in found and found[word].cells[1:] != line.cells[1:] and word not in repeated:
            says, remedy = "says '{word}' a second time and differently", "Remove one of the two lines"
            raise wrong(path, line.number, says, needed="one value", remedy=remedy, word=word[:LONGEST_SHOWN])
        found[word] = line
    return found


def length_in(path: Path, line: Line, column: int, unit: str | None, what: str) -> float:
    """Metres in one cell (``column`` from 0), bare numbers in ``unit``; else `BadTable` with line and column.

    ``what`` says with its article what belongs there.
    """
    text = line.cell(column)
    if is_length(text, unit):
        return parse_length(text, unit=unit)
    raise wrong(
        path,
        line.number,
        "'{text}' where {what} should be",
        needed="a number with its unit" if unit is None else "a number (of {unit}), or - for not read",
        remedy="Correct the cell",
        column=column + 1,
        text=text[:LONGEST_SHOWN],
        what=what,
        unit=unit or "",
    )


def wrong(
    path: Path, line: int, found: str, *, needed: str, remedy: str, column: str | int = "", **values: object
) -> BadTable:
    """The error for a line of a table and, where ``column`` gives its title or its number from 1, for one cell."""
    where = "{file}, line {line}, column {column}" if column else "{file}, line {line}"
    return BadTable(where, found, needed=needed, remedy=remedy, file=str(path), line=line, column=column, **values)
