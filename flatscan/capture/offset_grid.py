"""Laser readings at stations, typed as a table or as a list, read as `Readings`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from flatscan.capture.grid_checks import (
    check_number,
    check_reach,
    check_unit,
    cut_rows,
    merge_repeats,
    not_read,
    range_doubts,
)
from flatscan.capture.grid_head import (
    BOXES,
    LONG_HEADER,
    WORDS,
    GridHead,
    boxes,
    check_wall,
    first_control,
    is_read,
    points,
    read_head,
    unit_of,
)
from flatscan.capture.registry import Format
from flatscan.core.errors import BadTable, BadValue
from flatscan.core.geometry import Array, Mask, Rectangle
from flatscan.core.model import Origin, Readings
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.typed import Line, decode, first_lines, is_length, length_in, read_lines, wrong


def read_grid(path: Path, *, file_unit: str | None = None, reading_u: float = 0.0006) -> Readings:
    """Readings of a laser-offset grid, offset = -reading where big means hollow.

    ``file_unit`` serves readings whose file gives no unit, ``reading_u`` [m] is u of a reading. Raises `BadTable`
    with line and column, `UnitsUnknown` without a unit, `BadValue` for a ``reading_u`` that is no length.
    """
    if not 0 < reading_u < 0.1:
        raise BadValue(
            "reading u",
            "{value:length.g}",
            needed="more than 0 and less than {most:length}",
            remedy="Give how far one reading is off, two times in three, such as 0.6mm",
            value=metres(reading_u),
            most=metres(0.1),
        )
    typed = read_lines(path)
    start = next((i for i, line in enumerate(typed.lines) if _starts_table(line)), None)
    head = read_head(path, typed.lines[:start])
    head.notes += (*typed.notes, *(() if start is None else cut_rows(typed, start)))
    if start is None:
        raise BadTable(
            path,
            "no table: no line of positions (an empty cell, then metres from the left edge) and no line x, y, reading",
            needed="one of the two",
            remedy="Write the readings as in the blank form",
        )
    unit, top, body = unit_of(path, head, file_unit), typed.lines[start], typed.lines[start + 1 :]
    control = first_control(path, head, unit)
    read, missing = _read_list(path, body, unit) if _is_list(top) else _read_table(path, top, body, unit)
    highs = points(path, head, "high", unit)
    # a unit that was stated by hand beside the file's own is not doubted any more
    found = _stations(path, head, unit, reading_u, read + highs, missing, sure=file_unit == head.unit, control=control)
    return replace(found, highs=len(highs))


def _is_list(line: Line) -> bool:
    return tuple(cell.lower() for cell in line.cells[:3]) == LONG_HEADER


def _starts_table(line: Line) -> bool:
    return _is_list(line) or (line.cell(0) == "" and is_length(line.cell(1)))


_Found = tuple[list[tuple[float, float, float]], list[tuple[float, float]]]


def _read_table(path: Path, top: Line, body: tuple[Line, ...], unit: str) -> _Found:
    """Readings (x, y, reading) and the places of cells not read."""
    across = [length_in(path, top, column, "m", "a position") for column in range(1, len(top.cells))]
    read: list[tuple[float, float, float]] = []
    missing: list[tuple[float, float]] = []
    for line in body:
        height = length_in(path, line, 0, "m", "a station height")
        if len(line.cells) > len(top.cells):
            raise wrong(
                path,
                line.number,
                "{many} readings for {most} positions",
                needed="one reading, or -, for each position",
                remedy="Correct the line",
                many=len(line.cells) - 1,
                most=len(across),
            )
        for column, x in enumerate(across, start=1):
            if is_read(line.cell(column)):
                read.append((x, height, length_in(path, line, column, unit, "a reading")))
            else:
                missing.append((x, height))
    return read, missing


def _read_list(path: Path, body: tuple[Line, ...], unit: str) -> _Found:
    read: list[tuple[float, float, float]] = []
    missing: list[tuple[float, float]] = []
    for line in body:
        if len(line.cells) > 3:
            found, needed = "{many} cells", "x, y and a reading"
            raise wrong(path, line.number, found, needed=needed, remedy="Correct the line", many=len(line.cells))
        x, y = (length_in(path, line, column, "m", "a position") for column in (0, 1))
        if is_read(line.cell(2)):
            read.append((x, y, length_in(path, line, 2, unit, "a reading")))
        else:
            missing.append((x, y))
    return read, missing


def _stations(
    path: Path,
    head: GridHead,
    unit: str,
    reading_u: float,
    read: list[tuple[float, float, float]],
    missing: list[tuple[float, float]],
    *,
    sure: bool,
    control: float | None,
) -> Readings:
    if not read:
        raise BadTable(
            path,
            "no station was read ({many} are marked not read)",
            needed="at least one reading",
            remedy="Fill in the readings",
            many=len(missing),
        )
    x, y, reading = np.array(read).T
    blank = np.array(missing).reshape(-1, 2)
    _check_places(path, head, np.append(x, blank[:, 0]), np.append(y, blank[:, 1]))
    x, y, reading, merged = merge_repeats(x, y, reading)
    check_number(path, x, y)
    check_reach(path, reading, unit)
    check_unit(path, reading, control, unit)
    openings, pockets, skips = (boxes(path, head, word) for word in BOXES)
    on = _on_wall(blank, (*openings, *skips))
    said = [*head.notes, *merged, *range_doubts(reading, unit, sure=sure), *not_read(blank[on], len(x))]
    if head.proud_when_big is None:
        said.append(note("grid.no-sense"))
    origin = Origin(str(path), "", "laser grid", unit, len(x), tuple(said), "laser-readings")
    # the one place where a reading (distance from the laser) becomes an offset (toward the room)
    sense = 1.0 if head.proud_when_big else -1.0
    return Readings(
        origin,
        x,
        y,
        sense * reading,
        reading_u,
        head.width,
        head.height,
        blank,
        head.name,
        openings=openings,
        pockets=pockets,
        skips=skips,
        fixed=tuple((at, up, sense * value) for at, up, value in points(path, head, "fixed", unit)),
        proud_when_big=sense > 0,
        control=None if control is None else sense * control,
    )


def _on_wall(places: Array, holes: Sequence[Rectangle]) -> Mask:
    """Which places (n, 2) lie in none of some rectangles: in an opening there is nothing to read."""
    on = np.ones(len(places), dtype=bool)
    for left, bottom, right, top in holes:
        on &= ~((places >= (left, bottom)) & (places <= (right, top))).all(axis=1)
    return on


def _check_places(path: Path, head: GridHead, x: Array, y: Array) -> None:
    """Every station on the wall, and a wall of a size there is."""
    for word, at, size in (("width", x, head.width), ("height", y, head.height)):
        if size is None:
            check_wall(path, word, max(0.3, float(at.max())))
        outside = np.flatnonzero((at < -1e-9) | (at > (np.inf if size is None else size) + 1e-9))
        if len(outside):
            raise BadTable(
                path,
                "station {place:xy} lies outside the wall",
                needed="0 or more" if size is None else "0 to {size:length}, the {word} given",
                remedy="Correct the position or the {word}",
                place=(float(x[outside[0]]), float(y[outside[0]])),
                size=metres(size or 0.0),
                word=word,
            )


_HEAD_WORDS = tuple(word for word in WORDS if word not in ("wall", "date", "instrument", "who", "note"))


def _is_grid(head: bytes) -> bool:
    """A grid has a known word or its table's first line among its first lines; a table of points has neither."""
    text, _ = decode(head[:4096])
    if "\x00" in text:
        return False
    for line in first_lines(text, 40):
        cells = [cell.lower() for cell in line.cells]
        if cells[0].rstrip(":") in _HEAD_WORDS and len(cells) > 1:
            return True
        if tuple(cells[:3]) == LONG_HEADER or (len(cells) > 2 and cells[0] == "" and is_length(cells[1])):
            return True
        if len(cells) >= 3 and all(map(is_length, cells[:3])):
            return False
    return False


FORMAT = Format("laser grid", (".csv", ".txt", ".tsv"), "stations", _is_grid, read_grid)
