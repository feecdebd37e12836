"""Laser readings at stations, typed as a table or as a list, read as `Readings`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from flatscan.capture.grid_checks import (
    control_doubts,
    merge_repeats,
    not_read,
    range_doubts,
    row_doubts,
    wild_readings,
)
from flatscan.capture.registry import Format
from flatscan.core.choices import SENSES
from flatscan.core.errors import BadTable, BadValue, UnitsUnknown
from flatscan.core.geometry import Array
from flatscan.core.model import Origin, Readings
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.typed import (
    LONGEST_SHOWN,
    Line,
    decode,
    first_lines,
    is_length,
    length_in,
    pairs,
    parse_length,
    read_lines,
    unit_named,
    wrong,
)
from flatscan.core.units import METRES_PER

_SMALLEST_WALL, _LARGEST_WALL = 0.3, 100.0
_NOT_READ = {"", "-", "–", "—"}
# the words methods/record 6 knows; others are kept as notes and said
_WORDS = ("units", "sense", "width", "height", "control", "high", "wall", "date", "instrument", "who", "note")
_LONG_HEADER = ("x", "y", "reading")


@dataclass
class GridHead:
    """What stands above the table: unit of the readings, their sense, the wall's size [m] and name, and doubts.

    ``highs`` are lines of high spots that a straightedge swept over the wall found.
    """

    unit: str | None = None
    proud_when_big: bool | None = None
    width: float | None = None
    height: float | None = None
    control: Line | None = None
    highs: tuple[Line, ...] = ()
    name: str = ""
    notes: list[Note] = field(default_factory=list)


def head_lines(
    width: float, height: float, more: Sequence[str], *, unit: str = "mm", sense: str = SENSES[0]
) -> list[str]:
    """The lines above the stations of a grid in long form, for a wall of a size [m]: ``more`` are its other words."""
    size = (f"width, {width:g} m", f"height, {height:g} m")
    return [f"units, {unit}", f"sense, {sense}", *size, *more, "", ", ".join(_LONG_HEADER)]


def is_read(cell: str) -> bool:
    """Whether a cell holds a reading (a dash or nothing means not read)."""
    return cell not in _NOT_READ


def read_head(path: Path, lines: Sequence[Line]) -> GridHead:
    """What the lines above the table say; a line that contradicts or cannot be read raises `BadTable`."""
    number = next((line for line in lines if is_length(line.cell(0).rstrip(":"))), None)
    if number is not None:
        raise wrong(
            path,
            number.number,
            "begins with the number {text} before any line of positions",
            needed="an empty cell and the positions in metres, above the readings",
            remedy="Write the line of positions",
            text=number.cell(0),
        )
    head = GridHead(highs=tuple(line for line in lines if _is_high(line)))
    for word, line in pairs(path, (line for line in lines if not _is_high(line)), repeated=("note",)).items():
        _take_word(path, head, word, line)
    return head


def _is_high(line: Line) -> bool:
    return line.cell(0).lower().rstrip(": ") == "high"


def high_spots(path: Path, head: GridHead, unit: str) -> list[tuple[float, float, float]]:
    """High spots that were swept for as (x, y, reading) [m]; raises `BadTable` for a line that is none."""
    found = []
    for line in head.highs:
        # a blank form has the line with dashes in it
        if not any(map(is_read, line.cells[1:])):
            continue
        if len(line.cells) != 4 or not all(map(is_read, line.cells[1:])):
            raise wrong(
                path,
                line.number,
                "high needs a place and its reading, found {many} cells",
                needed="high, x, y, reading",
                remedy="Correct the line",
                many=len(line.cells) - 1,
            )
        x, y = (length_in(path, line, column, "m", "a position") for column in (1, 2))
        found.append((x, y, length_in(path, line, 3, unit, "a reading")))
    return found


def _take_word(path: Path, head: GridHead, word: str, line: Line) -> None:
    text = " ".join(cell for cell in line.cells[1:] if cell)
    shown = text[:LONGEST_SHOWN]
    if word == "units":
        head.unit = unit_named(text)
        if head.unit is None:
            found = "units '{text}'"
            raise wrong(path, line.number, found, needed="mm, cm or in", remedy="Name one", text=shown)
    elif word == "sense":
        sense = re.fullmatch(r"(big|small)\s*(?:=|is|:)?\s*(hollow|proud)", text.lower().strip())
        if sense is None:
            needed, remedy = "big = hollow, or big = proud", "Say which way a big reading means"
            raise wrong(path, line.number, "sense '{text}'", needed=needed, remedy=remedy, text=shown)
        head.proud_when_big = (sense[1] == "big") == (sense[2] == "proud")
    elif word in ("width", "height"):
        setattr(head, word, _wall_size(path, line, word, text, head.notes))
    elif word == "control":
        head.control = line
    elif word == "wall":
        head.name = text if is_read(text) else ""
    elif word not in _WORDS:
        head.notes.append(note("grid.unknown-word", line=line.number, word=word[:LONGEST_SHOWN], known=_WORDS))


def _wall_size(path: Path, line: Line, word: str, text: str, notes: list[Note]) -> float:
    if not is_length(text):
        needed = "a length with its unit, such as 4.2 m"
        values = {"word": word, "text": text[:LONGEST_SHOWN]}
        raise wrong(path, line.number, "{word} '{text}'", needed=needed, remedy="Correct the line", **values)
    if not is_length(text, None):
        notes.append(note("grid.size-in-metres", line=line.number, word=word, text=text))
    size = parse_length(text, unit="m")
    check_wall(path, word, size)
    return size


def check_wall(path: Path, word: str, size: float) -> None:
    """Raise `UnitsUnknown` for a wall with a ``word`` (width or height) there is not."""
    if not _SMALLEST_WALL <= size <= _LARGEST_WALL:
        raise UnitsUnknown(
            path,
            "a wall with a {word} of {size:span}",
            needed="{least:span} to {most:span}; sizes and positions are in metres unless a unit stands behind them",
            remedy="Correct the unit",
            word=word,
            size=metres(size),
            least=metres(_SMALLEST_WALL),
            most=metres(_LARGEST_WALL),
        )


def unit_of(path: Path, head: GridHead, file_unit: str | None) -> str:
    """The unit of bare readings: the file's own, else ``file_unit``; raises `UnitsUnknown` without either."""
    if head.unit is not None:
        if file_unit is not None and file_unit != head.unit:
            head.notes.append(note("grid.unit-of-file", unit=head.unit, given=file_unit))
        return head.unit
    if file_unit is None:
        raise UnitsUnknown(
            path,
            "no line 'units': a reading of 80 could be 80 mm or 80 cm",
            needed="units, mm (or cm, in)",
            remedy="Add the line, or give {set:file_unit} mm",
        )
    if file_unit not in METRES_PER:
        needed, remedy = " or ".join(METRES_PER), "Give one of these units"
        raise BadValue("file unit", "'{unit}'", needed=needed, remedy=remedy, unit=file_unit)
    return file_unit


