"""What frames a drawing: title block, cautions, the key of bands, the list of spots, scale bar, and the foot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan import __version__
from flatscan.plan.screeds import SetOut
from flatscan.report import words
from flatscan.report.figures.bands import Band
from flatscan.report.figures.elevation import Rect, wall_axes
from flatscan.report.figures.lettering import fitted, width, write
from flatscan.report.figures.style import A4, FAINT, INK, PAPER, font, new_figure
from flatscan.report.tables import Spot
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MARGIN = 0.4
_TITLE, _FOOT, _KEY_WIDE, _KEY_WIDEST, _KEY_HIGH = 1.0, 0.5, 2.75, 3.6, 1.75
# room for the tick labels and axis names left of and under a drawing
_LEFT, _UNDER = 0.75, 0.95
_KEY_ROW = 0.28


def decision_words(findings: Findings, units: str) -> tuple[str, str]:
    """The decision in a few big words, always with the criterion's name, and the ± and limit under it."""
    verdict = findings.verdict
    if verdict is None or not verdict.criteria:
        return "no limit entered", "nothing judged"
    big = "; ".join(f"{c.name} {c.decision}" for c in verdict.criteria)
    first = verdict.criteria[0]
    value = words.quantity(first.value, words.criterion_u(findings, first.name), units)
    return big, f"{first.name} {value}; limit {words.length(first.limit, units, decimals=1)}"


def first_words(findings: Findings, units: str) -> tuple[str, str]:
    """What a survey asks to be done before the first coat, and what it saves."""
    if words.stops(findings):
        return "stop", "see the stop sign below; no limit entered"
    hacks = findings.hacks or ()
    if not hacks:
        return "nothing to cut", "no hump is worth cutting; no limit entered"
    names = {1: "cut H1", 2: "cut H1 and H2"}.get(len(hacks), f"cut H1 to H{len(hacks)}")
    return names, f"saves {words.volume(hacks[-1].saves, 0.0, units)}; no limit entered"


def start_words(set_out: SetOut, units: str) -> tuple[str, str]:
    """The dot to set first, for the wall as it was measured: a hump cut since moves every packing."""
    said = "nothing cut yet"
    for screed in set_out.screeds:
        for dot in screed.dots:
            if dot.start_here and dot.packing is not None:
                return f"packing {words.length(dot.packing, units)}", f"{words.place((screed.x, dot.y), units)}; {said}"
    return "the foot of the first screed", said


def limit_words(findings: Findings, units: str) -> tuple[str, str]:
    """The limit as entered and where it comes from."""
    verdict, gaps = findings.verdict, findings.gaps
    if verdict is None or not verdict.criteria:
        return "none", "no limit was given"
    limit = words.length(verdict.criteria[0].limit, units, decimals=1)
    edge = "" if gaps is None else f" under {words.length(gaps.rule, units)}"
    entry = findings.tolerance
    if entry is None:
        return limit + edge, f"as entered; {findings.method}"
    checked = " (value from memory)" if entry.checked == "from memory" else ""
    return limit + edge, f"{entry.document} {entry.edition} {entry.clause}{checked}; {findings.method}"


def _volume_words(findings: Findings, units: str) -> tuple[str, str]:
    built, order = findings.build_up, findings.take_off
    assert built is not None
    span = " / ".join(words.bare(v, units) for v in (built.least, built.mean, built.most))
    big = f"{span}{' mm' if units == 'mm' else ''}"
    volume = words.volume(built.volume.value, built.volume.u, units)
    bags = "" if order is None or order.bags is None else f"; order {order.bags} bags"
    return big, volume + bags


def title_cells(findings: Findings, units: str) -> list[tuple[str, str, str]]:
    """Head, big words and small words of each cell of the title block."""
    wall = findings.wall
    size = f"{words.length(wall.width, units)} x {words.length(wall.height, units)}, {findings.origin.file}"
    cells = [("WALL", words.wall_name(findings), size)]
    if findings.build_up is not None:
        cells.append(("BUILD-UP least / mean / most", *_volume_words(findings, units)))
    if findings.verdict is not None or findings.build_up is None:
        cells.append(("LIMIT", *limit_words(findings, units)))
    if findings.set_out is not None:
        cells.append(("START AT", *start_words(findings.set_out, units)))
    elif findings.verdict is None and findings.hacks is not None:
        cells.append(("DO FIRST", *first_words(findings, units)))
    else:
        cells.append(("DECISION", *decision_words(findings, units)))
    return cells


