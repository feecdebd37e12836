"""The words above a laser grid's table: units, sense, size, control, and free ones."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from flatscan.capture.grid_checks import control_doubts
from flatscan.core.errors import BadValue, UnitsUnknown
from flatscan.core.lengths import is_length, parse_length, unit_named
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.typed import LONGEST_SHOWN, Line, length_in, pairs, wrong
from flatscan.core.units import METRES_PER

_SMALLEST_WALL, _LARGEST_WALL = 0.3, 100.0
_NOT_READ = {"", "-", "–", "—"}
# the words DESIGN.md's contract knows; others are kept as notes and said
_WORDS = ("units", "sense", "width", "height", "control", "wall", "date", "instrument", "who", "note")


@dataclass
class GridHead:
    """What stands above the table: unit of the readings, their sense, the wall's size [m] and name, and doubts."""

    unit: str | None = None
    proud_when_big: bool | None = None
    width: float | None = None
    height: float | None = None
    control: Line | None = None
    name: str = ""
    notes: list[Note] = field(default_factory=list)


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
    head = GridHead()
    for word, line in pairs(path, lines, repeated=("note",)).items():
        _take_word(path, head, word, line)
    return head


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
