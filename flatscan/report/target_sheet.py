"""Printable targets and calibration boards: black squares to scale, with a ruler to check the print."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from flatscan.capture.calibration.boards import MARKERS as MARKED
from flatscan.capture.calibration.boards import Board
from flatscan.capture.calibration.printed_marks import MARKER_SHARE, MARKERS, marker_bits
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Mask
from flatscan.core.quantity import metres
from flatscan.core.units import METRES_PER, feet_and_inches, to_mm
from flatscan.jobs.actions import laser_cautions
from flatscan.report.photo_guide import PAPERS, guide_page
from flatscan.report.result_document import plain_values
from flatscan.report.say import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# a marker needs white around it as wide as one of its bits
_MARGIN, _HEAD = 12.0, 62.0


def target_pages(
    size: float, count: int, *, first: int = 0, paper: str = "a4", units: str = "mm", guide: bool = False
) -> bytes:
    """A PDF with ``count`` targets whose black square is ``size`` [m], one a page, the same bytes for the same input.

    In inches its words are in inches, and so is the ruler to check the print. ``guide`` puts a page on how to take
    photos of a bare wall before them.

    Raises `BadValue` for a size that does not fit the paper and numbers beyond the last marker.
    """
    wide, high = PAPERS[paper]
    side = to_mm(size)
    most = min(wide - 2 * _MARGIN, high - _MARGIN - 2 * _HEAD) * 6 / 8
    if not 10 <= side <= most:
        raise BadValue(
            "{set:size}",
            "{size:length.g}",
            needed="{least:length} to {most:length} on {paper} with white around it",
            remedy="Choose another size",
            size=metres(size),
            least=metres(0.010),
            most=metres(most / 1000),
            paper=paper,
        )
    if count < 1 or first < 0 or first + count > MARKERS:
        raise BadValue(
            "{set:count}",
            "{count} from number {first}",
            needed="numbers 0 to {last}",
            remedy="Ask for fewer",
            count=count,
            first=first,
            last=MARKERS - 1,
        )
    pages = [guide_page(paper, units)] if guide else []
    return _pdf(pages + [target_figure(number, size, paper, units) for number in range(first, first + count)])


def target_figure(number: int, size: float, paper: str, units: str = "mm") -> Figure:
    """One page with a target in its middle, drawn to scale."""
    wide, high = PAPERS[paper]
    side = to_mm(size)
    page = _page(paper)
    _squares(page, marker_bits(number), ((wide - side) / 2, (high - side) / 2), side)
    words = (
        f"Target {number}: print at 100 %, not fitted to the page. Cut nothing off the white border.",
        f"The black square is {_exactly(size, units)} wide. Check the ruler below, measure the square itself,",
        "and give what you measured as [targets] size. Hang it upright and flat on the wall, not on anything that",
        "stands proud. Note the place of its middle from the wall's left edge and lowest edge.",
    )
    _words(page, words, high - 12)
    _ruler(page, units)
    return page


def board_page(board: Board, *, paper: str = "a4", units: str = "mm") -> bytes:
    """A PDF page with a calibration board; raises `BadValue` where it does not fit the paper."""
    return _pdf([board_figure(board, paper, units)])


def board_figure(board: Board, paper: str, units: str = "mm") -> Figure:
    """The page itself, drawn to scale."""
    wide, high = PAPERS[paper]
    square = to_mm(board.square)
    size = board.across * square, board.down * square
    most_across, most_down = wide - 2 * _MARGIN, high - 2 * _HEAD + 20
    if size[0] > most_across or size[1] > most_down:
        raise BadValue(
            "{set:board}",
            "{across:length} x {down:length}",
            needed="at most {most_across:length} x {most_down:length} on {paper}",
            remedy="Choose fewer or smaller squares",
            across=metres(size[0] / 1000),
            down=metres(size[1] / 1000),
            most_across=metres(most_across / 1000),
            most_down=metres(most_down / 1000),
            paper=paper,
        )
    page = _page(paper)
    left, top = (wide - size[0]) / 2, (high + size[1]) / 2
    axes = page.axes[0]
    # the board's own corner is at the top left and black
    number = 0
    for row in range(board.down):
        for col in range(board.across):
            foot = left + col * square, top - (row + 1) * square
            if (row + col) % 2 == 0:
                _black(axes, foot, square, square)
            elif board.kind == MARKED:
                inner = MARKER_SHARE * square
                _squares(page, marker_bits(number), tuple(edge + (square - inner) / 2 for edge in foot), inner)
                number += 1
    words = (
        f"Board of {board.across} x {board.down} squares of {_exactly(board.square, units)}: print at 100 % and",
        "glue it flat on glass or board. Check the ruler, measure ten squares, and give a tenth as --square.",
        "Photograph it ten times or more: tilted every way, near all edges of the picture, focus locked.",
    )
    _words(page, words, high - 12)
    _ruler(page, units)
    return page


def _page(paper: str) -> Figure:
    from matplotlib.figure import Figure

    wide, high = PAPERS[paper]
    page = Figure(figsize=(wide / 25.4, high / 25.4))
    axes = page.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, wide)
    axes.set_ylim(0, high)
    axes.axis("off")
    return page


def _squares(page: Figure, white: Mask, foot: Any, side: float) -> None:
    """Black bits of a marker as runs of one piece, so that no hairline shows between them."""
    bit = side / len(white)
    for row, bits in enumerate(white):
        edges = np.flatnonzero(np.diff(np.concatenate([[True], bits, [True]]).astype(int)))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            _black(page.axes[0], (foot[0] + start * bit, foot[1] + side - (row + 1) * bit), (stop - start) * bit, bit)


def _black(axes: Any, foot: Any, wide: float, high: float) -> None:
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle(foot, wide, high, facecolor="black", edgecolor="none", linewidth=0, antialiased=False))


def _words(page: Figure, lines: tuple[str, ...], top: float) -> None:
    for i, caution in enumerate(laser_cautions()):
        page.axes[0].text(_MARGIN, top - 4 * i, say(caution), fontsize=7, va="top")
    for i, line in enumerate(lines):
        page.axes[0].text(_MARGIN, top - 20 - 5 * i, line, fontsize=9, va="top")


# the ruler's length, its steps, which of them have a number, and how tall the marks of each kind are [mm]
_INCH = METRES_PER["in"] * 1000
_RULERS = {
    "mm": (100, 1.0, 10, ((10, 5.0), (5, 3.5), (1, 2.0))),
    "in": (64, _INCH / 16, 16, ((16, 5.0), (8, 4.2), (4, 3.4), (2, 2.6), (1, 2.0))),
}


def _ruler(page: Figure, units: str) -> None:
    """A ruler of 100 mm by millimetres, or of 4 inches by sixteenths."""
    axes, foot = page.axes[0], 24.0
    count, step, named, tall = _RULERS[units]
    axes.plot([_MARGIN, _MARGIN + count * step], [foot, foot], color="black", linewidth=0.5)
    for k in range(count + 1):
        at = _MARGIN + k * step
        high = next(high for every, high in tall if k % every == 0)
        axes.plot([at] * 2, [foot, foot + high], color="black", linewidth=0.3)
        if k % named == 0:
            number = str(k // named) if units == "in" else str(k)
            axes.text(at, foot + 6, number, fontsize=7, ha="center")
    long = "4 in" if units == "in" else "100 mm"
    axes.text(_MARGIN, foot - 5, f"{long}: if a steel rule disagrees, the print is not to scale.", fontsize=8, va="top")


def _exactly(size: float, units: str) -> str:
    """A size as it is drawn: in inches as a fraction where it is one of sixteenths, else by thousandths too."""
    if units != "in":
        return f"{to_mm(size):g} mm"
    inches = size / METRES_PER["in"]
    return feet_and_inches(size) if abs(inches * 16 - round(inches * 16)) < 1e-6 else f"{inches:.3f} in"


def targets_document(size: float, numbers: range, board: tuple[int, int] | None, paper: str) -> dict[str, object]:
    """What was printed as a document: the targets' size and numbers, or the board's squares."""
    if board is not None:
        across, down = board
        return plain_values({"square_mm": size, "across": across, "down": down, "paper": paper})
    return plain_values({"size_mm": size, "numbers": list(numbers), "paper": paper})


def _pdf(pages: list[Figure]) -> bytes:
    from matplotlib.backends.backend_pdf import PdfPages

    stream = io.BytesIO()
    with PdfPages(stream, metadata={"CreationDate": None, "ModDate": None, "Title": "flatscan targets"}) as pdf:
        for page in pages:
            pdf.savefig(page)
    return stream.getvalue()