def first_control(path: Path, head: GridHead, unit: str) -> float | None:
    """The first reading of the control station [m], None without one; what must be said goes to the head's notes."""
    line = head.control
    # a blank form has the line with dashes in it
    if line is None or not any(map(is_read, line.cells[1:])):
        head.notes.append(note("grid.no-control"))
        return None
    if len(line.cells) != 3 or not all(map(is_read, line.cells[1:])):
        raise wrong(
            path,
            line.number,
            "control needs the first station's two readings, found {many}",
            needed="control, first, last",
            remedy="Correct the line",
            many=len(line.cells) - 1,
        )
    first, last = (length_in(path, line, column, unit, "a control reading") for column in (1, 2))
    head.notes += control_doubts(first, last)
    return first


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
            remedy="Give the standard uncertainty of one reading, such as 0.6mm",
            value=metres(reading_u),
            most=metres(0.1),
        )
    typed = read_lines(path)
    start = next((i for i, line in enumerate(typed.lines) if _starts_table(line)), None)
    head = read_head(path, typed.lines[:start])
    head.notes += typed.notes
    if start is None:
        raise BadTable(
            path,
            "no table: no line of positions (an empty cell, then metres from the left edge) and no line x, y, reading",
            needed="one of the two",
            remedy="Write the readings as in the blank form",
        )
    unit, top, body = unit_of(path, head, file_unit), typed.lines[start], typed.lines[start + 1 :]
    control = first_control(path, head, unit)
    if _is_list(top):
        found = _read_list(path, body, unit)
    else:
        found = _read_table(path, top, body, unit)
        head.notes += row_doubts(*_rows(path, body, unit), control)
    highs = high_spots(path, head, unit)
    read, missing = found
    return replace(_stations(path, head, unit, reading_u, read + highs, missing), highs=len(highs))


def _is_list(line: Line) -> bool:
    return tuple(cell.lower() for cell in line.cells[:3]) == _LONG_HEADER


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


def _rows(path: Path, body: tuple[Line, ...], unit: str) -> tuple[list[float], list[float | None]]:
    """Heights [m] of a table's rows down the page, and each row's first reading [m] (None: not read)."""
    heights = [length_in(path, line, 0, "m", "a station height") for line in body]
    first = [length_in(path, line, 1, unit, "a reading") if is_read(line.cell(1)) else None for line in body]
    return heights, first


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
    said = [*head.notes, *merged, *range_doubts(reading, unit), *wild_readings(x, y, reading, unit)]
    said += not_read(blank, len(x))
    if head.proud_when_big is None:
        said.append(note("grid.no-sense"))
    origin = Origin(str(path), "", "laser grid", unit, len(x), tuple(said), "laser-readings")
    # the one place where a reading (distance from the laser) becomes an offset (toward the room)
    offset = reading if head.proud_when_big else -reading
    sense = bool(head.proud_when_big)
    return Readings(origin, x, y, offset, reading_u, head.width, head.height, blank, head.name, big_is_proud=sense)


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


def _is_grid(head: bytes) -> bool:
    """A grid has a known word or its table's first line among its first lines; a table of points has neither."""
    text, _ = decode(head[:4096])
    if "\x00" in text:
        return False
    for line in first_lines(text, 40):
        cells = [cell.lower() for cell in line.cells]
        if cells[0].rstrip(":") in ("units", "sense", "control", "width", "height", "high") and len(cells) > 1:
            return True
        if tuple(cells[:3]) == _LONG_HEADER or (len(cells) > 2 and cells[0] == "" and is_length(cells[1])):
            return True
        if len(cells) >= 3 and all(map(is_length, cells[:3])):
            return False
    return False


FORMAT = Format("laser grid", (".csv", ".txt", ".tsv"), "stations", _is_grid, read_grid)
