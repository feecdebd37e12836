"""Printable photo targets: coded squares at their true size, with a ruler to check what the printer made of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from flatscan import __version__
from flatscan.capture.targets import BITS, MARKERS, marker_bits
from flatscan.errors import BadValue
from flatscan.material import cautions
from flatscan.sheets.figures.lettering import write as letter
from flatscan.sheets.figures.style import INK, PAPERS, font, new_figure, sheet_style
from flatscan.sheets.placing import place

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MODULES = BITS + 2
_RULER = 0.100
_INCH = 0.0254
SIZE = 0.150


def write(
    folder: str | Path, *, count: int = 4, size: float = SIZE, paper: str = "a4", overwrite: bool = False
) -> tuple[Path, ...]:
    """Write targets.pdf, one target a page: ``size`` [m] is the black square's side; returns its path.

    A count outside 1 to 50 or a size that does not fit the paper raises `BadValue`.
    """
    if not 1 <= count <= MARKERS:
        raise BadValue("--count", f"{count}", needed=f"1 to {MARKERS} targets", remedy="Print fewer")
    if paper not in PAPERS:
        raise BadValue("--paper", f"'{paper}'", needed=" or ".join(PAPERS), remedy="Choose one of the two")
    # the code needs a white rim as wide as one of its squares
    most = (min(PAPERS[paper]) * _INCH - 0.03) / (1 + 2 / _MODULES)
    if not 0.03 <= size <= most:
        raise BadValue(
            "--target-size",
            f"{size * 1000:.0f} mm",
            needed=f"30 to {most * 1000:.0f} mm on {paper}",
            remedy="Choose another size",
        )

    def book(path: Path) -> None:
        _write_pdf(path, count, size, paper)

    return place(folder, (("targets.pdf", book),), overwrite=overwrite)


def _write_pdf(path: Path, count: int, size: float, paper: str) -> None:
    from matplotlib.backends.backend_pdf import PdfPages

    about = {"Title": "Photo targets", "Creator": f"flatscan {__version__}", "Producer": "matplotlib"}
    with sheet_style(), PdfPages(path, metadata={**about, "CreationDate": None, "ModDate": None}) as book:
        for number in range(count):
            book.savefig(page(number, size, paper))


def page(number: int, size: float, paper: str) -> Figure:
    """One target at its true size, its number, its cautions, and a ruler of 100 mm."""
    from matplotlib.patches import Rectangle

    wide, high = sorted(PAPERS[paper])
    figure = new_figure((wide, high))
    top = letter(figure, 0.6, high - 0.5, f"Target {number}: {size * 1000:.0f} mm, this way up", size=14, weight="bold")
    said = (
        "Print at 100 %, not fitted to the page. Stick it flat and level on the wall, near a corner; tape its middle "
        "from the left edge and from the floor. Measure the black square and give that size, not the one asked for.",
        f"! {cautions.HEIGHT}",
    )
    for text in said:
        top = letter(figure, 0.6, top, text, size=9.5, room=wide - 1.2, lines=4)
    side = size / _INCH
    left, bottom = (wide - side) / 2, (high - side) / 2 - 0.3
    step = side / _MODULES
    for row, column in np.argwhere(~marker_bits(number)):
        x, y = left + column * step, bottom + (_MODULES - 1 - row) * step
        # edges that overlap by a hair leave no white seams between black squares
        black = Rectangle(
            (x / wide, y / high), (step + 0.002) / wide, (step + 0.002) / high, facecolor="black", edgecolor="none",
            linewidth=0, transform=figure.transFigure,
        )  # fmt: skip
        figure.add_artist(black)
    _ruler(figure, wide, high)
    return figure


def _ruler(figure: Figure, wide: float, high: float) -> None:
    from matplotlib.lines import Line2D

    length, y = _RULER / _INCH, 1.0
    left = (wide - length) / 2
    for at in range(11):
        x, tall = (left + length * at / 10) / wide, 0.22 if at % 5 == 0 else 0.14
        figure.add_artist(Line2D([x, x], [y / high, (y + tall) / high], color=INK, linewidth=0.8))
    figure.add_artist(Line2D([left / wide, (left + length) / wide], [y / high, y / high], color=INK, linewidth=0.8))
    figure.text(0.5, (y - 0.1) / high, "check: 100 mm", ha="center", va="top", fontproperties=font(9))