def title_block(figure: Figure, findings: Findings, title: str, units: str) -> float:
    """Draw the title block across the top; returns the y [inches] under it."""
    from matplotlib.patches import Rectangle

    wide, high = figure.get_size_inches()
    room = wide - 2 * MARGIN
    top = high - MARGIN
    write(figure, MARGIN, top, title, size=13, weight="bold", room=room, smallest=9)
    top -= 0.3
    cells = title_cells(findings, units)
    share = [1.35] + [1.0] * (len(cells) - 1)
    left = MARGIN
    for (head, big, small), part in zip(cells, share, strict=True):
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
        write(figure, left + 0.08, top - 0.06, head, size=7, room=span - 0.16, colour=FAINT)
        _big_and_small(figure, left + 0.08, top, span - 0.16, big, small)
        left += span
    return top - _TITLE + 0.3


def _big_and_small(figure: Figure, left: float, top: float, room: float, big: str, small: str) -> None:
    """The big words on one line as long as they stay big, else on two, and the small ones under them."""
    one, size = fitted(big, room, 13, 9.5, 1, "bold")
    lines = 1 if not one[0].endswith("…") else 2
    under = write(
        figure, left, top - 0.19, big, size=size if lines == 1 else 9.5, weight="bold", room=room, lines=lines
    )
    write(figure, left, min(under, top - 0.44) - 0.02, small, size=8.5, room=room, smallest=6.5)


def caution_lines(figure: Figure, findings: Findings, top: float, units: str) -> float:
    """Stop signs and cautions under the title block, before anything they warn of; returns the y under them."""
    wide, _ = figure.get_size_inches()
    top -= 0.07
    for text in words.short_cautions(findings, units):
        bold = "bold" if text.startswith("STOP:") else "normal"
        top = write(
            figure, MARGIN, top, f"! {text}", size=8.5, weight=bold, room=wide - 2 * MARGIN, lines=3, smallest=7
        )
    return top - 0.05


def foot(figure: Figure, findings: Findings, units: str, note: str = "") -> None:
    """What was not examined, and where the numbers come from, along the lower edge."""
    wide, _ = figure.get_size_inches()
    room = wide - 2 * MARGIN
    under = write(
        figure,
        MARGIN,
        MARGIN + _FOOT - 0.06,
        f"Not examined: {'; '.join(words.not_examined(findings, units))}. {note}".strip(),
        size=8,
        room=room,
        lines=2,
        smallest=6.5,
    )
    origin = findings.origin
    write(
        figure,
        MARGIN,
        min(under, MARGIN + 0.17),
        f"{words.RECORD} flatscan {__version__}; {findings.capture_type}; file hash {origin.sha256[:16] or 'none'}.",
        size=7,
        room=room,
        colour=FAINT,
        lines=1,
        smallest=6,
    )


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


