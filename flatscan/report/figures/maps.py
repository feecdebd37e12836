"""Whole drawings of a wall: banded elevations, screeds and dots, low spots to fill."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.plan.screeds import Screeds
from flatscan.report.drawings import BandedDrawing, LowDrawing, SetOutDrawing
from flatscan.report.elevations import packing_word
from flatscan.report.figures import apart, elevation, titleblock
from flatscan.report.figures.elevation import Rect
from flatscan.report.figures.placed import BESIDE, write_figures
from flatscan.report.figures.style import FAINT, INK, PAPER, after, font
from flatscan.report.say import finished, say

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# common practice: screeds are 125 to 150 mm wide (methods/trade 2, printed)
_SCREED_WIDE = 0.14
_MOST_FIGURES, _FEW = 60, 24
_LOW = "#d8e4ef"
# how far a packing stands off the middle of its dot [inches]
_OFF, _OFF_RING = 0.15, 0.19


def set_out(figure: Figure, rect: Rect, drawing: SetOutDrawing, units: str) -> str:
    """Screeds and dots in the wall's elevation, packings in big figures, the first dot ringed, humps marked."""
    laid, wall = drawing.screeds, drawing.on.wall
    axes, box = titleblock.elevation_in(figure, rect, wall, units)
    elevation.draw_wall(axes, drawing.on, units)
    dots = [(screed.x, dot) for screed in laid.screeds for dot in screed.dots]
    for number, screed in enumerate(laid.screeds, 1):
        _screed(axes, number, screed.x, wall.height)
    for x, dot in dots:
        start = dot.start_here
        axes.plot(
            x,
            dot.y,
            "o",
            markersize=13 if start else 8,
            markerfacecolor=PAPER,
            markeredgecolor=INK,
            markeredgewidth=3 if start else 1.2,
            zorder=8,
            gid=apart.KEEP_OFF,
        )
    if len(dots) <= _MOST_FIGURES:
        said, largest = [packing_word(dot.packing, units) for _, dot in dots], 15.0 if len(dots) <= _FEW else 12.0
        places = [(x, dot.y) for x, dot in dots]
        off = [_OFF_RING if dot.start_here else _OFF for _, dot in dots]
        write_figures(axes, wall, places, said, largest=largest, off=off, around=BESIDE, zorder=9)
    elevation.mark_spots(axes, drawing.spots)
    titleblock.scale_bar(axes, units)
    apart.settle(axes)
    words = (*_legend(laid, units), *(finished(words, units) for _, words in drawing.on.by_hand))
    titleblock.legend(figure, box, words, drawing.spots, units)
    return ""


def _screed(axes: Axes, number: int, x: float, height: float) -> None:
    axes.axvspan(x - _SCREED_WIDE / 2, x + _SCREED_WIDE / 2, color="#eeeeee", zorder=5, linewidth=0)
    axes.plot([x, x], [0, height], color=FAINT, linewidth=0.8, linestyle=(0, (6, 3)), zorder=6)
    axes.annotate(
        f"{number}",
        (x, height),
        xytext=(0, 4),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontproperties=font(9, "bold"),
        annotation_clip=False,
        gid=apart.FIGURE,
    )


def _legend(laid: Screeds, units: str) -> list[str]:
    figures = note("drawing.packing-figures" if laid.face == "finish" else "drawing.packing-figures-undercoat")
    figures = figures if laid.strip is None else note("drawing.packing-figures-strip")
    said = [f"{say(figures)}{after(units)}."]
    starts = [(screed.x, dot.y) for screed in laid.screeds for dot in screed.dots if dot.start_here]
    said += [say(note("drawing.start-here", at), units) for at in starts[:1]]
    said.append(say(note("drawing.straightedge", rule=metres(laid.rule)), units))
    doubts = [dot.u for screed in laid.screeds for dot in screed.dots if dot.u is not None]
    said += [say(note("drawing.good-to", u=metres(0.0, max(doubts))), units)] if doubts else []
    return [*said, *(finished(text, units) for text in laid.notes)]


def low_map(figure: Figure, rect: Rect, drawing: LowDrawing, units: str) -> str:
    """Low spots dotted, numbered, with depth and litres beside; ridges to shave as squares."""
    axes, box = titleblock.elevation_in(figure, rect, drawing.on.wall, units)
    elevation.draw_wall(axes, drawing.on, units)
    said = _low_places(axes, drawing, units)
    elevation.mark_spots(axes, drawing.spots)
    titleblock.scale_bar(axes, units)
    apart.settle(axes)
    titleblock.key_and_spots(figure, box, (), drawing.spots, units, drawing.on)
    return said


def _low_places(axes: Axes, drawing: LowDrawing, units: str) -> str:
    """Dot what is to be filled, rims included; where nothing is known between places, a ring of each low's area."""
    from matplotlib.patches import Circle

    relief, clip = drawing.on.relief, elevation.outline_patch(axes, drawing.on.wall)
    if drawing.where is not None:
        where = drawing.where.astype(float)
        filled = axes.contourf(relief.x, relief.y, where, levels=[0.5, 2.0], colors=[_LOW], hatches=[".."], zorder=2)
        filled.set_clip_path(clip)
        return say(note("drawing.dotted"), units)
    for low in drawing.lows:
        ring = Circle((low.x, low.y), (low.area / math.pi) ** 0.5, facecolor=_LOW, edgecolor=INK, hatch="..", zorder=2)
        axes.add_patch(ring)
        ring.set_clip_path(clip)
    return say(note("drawing.rings"), units)


def banded(figure: Figure, rect: Rect, drawing: BandedDrawing, units: str) -> str:
    """Bands filled in, contour lines on cells and numbers at stations, the straightedge where one is shown, spots.

    A wall with nothing measured raises `OutputError`.
    """
    bands, on = drawing.bands(units), drawing.on
    axes, box = titleblock.elevation_in(figure, rect, on.wall, units)
    if on.on_cells:
        elevation.fill_cells(axes, drawing, units)
    else:
        elevation.fill_stations(axes, drawing, units)
    elevation.draw_wall(axes, on, units)
    if drawing.edge is not None:
        elevation.draw_straightedge(axes, drawing.edge, units)
    elevation.mark_spots(axes, drawing.spots, beside=not on.relief.known_between)
    titleblock.scale_bar(axes, units)
    apart.settle(axes)
    titleblock.key_and_spots(figure, box, bands, drawing.spots, units, on, missing=True)
    said = [say(drawing.how, units)]
    if on.picture is not None and on.on_cells:
        said.append(say(note("drawing.own-photo"), units))
    return " ".join(said)
