"""Small column tables (CSV) whose header names each column and its unit: x_m, depth_mm, name."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

from flatscan.core.errors import BadTable
from flatscan.core.units import METRES_PER


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its number in the file, lengths by column name in metres, words by column name."""

    number: int
    lengths: dict[str, float]
    words: dict[str, str]


def read_columns(
    path: str | Path, *, lengths: tuple[str, ...], words: tuple[str, ...] = (), optional: tuple[str, ...] = ()
) -> tuple[Row, ...]:
    """Rows of a CSV with the columns ``lengths`` (each with a unit suffix such as depth_mm) and ``words``.

    Columns named in ``optional`` may be absent or empty; others the file has are ignored. Raises `BadTable` naming the
    row and column of what is missing, not a number, or without a unit.
    """
    lines = _lines(path)
    header = [cell.strip().lower() for cell in lines[0][1]] if lines else []
    places = _places(path, header, lengths, words, optional)
    rows = []
    for number, cells in lines[1:]:
        values, texts = {}, {}
        for name, (column, scale) in places.items():
            text = cells[column].strip() if column < len(cells) else ""
            if scale is None:
                texts[name] = text
            elif text or name not in optional:
                values[name] = _number(path, number, header[column], text) * scale
        rows.append(Row(number, values, texts))
    if not rows:
        raise BadTable(path, "no rows under the header", needed="at least one row", remedy="Fill in the table")
    return tuple(rows)


def _lines(path: str | Path) -> list[tuple[int, list[str]]]:
    """Non-empty lines with their numbers; a byte-order mark and lines starting with # are passed over."""
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise BadTable(
            path, f"cannot be read ({error.strerror})", needed="a table in CSV", remedy="Check the path"
        ) from None
    except UnicodeDecodeError:
        raise BadTable(path, "is not text", needed="a table in CSV", remedy="Save it as CSV, UTF-8") from None
    lines = text.splitlines()
    delimiter = ";" if lines and ";" in lines[0] else ","
    table = csv.reader(lines, delimiter=delimiter)
    try:
        rows = [(table.line_num, cells) for cells in table]
    except csv.Error as error:
        raise BadTable(
            f"{path}, row {table.line_num}", f"is not CSV ({error})", needed="a table in CSV", remedy="Save it again"
        ) from None
    return [(n, cells) for n, cells in rows if any(c.strip() for c in cells) and not cells[0].startswith("#")]


def _places(
    path: str | Path, header: list[str], lengths: tuple[str, ...], words: tuple[str, ...], optional: tuple[str, ...]
) -> dict[str, tuple[int, float | None]]:
    """Column and scale of every name; scale is None for words."""
    found: dict[str, tuple[int, float | None]] = {}
    for column, title in enumerate(header):
        name, _, unit = title.rpartition("_")
        if title in words:
            found[title] = (column, None)
        elif name in lengths and unit in METRES_PER:
            found[name] = (column, METRES_PER[unit])
    missing = [name for name in (*lengths, *words) if name not in found and name not in optional]
    if missing:
        wanted = [f"{name}_mm" if name in lengths else name for name in (*words, *lengths)]
        raise BadTable(
            path,
            f"no column for {', '.join(missing)}; the header reads {', '.join(header) or 'nothing'}",
            needed=f"the columns {', '.join(wanted)} (the unit may be {', '.join(METRES_PER)})",
            remedy="Name the columns in the first line, each length with its unit",
        )
    return found


def _number(path: str | Path, number: int, title: str, text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadTable(
            f"{path}, row {number}, column {title}",
            f"'{text}' is not a number",
            needed="a number",
            remedy="Put the number right",
        )
    return value
