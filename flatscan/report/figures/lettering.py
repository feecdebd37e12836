"""Text that stays inside its box: measured, shrunk, wrapped, and cut with a mark when nothing else helps."""

from __future__ import annotations

from bisect import bisect_right
from functools import lru_cache
from typing import TYPE_CHECKING

from flatscan.report.figures.style import INK, font, printable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

POINTS = 72.0
_LEADING = 1.25


@lru_cache(maxsize=4096)
def width(text: str, size: float, weight: str = "normal") -> float:
    """Width of one line of text [inches]."""
    from matplotlib.textpath import text_to_path

    if not text:
        return 0.0
    return text_to_path.get_text_width_height_descent(text, font(size, weight), ismath=False)[0] / POINTS


def wrapped(text: str, room: float, size: float, weight: str = "normal") -> list[str]:
    """Lines no wider than ``room`` [inches]; a word longer than a line is broken."""
    lines: list[str] = []
    line = ""
    for word in printable(text).split(" "):
        longer = f"{line} {word}" if line else word
        if width(longer, size, weight) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
        *whole, line = _broken(word, room, size, weight)
        lines += whole
    return [*lines, line] if line or not lines else lines


def _broken(word: str, room: float, size: float, weight: str) -> list[str]:
    """A word in pieces that fit, one letter at least in each."""
    pieces = []
    while width(word, size, weight) > room and len(word) > 1:
        fits = bisect_right(range(1, len(word)), room, key=lambda n: width(word[:n], size, weight))
        pieces.append(word[: max(fits, 1)])
        word = word[max(fits, 1) :]
    return [*pieces, word]


def cut(text: str, room: float, size: float, weight: str = "normal") -> str:
    """One line no wider than ``room``, ended by an ellipsis where it was cut."""
    line = printable(text)
    if width(line, size, weight) <= room:
        return line
    fits = bisect_right(range(1, len(line)), room, key=lambda n: width(line[:n] + "…", size, weight))
    return line[:fits].rstrip() + "…"


def fitted(
    text: str, room: float, size: float, smallest: float, lines: int, weight: str = "normal"
) -> tuple[list[str], float]:
    """Lines and the type size at which ``text`` fits ``room`` in at most ``lines`` lines, cut at the smallest size."""
    while size > smallest and len(wrapped(text, room, size, weight)) > lines:
        size -= 0.5
    found = wrapped(text, room, size, weight)
    if len(found) > lines:
        found = [*found[: lines - 1], cut(" ".join(found[lines - 1 :]), room, size, weight)]
    return found, size


def write(
    figure: Figure,
    x: float,
    y: float,
    text: str,
    *,
    size: float = 9.0,
    weight: str = "normal",
    room: float | None = None,
    lines: int = 1,
    smallest: float = 6.5,
    align: str = "left",
    colour: str = INK,
) -> float:
    """Write text with its top at (x, y) [inches from the lower left]; returns the y under its last line."""
    wide, high = figure.get_size_inches()
    rows = [printable(text)]
    if room is not None:
        rows, size = fitted(text, room, size, smallest, lines, weight)
    step = size * _LEADING / POINTS
    for row in rows:
        figure.text(x / wide, y / high, row, fontproperties=font(size, weight), ha=align, va="top", color=colour)
        y -= step
    return y
