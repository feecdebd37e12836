"""What frames a drawing: title block, cautions, the key of bands, the list of spots, scale bar, and the foot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from flatscan.core.model import Wall
from flatscan.core.notes import note
from flatscan.core.phrase import command_line, written
from flatscan.core.quantity import cubic_metres, metres
from flatscan.report.bands import Band, Spot, cut_of
from flatscan.report.elevations import Elevation, reach_of
from flatscan.report.figures.elevation import Rect, wall_axes
from flatscan.report.figures.style import (
    A4,
    FAINT,
    INK,
    LINES,
    PAPER,
    after,
    fitted,
    font,
    new_figure,
    width,
    wrapped,
    write,
)
from flatscan.report.parts import in_short
from flatscan.report.reporting import stop_signs
from flatscan.report.say import Said, finished, printed, say

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flatscan.report.parts import Report

MARGIN = 0.4
# what warns is said to its end
_LINES = 8
# what is done with a laser stands on the drawing of screeds alone
_NOT_DRAWN = ("laser", "read")
_TITLE, _FOOT, _KEY_WIDE, _KEY_WIDEST, _KEY_HIGH = 1.0, 0.5, 2.75, 3.6, 1.75
# room for the tick labels and axis names left of and under a drawing
_LEFT, _UNDER = 0.75, 0.95
_KEY_ROW = 0.28
# the smallest type of a place in the list of spots
_PLACE = 8.0
# type of a legend, what a line of it takes [inches per point], and the room between its sentences
_LEGEND, _LINE, _APART = (9.0, 8.0, 7.2, 6.5), 1.25 / 72, 0.05
# tone, hatch, line (None: a thin whole one) and words of a row of the key
_Row = tuple[str, str, tuple[int, tuple[float, ...]] | None, str]


def title_block(figure: Figure, report: Report, title: Said, units: str, but: tuple[str, ...] = ()) -> float:
    """Draw title, cautions and cells across the top, what warns before what it warns of; returns the y [inches] under.

    The heaviest doubt follows the cells. ``but`` are actions that the sheet does not show.
    """
    from matplotlib.patches import Rectangle

    wide, high = figure.get_size_inches()
    room = wide - 2 * MARGIN
    top = high - MARGIN
    write(figure, MARGIN, top, say(title, units), size=13, weight="bold", room=room, smallest=9)
    top = caution_lines(figure, report, top - 0.27, units, but)
    share = [1.35] + [1.0] * (len(report.cells) - 1)
    left = MARGIN
    for cell, part in zip(report.cells, share, strict=True):
        span = room * part / sum(share)
        figure.add_artist(
            Rectangle(
                (left / wide, (top - _TITLE + 0.3) / high),
                span / wide,
                (_TITLE - 0.3) / high,
                fill=False,
                edgecolor=INK,
                linewidth=1.0,
                transform=figure.transFigure,
            )
        )
        write(figure, left + 0.08, top - 0.06, say(cell.head), size=7, room=span - 0.16, colour=FAINT)
        _big_and_small(figure, left + 0.08, top, span - 0.16, say(cell.big, units), say(cell.small, units))
        left += span
    top -= _TITLE - 0.3
    if report.doubt:
        words = say(note("drawing.doubt", doubt=printed(report.doubt)), units)
        top = write(figure, MARGIN, top - 0.07, words, size=8.5, room=room, lines=2, smallest=7)
    return top - 0.05


def _big_and_small(figure: Figure, left: float, top: float, room: float, big: str, small: str) -> None:
    """The big words on one line as long as they stay big, else on two, and the small ones under them."""
    one, size = fitted(big, room, 13, 9.5, 1, "bold")
    lines = 1 if not one[0].endswith("…") else 2
    under = write(
        figure, left, top - 0.19, big, size=size if lines == 1 else 9.5, weight="bold", room=room, lines=lines
    )
    # what does not fit one small line has room for two where the big words stand on one
    fits = lines == 2 or not fitted(small, room, 8.5, 6.5, 1)[0][0].endswith("…")
    size, rows = (8.5, 1) if fits else (6.5, 2)
    write(figure, left, min(under, top - 0.44) - 0.02, small, size=size, room=room, lines=rows, smallest=6.5)


def caution_lines(figure: Figure, report: Report, top: float, units: str, but: tuple[str, ...]) -> float:
    """Stop signs and cautions, before anything they warn of; returns the y under them."""
    room = figure.get_size_inches()[0] - 2 * MARGIN
    lead = (printed(report.leading),) if report.leading else ()
    beside = " ".join(finished(line, units) for line in in_short(report.warned_but(*but)))
    lines = [(finished(said, units), "bold") for said in (*lead, *stop_signs(report))]
    for said, weight in (*lines, *(((beside, "normal"),) if beside else ())):
        style = {"size": 8.5, "weight": weight, "room": room, "lines": _LINES, "smallest": 7, "first": True}
        top = write(figure, MARGIN, top, f"! {said}", **style)
    return top - 0.05


def foot(figure: Figure, report: Report, units: str, said: str = "", *, source: bool = True) -> None:
    """What was not examined, and along the lower edge the ``source``: where the numbers come from, by which plan."""
    room = figure.get_size_inches()[0] - 2 * MARGIN
    missing = say(note("report.not-examined", what=report.not_examined), units)
    top = MARGIN + _FOOT - 0.06
    under = write(figure, MARGIN, top, f"{missing}. {said}".strip(), size=8, room=room, lines=2, smallest=6.5)
    if not source:
        return
    of = report.source
    parts = {"record": report.record, "tool": of.tool, "type": of.capture_type, "marks": report.marks}
    origin = say(note("drawing.source", None, file=of.file, **parts), units)
    write(figure, MARGIN, min(under, MARGIN + 0.17), origin, size=7, room=room, colour=FAINT, lines=1, smallest=6)


def scale_bar(axes: Axes, units: str) -> None:
    """A bar of one metre (or three feet) under the drawing, at the drawing's own scale."""
    length, said = (0.9144, "3 ft") if units == "in" else (1.0, "1000 mm")
    span = axes.get_xlim()[1]
    if span < 1.3 * length:
        length, said = length / 10 * (10 / 3 if units == "in" else 1), "1 ft" if units == "in" else "100 mm"
    transform = axes.get_xaxis_transform()
    box = axes.get_window_extent()
    y = -0.62 * 72 / (box.height / axes.figure.dpi * 72)
    axes.plot([0, length], [y, y], color=INK, linewidth=3, transform=transform, clip_on=False, solid_capstyle="butt")
    axes.annotate(
        said,
        (length / 2, y),
        xytext=(0, -4),
        xycoords=transform,
        textcoords="offset points",
        ha="center",
        va="top",
        fontproperties=font(8),
        annotation_clip=False,
    )


