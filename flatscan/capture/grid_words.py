"""The words before the table of a laser grid: units, sense, size, control, and free ones."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from flatscan.capture.grid_text import WORDS, Line, is_length, is_read, unit_named
from flatscan.core.errors import BadTable, BadValue, UnitsUnknown
from flatscan.core.lengths import parse_length

_SMALLEST_WALL, _LARGEST_WALL = 0.3, 100.0


@dataclass
class Preamble:
    """The words before the table."""

    unit: str | None = None
    proud_when_big: bool | None = None
    width: float | None = None
    height: float | None = None
    control: Line | None = None
    name: str = ""
    said: list[str] = field(default_factory=list)


def read_words(path: Path, lines: list[Line]) -> Preamble:
    """What the lines before the table say; a line that contradicts or cannot be read raises `BadTable`."""
    head = Preamble()
    seen: dict[str, tuple[str, ...]] = {}
    for line in lines:
        if not line.cells:
            continue
        word, rest = line.cells[0].lower().rstrip(":"), line.cells[1:]
        if is_length(word):
            raise BadTable(
                path,
                f"line {line.number} begins with the number {word} before any line of positions",
                needed="an empty cell and the positions in metres, above the readings",
                remedy="Write the line of positions",
            )
        if word in seen and seen[word] != rest and word != "note":
            raise BadTable(
                path,
                f"line {line.number} says '{word}' a second time and differently",
                needed="one value",
                remedy="Remove one of the two lines",
            )
        seen[word] = rest
        _take_word(path, head, word, line)
    return head


def _take_word(path: Path, head: Preamble, word: str, line: Line) -> None:
    text = " ".join(cell for cell in line.cells[1:] if cell)
    if word == "units":
        head.unit = unit_named(text)
        if head.unit is None:
            raise BadTable(path, f"line {line.number}: units '{text}'", needed="mm, cm or in", remedy="Name one")
    elif word == "sense":
        head.proud_when_big = _sense(path, line, text)
    elif word in ("width", "height"):
        setattr(head, word, _wall_size(path, line, word, text, head.said))
    elif word == "control":
        head.control = line
    elif word == "wall":
        head.name = text if is_read(text) else ""
    elif word not in WORDS:
        head.said.append(f"line {line.number} '{word}' is none of {', '.join(WORDS)}: kept as a note, not used")


def _sense(path: Path, line: Line, text: str) -> bool:
    match = re.fullmatch(r"(big|small)\s*(?:=|is|:)?\s*(hollow|proud)", text.lower().strip())
    if match is None:
        raise BadTable(
            path,
            f"line {line.number}: sense '{text}'",
            needed="big = hollow, or big = proud",
            remedy="Say which way a big reading means",
        )
    return (match[1] == "big") == (match[2] == "proud")


def _wall_size(path: Path, line: Line, word: str, text: str, said: list[str]) -> float:
    try:
        size = parse_length(text, where=word, unit="m")
    except (BadValue, ValueError, ZeroDivisionError, OverflowError):
        raise BadTable(
            path,
            f"line {line.number}: {word} '{text}'",
            needed="a length with its unit, such as 4.2 m",
            remedy="Correct the line",
        ) from None
    if is_length(text) and re.fullmatch(r"[\d.,\s/+-]+", text):
        said.append(f"line {line.number}: {word} {text} has no unit: taken as metres, as positions are")
    check_wall(path, word, size)
    return size


def check_wall(path: Path, word: str, size: float) -> None:
    """Raise `UnitsUnknown` for a wall of a size there is not."""
    if not _SMALLEST_WALL <= size <= _LARGEST_WALL:
        raise UnitsUnknown(
            path,
            f"a wall with a {word} of {size:g} m",
            needed=f"{_SMALLEST_WALL:g} to {_LARGEST_WALL:g} m; sizes and positions are in metres "
            "unless a unit stands behind them",
            remedy="Correct the unit",
        )
