"""What people type: bytes into lines of cells, and lengths as they are written."""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from flatscan.core.errors import BadTable, BadValue, ReadError
from flatscan.core.notes import Note, note
from flatscan.core.units import METRES_PER

_NAMES = {
    "millimetres": "mm",
    "millimeters": "mm",
    "millimetre": "mm",
    "millimeter": "mm",
    "centimetres": "cm",
    "centimeters": "cm",
    "centimetre": "cm",
    "centimeter": "cm",
    "metres": "m",
    "meters": "m",
    "metre": "m",
    "meter": "m",
    "inches": "in",
    "inch": "in",
    '"': "in",
    "feet": "ft",
    "foot": "ft",
    "'": "ft",
}
# what editors and phones put in place of plain marks
_PLAIN = str.maketrans(
    {"\u00a0": " ", "\u2009": " ", "\u202f": " ", "′": "'", "’": "'", "″": '"', "”": '"', "⁄": "/", "−": "-"}
)
_NUMBER = r"(?:[0-9]+(?:[ \t]+|-)[0-9]+/[0-9]+|[0-9]+/[0-9]+|[0-9]+(?:[.,][0-9]*)?(?:[eE][+-]?[0-9]+)?|[.,][0-9]+)"
_PART = re.compile(rf"({_NUMBER})\s*([A-Za-z]+\.?|''|['\"]|)\s*")
_LONGEST = 60
# a foot has inches behind it and a metre has centimetres: no other pair of units stands for one length
_SMALLER = {"ft": ("in",), "m": ("cm", "mm"), "cm": ("mm",)}


def unit_named(text: str) -> str | None:
    """Unit a word names (m, mm, cm, ft or in, in full or as a mark), or None."""
    word = text.translate(_PLAIN).strip().lower().rstrip(".").replace("''", '"')
    word = _NAMES.get(word, word)
    return word if word in METRES_PER else None


def parse_length(text: str, *, where: str = "length", unit: str | None = None) -> float:
    """Metres in a text such as ``3mm``, ``1,8 m``, ``5 7/8 in``, ``13ft 9in`` or ``13' 9"``.

    ``unit`` is assumed when the text gives none; without it a bare fraction is inches, since nobody writes millimetres
    or metres so, and any other bare number raises `BadValue`, as does anything that is not one finite length in known
    units. A comma is a decimal mark.

    >>> parse_length("1.8m"), parse_length("1/8in"), parse_length("1/8")
    (1.8, 0.003175, 0.003175)
    """
    metres = _metres(text, unit)
    if metres is None:
        raise BadValue(
            where,
            "'{text}' is not a length",
            needed="a number with its unit (mm, cm, m, in or ft), such as " + ("1/8in" if unit == "in" else "3mm"),
            remedy="Write the unit behind the number",
            text=text[:_LONGEST],
        )
    return metres


def parse_place(text: str, *, where: str = "place") -> float:
    """Metres in a place along a wall, or its size: a bare number is metres, a bare fraction inches as everywhere.

    Raises as `parse_length` does.
    """
    return parse_length(text, where=where, unit=None if is_length(text, None) else "m")


def in_metres(length: float | str, setting: str) -> float:
    """Metres of a length given as a number of metres, or as text with its unit; raises as `parse_length` does."""
    return parse_length(length, where=f"{{set:{setting}}}") if isinstance(length, str) else float(length)


def is_length(text: str, unit: str | None = "m") -> bool:
    """Whether a text is one length; a bare number is one in ``unit``, and none where that is None."""
    return _metres(text, unit) is not None


def _metres(text: str, unit: str | None) -> float | None:
    """Metres in a text; None where it is no length."""
    text = "".join(map(_fraction, text)).translate(_PLAIN).strip() if len(text) <= _LONGEST else ""
    sign = -1.0 if text[:1] == "-" else 1.0
    text = text[1:].lstrip() if text[:1] in ("-", "+") else text
    metres, before, at = 0.0, "", 0
    while at < len(text):
        # drawings part feet and inches by a dash: 13'-9"
        at += before == "ft" and text[at] == "-"
        part = _PART.match(text, at)
        if part is None:
            return None
        usual = "in" if unit is None and "/" in part[1] else unit
        name = unit_named(part[2]) if part[2] else "in" if before == "ft" else None if before else usual
        value = _number(part[1])
        if name is None or value is None:
            return None
        size = value * METRES_PER[name]
        if before and (name not in _SMALLER.get(before, ()) or size >= METRES_PER[before]):
            return None
        metres, before, at = metres + size, name if part[2] else "end", part.end()
    return sign * metres if text and math.isfinite(metres) else None