def key(figure: Figure, rect: Rect, bands: tuple[Band, ...], missing: bool) -> float:
    """The bands' tones, hatches and words in a column; returns the y [inches] under it."""
    from matplotlib.patches import Rectangle

    wide, high = figure.get_size_inches()
    rows = [(band.colour, band.hatch, band.words) for band in reversed(bands)]
    rows += [("#e4e4e4", "xxx", "not measured")] if missing else []
    left, top = rect[0], rect[1] + rect[3]
    deep = max(1, int((rect[3] + 0.02) // _KEY_ROW))
    # bands that do not fit one column go on in the next
    span = rect[2] / max(1, -(-len(rows) // deep))
    for number, (colour, hatch, text) in enumerate(rows):
        x, y = left + number // deep * span, top - number % deep * _KEY_ROW
        figure.add_artist(
            Rectangle(
                (x / wide, (y - 0.22) / high),
                0.42 / wide,
                0.22 / high,
                facecolor=colour,
                hatch=hatch or None,
                edgecolor=INK,
                linewidth=0.6,
                transform=figure.transFigure,
            )
        )
        write(figure, x + 0.5, y - 0.03, text, size=9, room=span - 0.55, smallest=6)
    return top - min(len(rows), deep) * _KEY_ROW


def spot_list(figure: Figure, rect: Rect, spots: tuple[Spot, ...], units: str) -> float:
    """The numbered spots with place and amount, one a line, as far as the room goes; returns the y under it."""
    left, top = rect[0], rect[1] + rect[3]
    unit = "" if units == "in" else ", mm"
    if not spots:
        return write(figure, left, top, "No spot stands out.", size=9)
    top = write(figure, left, top, f"Spot: from left / up{unit}", size=8, colour=FAINT) - 0.02
    for number, spot in enumerate(spots):
        if top - 0.2 < rect[1] and number < len(spots):
            return write(figure, left, top, f"and {len(spots) - number} more: see the list", size=8, colour=FAINT)
        at = f"{words.bare(spot.x, units)} / {words.bare(spot.y, units)}"
        said = f"{spot.what} {words.length(spot.value, units, decimals=1)}"
        write(figure, left, top, spot.mark, size=10, weight="bold")
        write(figure, left + 0.36, top, at, size=9, room=rect[2] - 0.36, smallest=6)
        if width(at, 9) + width(said, 9, "bold") > rect[2] - 0.46:
            top -= 0.18
        write(figure, left + rect[2], top, said, size=9, align="right", weight="bold")
        top -= 0.205
        if spot.saves is not None:
            top = (
                write(figure, left + 0.36, top + 0.02, f"saves {words.volume(spot.saves, 0.0, units)} so far", size=8)
                - 0.03
            )
    return top


def framed(findings: Findings, title: str, units: str, size: tuple[float, float] = A4) -> tuple[Figure, Rect]:
    """A sheet with title block and cautions; returns the figure and the rectangle [inches] left for a drawing."""
    figure = new_figure(size)
    top = caution_lines(figure, findings, title_block(figure, findings, title, units), units) - 0.1
    bottom = MARGIN + _FOOT
    return figure, (MARGIN, bottom, size[0] - 2 * MARGIN, top - bottom)


def drawing(findings: Findings, title: str, units: str, size: tuple[float, float] = A4) -> tuple[Figure, Axes, Rect]:
    """A sheet with title block, cautions and an empty elevation; returns figure, axes and the key's rectangle.

    The key stands where it leaves the drawing the larger scale: beside it, or under it for a long wall.
    """
    figure, (_, bottom, wide, high) = framed(findings, title, units, size)
    high -= 0.12
    wall = findings.wall
    beside = min((wide - _KEY_WIDE - 0.25 - _LEFT) / wall.width, (high - _UNDER) / wall.height)
    under = min((wide - _LEFT) / wall.width, (high - _UNDER - _KEY_HIGH) / wall.height)
    if beside >= under:
        scale = beside
        rect = (MARGIN + _LEFT, bottom + _UNDER, wide - _KEY_WIDE - 0.25 - _LEFT, high - _UNDER)
        left = MARGIN + _LEFT + wall.width * scale + 0.3
        box = (left, bottom, min(size[0] - MARGIN - left, _KEY_WIDEST), high - 0.02)
    else:
        rect = (MARGIN + _LEFT, bottom + _UNDER + _KEY_HIGH, wide - _LEFT, high - _UNDER - _KEY_HIGH)
        # the drawing hangs from the top, so the key comes right under it
        box = (MARGIN, bottom, wide, high - wall.height * under - _UNDER)
    axes = wall_axes(figure, rect, wall, units)
    axes.set_facecolor(PAPER)
    return figure, axes, box


def key_and_spots(
    figure: Figure, box: Rect, bands: tuple[Band, ...], spots: tuple[Spot, ...], units: str, *, missing: bool
) -> None:
    """Key and list in the key's rectangle: one above the other beside a drawing, side by side under it."""
    left, bottom, wide, high = box
    if high > wide:
        under = key(figure, box, bands, missing) - 0.12
        spot_list(figure, (left, bottom, wide, under - bottom), spots, units)
        return
    key(figure, (left, bottom, 3.3, high), bands, missing)
    half = (len(spots) + 1) // 2 if len(spots) > 6 else len(spots)
    for part, at in ((spots[:half], left + 3.5), (spots[half:], left + 6.9)):
        if part:
            spot_list(figure, (at, bottom, 3.0, high), part, units)
