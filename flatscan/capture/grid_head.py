"""The words above a table of laser readings: unit, sense, size, control, openings, chases, fixed points, high spots."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from flatscan.capture.grid_checks import control_doubts
from flatscan.core.choices import READING_UNITS, SENSES
from flatscan.core.errors import BadValue, UnitsUnknown
from flatscan.core.geometry import Rectangle
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.typed import (
    LONGEST_SHOWN,
    Line,
    is_length,
    length_in,
    pairs,
    parse_place,
    unit_named,
    wrong,
)
from flatscan.core.units import METRES_PER

_SMALLEST_WALL, _LARGEST_WALL = 0.3, 100.0
# a chase may be as narrow as this [m]
_NARROWEST = 0.01
_NOT_READ = {"", "-", "–", "—"}
# the words methods/record 6 knows: said once, or any number of times as rectangles and as places with a reading
BOXES, POINTS = ("opening", "pocket", "skip"), ("fixed", "high")
_FREE = ("wall", "date", "instrument", "who", "note")
WORDS = ("units", "sense", "width", "height", "control", *BOXES, *POINTS, *_FREE)
LONG_HEADER = ("x", "y", "reading")


@dataclass
class GridHead:
    """What stands above the table: unit of the readings, their sense, the wall's size [m] and name, and doubts.

    ``many`` are the lines that may stand any number of times: openings, pockets, skips, fixed points and high spots.
    """

    unit: str | None = None
    proud_when_big: bool | None = None
    width: float | None = None
    height: float | None = None
    control: Line | None = None
    many: tuple[Line, ...] = ()
    name: str = ""
    notes: list[Note] = field(default_factory=list)


def head_lines(
    width: float,
    height: float,
    more: Sequence[str],
    *,
    unit: str = "mm",
    sense: str = SENSES[0],
    written: Callable[[float], str] = "{:g} m".format,
) -> list[str]:
    """The lines above the stations of a grid in long form, for a wall of a size [m]: ``more`` are its other words.

    ``written`` writes a length with its unit.
    """
    size = (f"width, {written(width)}", f"height, {written(height)}")
    return [f"units, {unit}", f"sense, {sense}", *size, *more, "", ", ".join(LONG_HEADER)]


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
    head = GridHead(many=tuple(line for line in lines if _word(line) in (*BOXES, *POINTS)))
    for word, line in pairs(path, (line for line in lines if line not in head.many), repeated=("note",)).items():
        _take_word(path, head, word, line)
    return head


def _word(line: Line) -> str:
    return line.cell(0).lower().rstrip(": ")


def _filled_in(path: Path, head: GridHead, word: str, count: int, needed: str) -> list[Line]:
    """The lines of a word that say anything, each with so many cells behind it and perhaps a remark."""
    found = []
    for line in head.many:
        # a blank form has the line with dashes in it
        if _word(line) != word or not any(map(is_read, line.cells[1:])):
            continue
        given = line.cells[1:]
        remark = len(given) == count + 1 and not is_length(given[-1])
        if len(given) != count + remark or not all(map(is_read, given[:count])):
            raise wrong(
                path,
                line.number,
                "{word} with {many} cells behind it",
                needed=needed,
                remedy="Correct the line",
                word=word,
                many=len(given),
            )
        found.append(line)
    return found


def points(path: Path, head: GridHead, word: str, unit: str) -> list[tuple[float, float, float]]:
    """Fixed points, or swept high spots, as (x, y, reading) [m]; raises `BadTable` for a line that is none."""
    found = []
    for line in _filled_in(path, head, word, 3, f"{word}, x, y, reading"):
        x, y = (length_in(path, line, column, "m", "a position") for column in (1, 2))
        _check_on(path, head, line, (x, y, x, y))
        found.append((x, y, length_in(path, line, 3, unit, "a reading")))
    return found


def boxes(path: Path, head: GridHead, word: str) -> tuple[Rectangle, ...]:
    """Openings, pockets or skips as (left, bottom, right, top) [m], whichever corner was written first.

    Raises `BadTable` for a line that is none, or lies off the wall.
    """
    found = []
    for line in _filled_in(path, head, word, 4, f"{word}, x0, y0, x1, y1"):
        a, b, c, d = (length_in(path, line, column, "m", "a position") for column in (1, 2, 3, 4))
        box = min(a, c), min(b, d), max(a, c), max(b, d)
        if box[2] - box[0] < _NARROWEST - 1e-9 or box[3] - box[1] < _NARROWEST - 1e-9:
            raise wrong(
                path,
                line.number,
                "{word} from {low:xy} to {high:xy}",
                needed="two opposite corners at least {least:length} apart both ways",
                remedy="Give two opposite corners, in metres or with their unit",
                word=word,
                low=box[:2],
                high=box[2:],
                least=metres(_NARROWEST),
            )
        _check_on(path, head, line, box)
        found.append(box)
    return tuple(found)


def _check_on(path: Path, head: GridHead, line: Line, box: Rectangle) -> None:
    """Raise `BadTable` for a place or rectangle that lies off a wall of the size given."""
    for word, low, high, size in (("width", box[0], box[2], head.width), ("height", box[1], box[3], head.height)):
        on = high >= -1e-9 and (size is None or low <= size + 1e-9)
        if not on or (low == high and low < -1e-9):
            raise wrong(
                path,
                line.number,
                "{what} at {place:xy} lies outside the wall",
                needed="0 or more" if size is None else "0 to {size:span}, the {word} given",
                remedy="Correct the place or the {word}",
                what=_word(line),
                place=(box[0], box[1]),
                size=metres(size or 0.0),
                word=word,
            )


def _take_word(path: Path, head: GridHead, word: str, line: Line) -> None:
    text = " ".join(cell for cell in line.cells[1:] if cell)
    shown = text[:LONGEST_SHOWN]
    if word == "units":
        head.unit = unit_named(text)
        if head.unit not in READING_UNITS:
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
        # the name's own commas are no columns
        name = ", ".join(cell for cell in line.cells[1:] if cell)
        head.name = name if is_read(name) else ""
    elif word not in WORDS:
        raise wrong(
            path,
            line.number,
            "begins with '{word}', which is no word of such a table",
            needed="one of {known}",
            remedy="Correct the word, or begin the line with note",
            word=word[:LONGEST_SHOWN],
            known=", ".join(WORDS),
        )


def _wall_size(path: Path, line: Line, word: str, text: str, notes: list[Note]) -> float:
    if not is_length(text):
        needed = "a length with its unit, such as 4.2 m"
        values = {"word": word, "text": text[:LONGEST_SHOWN]}
        raise wrong(path, line.number, "{word} '{text}'", needed=needed, remedy="Correct the line", **values)
    if not is_length(text, None):
        notes.append(note("grid.size-in-metres", line=line.number, word=word, text=text))
    size = parse_place(text)
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