def _fraction(sign: str) -> str:
    """A fraction that is one sign, as ``½``, in digits; any other sign as it is."""
    parts = unicodedata.decomposition(sign)
    return f" {unicodedata.normalize('NFKC', sign)}" if parts.startswith("<fraction>") else sign


def _number(text: str) -> float | None:
    """A number, a fraction or both, without a sign; None for a fraction of nothing."""
    whole, part = "", text.replace(",", ".")
    if "/" in part:
        *words, part = re.split(r"[ \t-]+", part)
        whole = words[0] if words else ""
        if int(part.partition("/")[2]) == 0:
            return None
        return float(whole or 0) + float(Fraction(part))
    return float(part)


LONGEST_SHOWN = 40
_MOST_BYTES, _MOST_CELLS = 20_000_000, 100_000
_BINARY = re.compile("[\x00-\x08\x0e-\x1f]")
_THREE_DECIMALS = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}\s*[a-z]*\.?", re.IGNORECASE)
_DECIMALS = re.compile(r"[+-]?[0-9]*,[0-9]+\s*[a-z]*\.?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a file: its number (from 1) and its cells, trimmed, without empty ones at the end.

    ``written`` is how many cells stand there with the empty ones at the end.
    """

    number: int
    cells: tuple[str, ...]
    written: int = 0

    def cell(self, column: int) -> str:
        """What stands in a column (from 0), nothing where the line ends before it."""
        return self.cells[column] if column < len(self.cells) else ""


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of a file that are neither blank nor remarks, and what is doubtful about how they were read.

    ``ended``: the last one has a line end, so that nothing was cut off in it.
    """

    path: Path
    lines: tuple[Line, ...]
    notes: tuple[Note, ...] = ()
    ended: bool = True


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
        found = "over {most:count} bytes"
        raise BadTable(path, found, needed="a small table", remedy="Check the file", most=_MOST_BYTES)
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
    mark, named = _mark_of(text)
    lines = tuple(_split(Path(path), text, mark))[named:]
    return Lines(Path(path), lines, (*notes, *_comma_doubt(lines, mark)), text.rstrip(" \t")[-1:] in ("\n", "\r"))


def first_lines(text: str, most: int) -> Iterator[Line]:
    """Lines among the first ``most`` of a text, each for itself: broken quotes or a cut line spoil no other."""
    mark, named = _mark_of(text)
    for number, line in enumerate(text.splitlines()[:most], 1):
        for row in csv.reader([line], delimiter=mark, skipinitialspace=mark != "\t") if number > named else ():
            cells = _trimmed(row)
            if cells and cells[0][:1] != "#":
                yield Line(number, cells)


def _mark_of(text: str) -> tuple[str, int]:
    """What parts the cells, and how many lines (0 or 1) only say so."""
    named = re.match(r"sep=([,;\t])[\r\n]", text)
    return (named[1], 1) if named else (delimiter_of(text), 0)


def _trimmed(row: Sequence[str]) -> tuple[str, ...]:
    cells = [cell.strip() for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)


def _split(path: Path, text: str, mark: str) -> Iterator[Line]:
    rows = csv.reader(io.StringIO(text, newline=None), delimiter=mark, strict=True, skipinitialspace=mark != "\t")
    while True:
        try:
            row = next(rows)
        except StopIteration:
            return
        except csv.Error as reason:
            found, needed = "cannot be read as a table row ({reason})", "cells with commas, semicolons or tabs between"
            remedy = "Close the quotes, or save the table as CSV anew"
            raise wrong(path, rows.line_num, found, needed=needed, remedy=remedy, reason=str(reason)) from None
        cells = _trimmed(row)
        if len(cells) > _MOST_CELLS:
            found, many = "{many:count} cells", len(cells)
            raise wrong(path, rows.line_num, found, needed="a table", remedy="Check the file", many=many)
        if cells and cells[0][:1] != "#":
            yield Line(rows.line_num, cells, len(row))


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
