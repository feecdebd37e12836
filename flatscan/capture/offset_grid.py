"""Laser readings at stations, typed as a table or as a list, read as `Readings`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flatscan.capture.grid_checks import (
    control_doubts,
    merge_repeats,
    place_text,
    range_doubts,
    row_doubts,
    wild_readings,
)
from flatscan.capture.grid_text import (
    Line,
    decode,
    delimiter_of,
    is_length,
    is_read,
    length_in,
    split_lines,
)
from flatscan.capture.grid_words import Preamble, check_wall, read_words
from flatscan.capture.registry import Format
from flatscan.core.errors import BadTable, BadValue, UnitsUnknown
from flatscan.core.model import Origin, Readings
from flatscan.core.units import METRES_PER, length_text

_LONG_HEADER = ("x", "y", "reading")
_MOST_BYTES = 20_000_000
_NAMED_AT_MOST = 6


def read_grid(path: Path, *, file_unit: str | None = None, reading_u: float = 0.0006) -> Readings:
    """Readings of a laser-offset grid, offset = -reading where big means hollow.

    ``file_unit`` serves readings whose file gives no unit, ``reading_u`` [m] is u of a reading. Raises `BadTable`
    with line and column, `UnitsUnknown` without a unit, `BadValue` for a ``reading_u`` that is no length.
    """
    if not 0 < reading_u < 0.1:
        raise BadValue(
            "reading u",
            f"{reading_u:g} m",
            needed="more than 0 and less than 0.1 m",
            remedy="Give the standard uncertainty of one reading, such as 0.6mm",
        )
    if path.stat().st_size > _MOST_BYTES:
        raise BadTable(
            path,
            f"{path.stat().st_size:,} bytes",
            needed=f"a table under {_MOST_BYTES:,} bytes",
            remedy="Check the file",
        )
    lines = split_lines(path, decode(path.read_bytes()))
    lines = [line for line in lines if not line.cells or line.cells[0][:1] != "#"]
    start = next((i for i, line in enumerate(lines) if _starts_table(line)), None)
    head = read_words(path, lines[:start])
    if start is None:
        raise BadTable(
            path,
            "no table: no line of positions (an empty cell, then metres from the left edge) and no line x, y, reading",
            needed="one of the two",
            remedy="Write the readings as in the blank form",
        )
    unit = _unit_of(path, head, file_unit)
    is_list = tuple(cell.lower() for cell in lines[start].cells[:3]) == _LONG_HEADER
    body = [line for line in lines[start + 1 :] if line.cells]
    control, said = _control(path, head, unit)
    head.said += said
    if is_list:
        found = _read_list(path, body, unit)
    else:
        found = _read_table(path, lines[start], body, unit)
        head.said += row_doubts(*_rows(path, body, unit), control)
    return _stations(path, head, unit, reading_u, *found)


def _starts_table(line: Line) -> bool:
    if tuple(cell.lower() for cell in line.cells[:3]) == _LONG_HEADER:
        return True
    return len(line.cells) > 1 and line.cells[0] == "" and is_length(line.cells[1])


def _unit_of(path: Path, head: Preamble, file_unit: str | None) -> str:
    if head.unit is not None:
        if file_unit is not None and file_unit != head.unit:
            head.said.append(f"the file says its readings are in {head.unit}: --file-unit {file_unit} is not used")
        return head.unit
    if file_unit is None:
        found = "no line 'units': a reading of 80 could be 80 mm or 80 cm"
        raise UnitsUnknown(path, found, needed="units, mm (or cm, in)", remedy="Add the line, or give --file-unit mm")
    if file_unit not in METRES_PER:
        raise BadValue("file unit", f"'{file_unit}'", needed=" or ".join(METRES_PER), remedy="Give one of these units")
    return file_unit


_Found = tuple[list[tuple[float, float, float]], list[tuple[float, float]]]


def _read_table(path: Path, top: Line, body: list[Line], unit: str) -> _Found:
    """Readings (x, y, reading) and the places of cells not read."""
    across = [length_in(path, top, column, "m", "a position") for column in range(1, len(top.cells))]
    read: list[tuple[float, float, float]] = []
    missing: list[tuple[float, float]] = []
    for line in body:
        height = length_in(path, line, 0, "m", "a station height")
        if len(line.cells) > len(top.cells):
            found = f"line {line.number} has {len(line.cells) - 1} readings for {len(across)} positions"
            raise BadTable(path, found, needed="one reading, or -, for each position", remedy="Correct the line")
        for column, x in enumerate(across, start=1):
            if column < len(line.cells) and is_read(line.cells[column]):
                read.append((x, height, length_in(path, line, column, unit, "a reading")))
            else:
                missing.append((x, height))
    return read, missing


def _rows(path: Path, body: list[Line], unit: str) -> tuple[list[float], list[float | None]]:
    """Heights [m] of a table's rows down the page, and each row's first reading [m] (None: not read)."""
    heights = [length_in(path, line, 0, "m", "a station height") for line in body]
    read = [len(line.cells) > 1 and is_read(line.cells[1]) for line in body]
    first = [length_in(path, line, 1, unit, "a reading") if has else None for line, has in zip(body, read, strict=True)]
    return heights, first


def _read_list(path: Path, body: list[Line], unit: str) -> _Found:
    read: list[tuple[float, float, float]] = []
    missing: list[tuple[float, float]] = []
    for line in body:
        if len(line.cells) > 3:
            raise BadTable(
                path,
                f"line {line.number} has {len(line.cells)} cells",
                needed="x, y and a reading",
                remedy="Correct the line",
            )
        x, y = (length_in(path, line, column, "m", "a position") for column in (0, 1))
        if len(line.cells) == 3 and is_read(line.cells[2]):
            read.append((x, y, length_in(path, line, 2, unit, "a reading")))
        else:
            missing.append((x, y))
    return read, missing


def _stations(
    path: Path,
    head: Preamble,
    unit: str,
    reading_u: float,
    read: list[tuple[float, float, float]],
    missing: list[tuple[float, float]],
) -> Readings:
    if not read:
        raise BadTable(
            path,
            f"no station was read ({len(missing)} are marked not read)",
            needed="at least one reading",
            remedy="Fill in the readings",
        )
    x, y, reading = np.array(read).T
    blank = np.array(missing).reshape(-1, 2)
    _check_places(path, head, np.append(x, blank[:, 0]), np.append(y, blank[:, 1]))
    x, y, reading, merged = merge_repeats(x, y, reading, unit)
    said = [*head.said, *merged, *range_doubts(reading, unit), *wild_readings(x, y, reading, unit)]
    said += _missing_text(blank, len(x))
    if head.proud_when_big is None:
        said.append("no line 'sense': big readings are taken as hollow")
    origin = Origin(str(path), "", "laser grid", unit, len(x), tuple(said))
    # the one place where a reading (distance from the laser) becomes an offset (toward the room)
    offset = reading if head.proud_when_big else -reading
    return Readings(origin, x, y, offset, reading_u, head.width, head.height, blank, head.name)


def _check_places(path: Path, head: Preamble, x: np.ndarray, y: np.ndarray) -> None:
    """Every station on the wall, and a wall of a size there is."""
    for word, at, size in (("width", x, head.width), ("height", y, head.height)):
        if size is None:
            check_wall(path, word, max(0.3, float(at.max())))
        outside = np.flatnonzero((at < -1e-9) | (at > (np.inf if size is None else size) + 1e-9))
        if len(outside):
            i = outside[0]
            limit = "0 or more" if size is None else f"0 to {length_text(size)}, the {word} given"
            raise BadTable(
                path,
                f"{place_text(x[i], y[i])} lies outside the wall",
                needed=limit,
                remedy=f"Correct the position or the {word}",
            )


def _control(path: Path, head: Preamble, unit: str) -> tuple[float | None, list[str]]:
    """The first reading of the control station [m], if there is one, and what must be said about it."""
    line = head.control
    # a blank form has the line with dashes in it
    if line is None or not any(map(is_read, line.cells[1:])):
        return None, ["no control reading: whether the laser moved between the first and the last station is not known"]
    if len(line.cells) != 3 or not all(map(is_read, line.cells[1:])):
        raise BadTable(
            path,
            f"line {line.number}: control needs the first station's two readings, found {len(line.cells) - 1}",
            needed="control, first, last",
            remedy="Correct the line",
        )
    first, again = (length_in(path, line, column, unit, "a control reading") for column in (1, 2))
    return first, list(control_doubts(first, again, unit))


def _missing_text(blank: np.ndarray, read: int) -> list[str]:
    if not len(blank):
        return []
    named = "; ".join(place_text(*place).removeprefix("station ") for place in blank[:_NAMED_AT_MOST])
    more = f" and {len(blank) - _NAMED_AT_MOST} more" if len(blank) > _NAMED_AT_MOST else ""
    were = "was" if len(blank) == 1 else "were"
    return [f"{len(blank)} of {read + len(blank)} stations {were} not read: {named}{more}"]


def _is_grid(head: bytes) -> bool:
    """A grid has a known word or its table's first line among its first lines; a table of points has neither."""
    text = decode(head[:4096])
    if "\x00" in text:
        return False
    mark = delimiter_of(text)
    for row in text.splitlines()[:40]:
        cells = [cell.strip().strip('"').lower() for cell in row.split(mark)]
        if cells[0].rstrip(":") in ("units", "sense", "control", "width", "height") and len(cells) > 1:
            return True
        if tuple(cells[:3]) == _LONG_HEADER or (len(cells) > 2 and cells[0] == "" and is_length(cells[1])):
            return True
        if len(cells) >= 3 and all(map(is_length, cells[:3])):
            return False
    return False


FORMAT = Format("laser grid", (".csv", ".txt", ".tsv"), "stations", _is_grid, read_grid)
