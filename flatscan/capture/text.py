"""Tables of points as text: XYZ, TXT, CSV, ASC and PTS, with or without header, count line and extra columns."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flatscan.capture.colours import NAMES
from flatscan.capture.registry import Format
from flatscan.capture.source import (
    BLOCK,
    Block,
    Layout,
    PointSource,
    block_of,
    cut_off,
    damaged,
    is_number,
    last_row_doubt,
    solid_lines,
)
from flatscan.core.notes import Note, note

_LOOK_AT = 50
# what columns are called, by what they are
_ALIASES = {
    "x": ("x", "easting", "east"),
    "y": ("y", "northing", "north"),
    "z": ("z", "elevation", "height"),
    "nx": ("nx", "normal_x", "normalx"),
    "ny": ("ny", "normal_y", "normaly"),
    "nz": ("nz", "normal_z", "normalz"),
}
_ROLES = {word: role for role, words in _ALIASES.items() for word in words}
_COLUMN = re.compile(r"[\"']?([a-z_]+?)[\s_]*[\[({]?(mm|cm|m|ft|in)?[\])}]?[\"']?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+(e[+-]?\d+)?")
_MOST_COLUMNS = 1_000


@dataclass(frozen=True, slots=True)
class TextLayout:
    """Where the rows begin (``skip`` lines that are not blank before), how they are typed, and what was noticed."""

    skip: int
    layout: Layout
    unit: str | None = None
    promised: int | None = None
    notes: tuple[Note, ...] = ()


def is_remark(line: str) -> bool:
    """Whether a line is a remark; a header may hide in one."""
    return line.lstrip().startswith(("#", "//", "%", "!"))


def sniff(path: Path, lines: list[str]) -> TextLayout:
    """Layout after the first lines that are not blank; raises `ReadError` where they hold no points."""
    header: list[str] | None = None
    promised, skip = None, 0
    for line in lines:
        bare = line.strip().lstrip("#/%!").strip() if is_remark(line) else line.strip()
        words = _split_header(bare)
        if _names_axes(words):
            header = words
        elif not is_remark(line) and _is_count(bare):
            promised = int(bare)
        elif not is_remark(line) and _is_row(line):
            break
        elif not is_remark(line) and (skip > 0 or header is not None or not _all_names(words)):
            needed = "a row of at least three numbers: x, y and z"
            raise damaged(path, "line {number} is '{text}'", needed, number=skip + 1, text=bare[:60])
        elif not is_remark(line):
            found, names = "columns named {names}", ", ".join(words)[:120]
            raise damaged(path, found, "columns x, y and z among them", names=names)
        skip += 1
    else:
        raise damaged(path, "no row of numbers among its first {count} lines", "rows of x, y and z", count=len(lines))
    return _layout(path, lines[skip:], skip, header, promised)


def _split_header(text: str) -> list[str]:
    """Names of columns; a unit in brackets stays with its name."""
    text = re.sub(r"\s+([\[({])", r"\1", text)
    return [word.strip().lower() for word in re.split(r"[;,\t]\s*|\s+", text) if word.strip()]


def _role(word: str) -> tuple[str | None, str | None]:
    """What a column is and the unit its name gives."""
    match = _COLUMN.fullmatch(word)
    return (_ROLES.get(match[1]), match[2]) if match else (None, None)


def _names_axes(words: list[str]) -> bool:
    return {"x", "y", "z"} <= {_role(word)[0] for word in words}


def _all_names(words: list[str]) -> bool:
    return len(words) > 1 and not any(map(is_number, words))


def _is_count(text: str) -> bool:
    return text.isdecimal() and len(text) < 16


def _is_row(line: str) -> bool:
    delimiter, comma = _delimiter(line)
    cells = [cell.replace(",", ".") if comma else cell for cell in line.strip().split(delimiter)]
    return len(cells) >= 3 and sum(map(is_number, cells[:4])) >= 3


def _delimiter(line: str) -> tuple[str | None, bool]:
    """Delimiter (None is white space) and whether the decimal mark is a comma."""
    text = line.strip()
    for mark in (";", "\t"):
        if mark in text:
            return mark, any(_DECIMAL_COMMA.fullmatch(cell.strip().lower()) for cell in text.split(mark))
    words = text.split()
    if "," in text and len(words) >= 3 and all(_DECIMAL_COMMA.fullmatch(word.lower()) for word in words[:3]):
        return None, True
    return ("," if "," in text else None), False


def _layout(path: Path, rows: list[str], skip: int, header: list[str] | None, promised: int | None) -> TextLayout:
    delimiter, comma = _delimiter(rows[0])
    first = rows[0].strip()
    if delimiter is not None:
        first = first.removesuffix(delimiter)
    width = len(first.split(delimiter))
    if width > _MOST_COLUMNS:
        needed = "a table of points, at most {most:count} columns"
        raise damaged(path, "a row of {width:count} columns", needed, width=width, most=_MOST_COLUMNS)
    if header is None:
        columns, notes = _numbered(rows, delimiter, width)
        colours = _colours_last(rows, delimiter, width)
        return TextLayout(skip, Layout(width, columns, (), delimiter, comma, colours), None, promised, notes)
    roles = [_role(word) for word in header]
    if len(header) != width:
        found = "{names} column names and {width} numbers in the first row"
        raise damaged(path, found, "one name per column", names=len(header), width=width)
    place = {role: number for number, (role, _) in reversed(list(enumerate(roles))) if role}
    units = {unit for role, unit in roles if role in ("x", "y", "z") and unit}
    if len(units) > 1:
        found = "columns in different units ({units})"
        raise damaged(path, found, "one unit for x, y and z", units=tuple(sorted(units)))
    normals = tuple(place[role] for role in ("nx", "ny", "nz") if role in place)
    named = next((names for names in NAMES if set(names) <= set(header)), ())
    colours = tuple(header.index(name) for name in named)
    axes = (place["x"], place["y"], place["z"])
    layout = Layout(width, axes, normals if len(normals) == 3 else (), delimiter, comma, colours)
    return TextLayout(skip, layout, next(iter(units), None), promised)


def _numbered(rows: list[str], delimiter: str | None, width: int) -> tuple[tuple[int, int, int], tuple[Note, ...]]:
    """Columns x, y, z of a table without names, past a running number in front if there is one."""
    first = [row.strip().split(delimiter)[0].strip() for row in rows]
    counting = width >= 4 and len(first) >= 3 and all(cell.isdecimal() and len(cell) < 16 for cell in first)
    if counting and all(int(after) - int(before) == 1 for before, after in zip(first, first[1:], strict=False)):
        return (1, 2, 3), (note("capture.first-column-counts"),)
    return (0, 1, 2), ()


def _colours_last(rows: list[str], delimiter: str | None, width: int) -> tuple[int, ...]:
    """The last three columns of a table without names, if they hold nothing but whole numbers from 0 to 255."""
    if width < 6:
        return ()
    for row in rows:
        cells = [cell.strip() for cell in row.strip().split(delimiter)][width - 3 : width]
        if is_remark(row) or _is_count(row.strip()):
            continue
        if not all(cell.isdecimal() and len(cell) <= 3 and int(cell) <= 255 for cell in cells):
            return ()
    return (width - 3, width - 2, width - 1)


@dataclass(frozen=True)
class _Table:
    """Rows of one table; a line with a count alone begins another part of it (PTS files of several scans)."""

    path: Path
    skip: int
    layout: Layout
    promised: int | None

    def blocks(self) -> Iterator[Block]:
        with self.path.open(encoding="latin-1") as stream:
            lines = itertools.islice(solid_lines(self.path, stream), self.skip, None)
            if self.promised is None:
                yield from self._free(line for line in lines if not is_remark(line))
            else:
                yield from self._counted(lines)

    def _free(self, lines: Iterator[str]) -> Iterator[Block]:
        start = 0
        while rows := list(itertools.islice(lines, BLOCK)):
            yield block_of(self.layout.table(self.path, rows, start, "row"), self.layout)
            start += len(rows)

    def _counted(self, lines: Iterator[str]) -> Iterator[Block]:
        start, left = 0, self.promised or 0
        while True:
            rows = list(itertools.islice(lines, min(BLOCK, left)))
            if len(rows) < min(BLOCK, left):
                raise cut_off(
                    self.path,
                    "its count line promises {promised:count} points, the file holds {held:count}",
                    "{left:count} rows more" if start else "{left:count} rows",
                    promised=self.promised,
                    held=start + len(rows),
                    left=left,
                )
            yield block_of(self.layout.table(self.path, rows, start, "point"), self.layout)
            start, left = start + len(rows), left - len(rows)
            if left == 0:
                line = next(lines, None)
                if line is None:
                    return
                left = self._next_count(line, start)

    def _next_count(self, line: str, start: int) -> int:
        text = line.strip()
        if not (text.isdecimal() and len(text) < 16):
            found = "more rows than the {start:count} its count line promises: '{text}'"
            raise damaged(self.path, found, "as many rows as the count line says", start=start, text=text[:60])
        return int(text)


def open_text(path: Path) -> PointSource:
    """A table of points as a `PointSource`; a layout that cannot be told, or a broken row, raises `ReadError`."""
    with path.open(encoding="latin-1") as stream:
        head = list(itertools.islice(solid_lines(path, stream), _LOOK_AT))
    if any("\x00" in line for line in head):
        raise damaged(path, "bytes that are no text", "a table of points as plain text")
    typed = sniff(path, head)
    table = _Table(path, typed.skip, typed.layout, typed.promised)
    lines, promised = _count_lines(path), typed.promised or 0
    if path.stat().st_size < 2 * promised:
        found = "its count line promises {promised:count} points, the file has {lines:count} lines"
        raise cut_off(path, found, "{promised:count} rows", promised=promised, lines=lines)
    return PointSource(
        "text",
        lines,
        table.blocks,
        unit=typed.unit,
        unit_from=note("capture.unit-by-columns"),
        warnings=(*typed.notes, *last_row_doubt(path, typed.layout.delimiter)),
        count_exact=False,
    )


def _count_lines(path: Path) -> int:
    """Line ends in the file and one more: at least as many as there are rows."""
    with path.open("rb") as stream:
        count = 1
        while data := stream.read(2**22):
            count += data.count(b"\n")
    return count


FORMAT = Format("text", (".xyz", ".txt", ".csv", ".asc", ".pts", ".tsv", ".xyzrgb", ".xyzn"), "points", None, open_text)
