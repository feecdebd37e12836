"""One look for all figures, and text that stays inside its box: measured, shrunk, wrapped, or cut with a mark.

No text can ask the font for a letter it has not got.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from threading import RLock
from typing import TYPE_CHECKING

from flatscan.core.errors import OutputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties

STYLE = Path(__file__).parents[1] / "wall.mplstyle"
A4 = (11.69, 8.27)
LETTER = (11.0, 8.5)
PAPERS = {"a4": A4, "letter": LETTER}
INK, FAINT, PAPER = "#111111", "#777777", "#ffffff"
# lines of what somebody drew, apart from the whole ones of what was found
LINES = {"dashed": (0, (6, 3)), "dotted": (0, (8, 2.5, 1.5, 2.5)), "dots": (0, (1.5, 2.0))}
POINTS = 72.0
_LEADING = 1.25
_UNIT = 100.0
# where text stands in the order of drawing, in which axes have 0: before all, and as usual
FIRST, _TEXT = -1, 3
_STAND_IN = "\N{WHITE SQUARE}"
_DRAWING = RLock()


@contextmanager
def sheet_style() -> Iterator[None]:
    """Draw and save inside this: flatscan's look on top of matplotlib's own defaults, whatever the user's are.

    One thread draws at a time: matplotlib's settings belong to the whole process.
    """
    import matplotlib
    from matplotlib import style

    with _DRAWING, matplotlib.rc_context():
        matplotlib.rcdefaults()
        style.use(STYLE)
        yield


def new_figure(size: tuple[float, float] = A4) -> Figure:
    """An empty figure of ``size`` [inches] that can measure its own text; no pyplot state is touched."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=size)
    FigureCanvasAgg(figure)
    return figure


@lru_cache(maxsize=1)
def _letters() -> frozenset[int]:
    from matplotlib import font_manager, ft2font

    try:
        found = font_manager.findfont("DejaVu Sans", fallback_to_default=False)
        return frozenset(ft2font.FT2Font(found).get_charmap())
    except (ValueError, OSError, RuntimeError) as error:
        raise OutputError(
            "figures",
            "the font DejaVu Sans cannot be loaded",
            needed="the fonts that come with matplotlib",
            remedy="Install matplotlib anew",
        ) from error


def printable(text: str) -> str:
    """The text on one line, with a white square for each letter the font has not got; JSON and HTML keep the letter."""
    letters = _letters()
    return "".join(c if ord(c) in letters else _STAND_IN for c in " ".join(text.split()))


@lru_cache(maxsize=64)
def font(size: float, weight: str = "normal") -> FontProperties:
    """The font of the sheets at ``size`` points."""
    from matplotlib.font_manager import FontProperties

    return FontProperties(family="DejaVu Sans", size=size, weight=weight)


def to_grey(colour: str) -> float:
    """Luminance of a colour, 0 black to 1 white (ITU-R BT.709), as a black-and-white print shows it."""
    from matplotlib.colors import to_rgb

    red, green, blue = to_rgb(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def after(units: str) -> str:
    """What a head ends in whose numbers carry no unit; inches carry their own."""
    return "" if units == "in" else ", mm"


def width(text: str, size: float, weight: str = "normal") -> float:
    """Width of one line of text [inches]."""
    words = text.split(" ")
    # letters are not kerned against a space, so a line is as wide as its words, which come again and again
    unit = sum(_unit_width(word, weight) for word in words) + (len(words) - 1) * _unit_width(" ", weight)
    return unit * size / _UNIT / POINTS


@lru_cache(maxsize=8192)
def _unit_width(word: str, weight: str) -> float:
    """Width of a word at `_UNIT` points [points]; widths are not hinted and grow with the size."""
    from matplotlib.textpath import text_to_path

    if not word:
        return 0.0
    return text_to_path.get_text_width_height_descent(word, font(_UNIT, weight), ismath=False)[0]


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
    first: bool = False,
) -> float:
    """Write text with its top at (x, y) [inches from the lower left]; returns the y under its last line.

    ``first``: before all drawings of the figure, for whoever reads the file's text in its order.
    """
    wide, high = figure.get_size_inches()
    rows = [printable(text)]
    if room is not None:
        rows, size = fitted(text, room, size, smallest, lines, weight)
    step = size * _LEADING / POINTS
    for row in rows:
        look = {"ha": align, "va": "top", "color": colour, "zorder": FIRST if first else _TEXT}
        figure.text(x / wide, y / high, row, fontproperties=font(size, weight), **look)  # type: ignore[arg-type]
        y -= step
    return y