def key(figure: Figure, rect: Rect, bands: tuple[Band, ...], units: str, on: Elevation, *, missing: bool) -> float:
    """The bands' tones, hatches and words in a column, then what somebody drew; returns the y [inches] under it.

    ``missing`` explains the cover of what was not measured.
    """
    from matplotlib.patches import Rectangle

    wide, high = figure.get_size_inches()
    rows: list[_Row] = [(band.colour, band.hatch, None, say(band.words, units)) for band in reversed(bands)]
    rows += [("#e4e4e4", "xxx", None, say(on.missing, units))] if missing and on.missing is not None else []
    rows += [(PAPER, "", LINES[stroke], say(words, units)) for stroke, words in on.by_hand]
    left, top = rect[0], rect[1] + rect[3]
    deep = max(1, int((rect[3] + 0.02) // _KEY_ROW))
    # bands that do not fit one column go on in the next
    span = rect[2] / max(1, -(-len(rows) // deep))
    for number, (colour, hatch, line, text) in enumerate(rows):
        x, y = left + number // deep * span, top - number % deep * _KEY_ROW
        figure.add_artist(
            Rectangle(
                (x / wide, (y - 0.22) / high),
                0.42 / wide,
                0.22 / high,
                facecolor=colour,
                hatch=hatch or None,
                edgecolor=INK,
                linewidth=0.6 if line is None else 1.2,
                linestyle=line or "-",
                transform=figure.transFigure,
            )
        )
        room = span - 0.55
        # what fits no line of this rectangle is written on two rather than cut off
        whole = len(wrapped(text, room, 6)) == 1
        write(figure, x + 0.5, y - 0.03, text, size=9 if whole else 7, room=room, lines=1 if whole else 2, smallest=6)
    return top - min(len(rows), deep) * _KEY_ROW


def spot_list(figure: Figure, rect: Rect, spots: tuple[Spot, ...], units: str) -> float:
    """The numbered spots with place and amount, one a line, as far as the room goes; returns the y under it."""
    left, top = rect[0], rect[1] + rect[3]
    manner = command_line(units)
    if not spots:
        return write(figure, left, top, say(note("drawing.no-spot")), size=9)
    head = say(note("drawing.spot-head")) + after(units)
    top = write(figure, left, top, head, size=8, colour=FAINT) - 0.02
    for number, spot in enumerate(spots):
        rows = _place_rows([written(metres(value), "bare", manner) for value in (spot.x, spot.y)], rect[2] - 0.36)
        said = say(note("drawing.spot", what=spot.what, value=cut_of(spot.value, spot.once_all)), units)
        if top - 0.2 - 0.15 * (len(rows) - 1) < rect[1]:
            more = say(note("drawing.more-spots", more=len(spots) - number))
            return write(figure, left, top, more, size=8, colour=FAINT)
        write(figure, left, top, spot.mark, size=10, weight="bold")
        for row in rows[:-1]:
            top = write(figure, left + 0.36, top, row, size=9)
        write(figure, left + 0.36, top, rows[-1], size=9, room=rect[2] - 0.36, smallest=_PLACE)
        if width(rows[-1], 9) + width(said, 9, "bold") > rect[2] - 0.46:
            top -= 0.18
        write(figure, left + rect[2], top, said, size=9, align="right", weight="bold")
        top -= 0.205
        if spot.saves is not None:
            saves = say(note("drawing.saves", saves=cubic_metres(spot.saves)), units)
            top = write(figure, left + 0.36, top + 0.02, saves, size=8) - 0.03
    return top


def _place_rows(lengths: Sequence[str], room: float) -> list[str]:
    """A place on one line, or each of its two lengths on one where it would be cut short."""
    one = " / ".join(lengths)
    return [one] if width(one, _PLACE) <= room else [f"{lengths[0]} /", lengths[1]]


def framed(
    report: Report, title: Said, units: str, size: tuple[float, float] = A4, but: tuple[str, ...] = _NOT_DRAWN
) -> tuple[Figure, Rect]:
    """A sheet with cautions and title block; returns the figure and the rectangle [inches] left for a drawing.

    ``but`` are actions that the drawing does not show.
    """
    figure = new_figure(size)
    top = title_block(figure, report, title, units, but) - 0.1
    bottom = MARGIN + _FOOT
    return figure, (MARGIN, bottom, size[0] - 2 * MARGIN, top - bottom)


def drawing(
    report: Report, wall: Wall, title: Said, units: str, size: tuple[float, float] = A4
) -> tuple[Figure, Axes, Rect]:
    """A sheet with cautions, title block and an empty elevation; returns figure, axes and the key's rectangle."""
    figure, rect = framed(report, title, units, size)
    axes, box = elevation_in(figure, rect, wall, units)
    return figure, axes, box


def takes(wall: Wall, wide: float, high: float) -> float:
    """How much of ``high`` [inches] an elevation with its key beside or under it takes."""
    right, up = reach_of(wall)
    beside = min((wide - _KEY_WIDE - 0.25 - _LEFT) / right, (high - 0.12 - _UNDER) / up)
    under = min((wide - _LEFT) / right, (high - 0.12 - _UNDER - _KEY_HIGH) / up)
    return min(high, up * max(beside, under) + _UNDER + 0.12 + (0.0 if beside >= under else _KEY_HIGH))


def elevation_in(figure: Figure, rect: Rect, wall: Wall, units: str) -> tuple[Axes, Rect]:
    """An empty elevation in a rectangle [inches] of a figure; returns its axes and the key's rectangle.

    The key stands where it leaves the drawing the larger scale: beside it, or under it for a long wall.
    """
    edge, bottom, wide, high = rect
    high -= 0.12
    right, up = reach_of(wall)
    beside = min((wide - _KEY_WIDE - 0.25 - _LEFT) / right, (high - _UNDER) / up)
    under = min((wide - _LEFT) / right, (high - _UNDER - _KEY_HIGH) / up)
    if beside >= under:
        scale = beside
        rect = (edge + _LEFT, bottom + _UNDER, wide - _KEY_WIDE - 0.25 - _LEFT, high - _UNDER)
        left = edge + _LEFT + right * scale + 0.3
        box = (left, bottom, min(edge + wide - left, _KEY_WIDEST), high - 0.02)
    else:
        rect = (edge + _LEFT, bottom + _UNDER + _KEY_HIGH, wide - _LEFT, high - _UNDER - _KEY_HIGH)
        # the drawing hangs from the top, so the key comes right under it
        box = (edge, bottom, wide, high - up * under - _UNDER)
    axes = wall_axes(figure, rect, wall, units)
    axes.set_facecolor(PAPER)
    return axes, box


def _deep(words: Sequence[str], room: float, size: float) -> float:
    """How deep sentences are in a column ``room`` wide [inches]."""
    return sum(len(wrapped(text, room, size)) * size * _LINE + _APART for text in words)


def legend(figure: Figure, box: Rect, words: Sequence[str], spots: tuple[Spot, ...], units: str) -> None:
    """Sentences in the key's rectangle, and the numbered spots under them, or beside where it lies under a drawing."""
    left, bottom, wide, high = box
    top, room = bottom + high, min(wide, 3.6)
    # beside a drawing the list of spots comes under the words
    deep = high / 2 if spots and high > wide else high
    size = next((size for size in _LEGEND if _deep(words, room, size) <= deep), _LEGEND[-1])
    for text in words:
        if top - len(wrapped(text, room, size)) * size * _LINE < bottom:
            break
        top = write(figure, left, top, text, size=size, room=room, lines=6, smallest=size) - _APART
    if spots and high > wide:
        spot_list(figure, (left, bottom, room, top - 0.1 - bottom), spots, units)
    elif spots:
        spot_list(figure, (left + room + 0.2, bottom, min(wide - room - 0.2, 3.0), high), spots, units)


def key_and_spots(
    figure: Figure,
    box: Rect,
    bands: tuple[Band, ...],
    spots: tuple[Spot, ...],
    units: str,
    on: Elevation,
    *,
    missing: bool = False,
) -> None:
    """Key and list in the key's rectangle: one above the other beside a drawing, side by side under it."""
    left, bottom, wide, high = box
    if high > wide:
        under = key(figure, box, bands, units, on, missing=missing) - 0.12
        spot_list(figure, (left, bottom, wide, under - bottom), spots, units)
        return
    # key and one list on an upright sheet, two lists on a wide one; without bands the lists begin at the left
    keyed = bool(bands) or bool(on.by_hand)
    span = min(3.3, 0.47 * wide)
    if keyed:
        key(figure, (left, bottom, span, high), bands, units, on, missing=missing)
    columns = max(1, int((wide - (span if keyed else 0.0)) // 3.1))
    deep = -(-len(spots) // columns)
    start = left + (span + 0.2 if keyed else 0.0)
    room = (left + wide - start) / columns - 0.2
    for column in range(columns):
        part = spots[column * deep : (column + 1) * deep]
        if part:
            spot_list(figure, (start + column * (room + 0.2), bottom, min(room, 3.2), high), part, units)
