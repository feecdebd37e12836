"""One look for all figures, and text that cannot ask a font for a letter it has not got."""

from __future__ import annotations

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
