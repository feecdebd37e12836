"""How a table of points was typed: header, delimiter, decimal mark, which columns are x, y and z, in which unit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from flatscan.capture.rows import Layout, is_number
from flatscan.capture.source import damaged

_ROLES = {"x": "x", "y": "y", "z": "z", "easting": "x", "northing": "y", "elevation": "z", "east": "x", "north": "y",
          "height": "z", "nx": "nx", "ny": "ny", "nz": "nz", "normal_x": "nx", "normal_y": "ny", "normal_z": "nz",
          "normalx": "nx", "normaly": "ny", "normalz": "nz"}  # fmt: skip
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
    notes: tuple[str, ...] = ()


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
            raise damaged(path, f"line {skip + 1} is '{bare[:60]}'", "a row of at least three numbers: x, y and z")
        elif not is_remark(line):
            raise damaged(path, f"columns named {', '.join(words)[:120]}", "columns x, y and z among them")
        skip += 1
    else:
        raise damaged(path, f"no row of numbers among its first {len(lines)} lines", "rows of x, y and z")
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
        raise damaged(path, f"a row of {width:,} columns", f"a table of points, at most {_MOST_COLUMNS:,} columns")
    if header is None:
        columns, notes = _numbered(rows, delimiter, width)
        return TextLayout(skip, Layout(width, columns, (), delimiter, comma), None, promised, notes)
    roles = [_role(word) for word in header]
    if len(header) != width:
        raise damaged(path, f"{len(header)} column names and {width} numbers in the first row", "one name per column")
    place = {role: number for number, (role, _) in reversed(list(enumerate(roles))) if role}
    units = {unit for role, unit in roles if role in ("x", "y", "z") and unit}
    if len(units) > 1:
        raise damaged(path, f"columns in different units ({', '.join(sorted(units))})", "one unit for x, y and z")
    normals = tuple(place[role] for role in ("nx", "ny", "nz") if role in place)
    layout = Layout(width, (place["x"], place["y"], place["z"]), normals if len(normals) == 3 else (), delimiter, comma)
    return TextLayout(skip, layout, next(iter(units), None), promised)


def _numbered(rows: list[str], delimiter: str | None, width: int) -> tuple[tuple[int, int, int], tuple[str, ...]]:
    """Columns x, y, z of a table without names, past a running number in front if there is one."""
    first = [row.strip().split(delimiter)[0].strip() for row in rows]
    counting = width >= 4 and len(first) >= 3 and all(cell.isdecimal() and len(cell) < 16 for cell in first)
    if counting and all(int(after) - int(before) == 1 for before, after in zip(first, first[1:], strict=False)):
        return (1, 2, 3), ("the first column counts the rows: x, y and z are taken from the next three",)
    return (0, 1, 2), ()
