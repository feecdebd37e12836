"""Elevations to work from: screeds and dots with their packing, and the low spots to fill."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.notes import note
from flatscan.core.phrase import command_line, written
from flatscan.core.quantity import metres
from flatscan.plan.screeds import SetOut
from flatscan.report.drawings import LowDrawing, SetOutDrawing
from flatscan.report.figures import elevation, titleblock
from flatscan.report.figures.style import FAINT, INK, PAPER, after, font, write
from flatscan.report.say import finished, say

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flatscan.report.model import Report

# common practice: screeds are 125 to 150 mm wide (TRADE, Setting out, printed)
_SCREED_WIDE = 0.14
_MOST_FIGURES = 60
_LOW = "#d8e4ef"


def set_out(report: Report, drawing: SetOutDrawing, units: str, size: tuple[float, float]) -> Figure:
    """Screeds and dots in the wall's elevation, each dot's packing in big figures, the first dot ringed."""
    laid, wall = drawing.screeds, drawing.on.wall
    figure, axes, box = titleblock.drawing(report, wall, drawing.title, units, size)
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
        )
        if len(dots) <= _MOST_FIGURES:
            _figure_beside(axes, x, dot.y, _packing(dot.packing, units))
    titleblock.scale_bar(axes, units)
    left, bottom, wide, high = box
    top = bottom + high
    for text in _legend(laid, units):
        top = write(figure, left, top, text, size=9, room=min(wide, 3.6), lines=4, smallest=7) - 0.06
    titleblock.foot(figure, report, units)
    return figure


def _packing(packing: float | None, units: str) -> str:
    if packing is None:
        return say(note("drawing.plumb"))
    return written(metres(packing), "bare", command_line(units))


def _screed(axes: Axes, number: int, x: float, height: float) -> None:
    axes.axvspan(x - _SCREED_WIDE / 2, x + _SCREED_WIDE / 2, color="#eeeeee", zorder=5, linewidth=0)
    axes.plot([x, x], [0, height], color=FAINT, linewidth=0.8, linestyle=(0, (6, 3)), zorder=6)
    axes.annotate(
        f"{number}", (x, height), xytext=(0, 4), textcoords="offset points", ha="center", va="bottom",
        fontproperties=font(9, "bold"), annotation_clip=False,
    )  # fmt: skip


def _figure_beside(axes: Axes, x: float, y: float, said: str) -> None:
    right = x < 0.8 * axes.get_xlim()[1]
    axes.annotate(
        said, (x, y), xytext=(9 if right else -9, 0), textcoords="offset points", ha="left" if right else "right",
        va="center", fontproperties=font(12, "bold"), zorder=9,
        bbox={"boxstyle": "round,pad=0.12", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.9},
    )  # fmt: skip


def _legend(laid: SetOut, units: str) -> list[str]:
    said = [f"{say(note('drawing.packing-figures'))}{after(units)}."]
    starts = [(screed.x, dot.y) for screed in laid.screeds for dot in screed.dots if dot.start_here]
    said += [say(note("drawing.start-here", at), units) for at in starts[:1]]
    said.append(say(note("drawing.straightedge", rule=metres(laid.rule)), units))
    doubts = [dot.u for screed in laid.screeds for dot in screed.dots if dot.u is not None]
    said += [say(note("drawing.good-to", u=metres(0.0, max(doubts))), units)] if doubts else []
    return [*said, *(finished(text, units) for text in laid.notes)]


def low_map(report: Report, drawing: LowDrawing, units: str, size: tuple[float, float]) -> Figure:
    """Low spots dotted, numbered, with depth and litres beside; ridges to shave as squares."""
    figure, axes, box = titleblock.drawing(report, drawing.on.wall, drawing.title, units, size)
    elevation.draw_wall(axes, drawing.on, units)
    said = _low_places(axes, drawing, units)
    elevation.mark_spots(axes, drawing.spots)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, (), drawing.spots, units, missing=False)
    titleblock.foot(figure, report, units, said)
    return figure


def _low_places(axes: Axes, drawing: LowDrawing, units: str) -> str:
    """Dot what lies under the straightedge by more than the limit; without a map of gaps, a ring of each low's area."""
    from matplotlib.patches import Circle

    relief, clip = drawing.on.relief, elevation.outline_patch(axes, drawing.on.wall)
    if drawing.deep is not None:
        deep, levels = np.nan_to_num(drawing.deep), [drawing.limit, 1.0]
        filled = axes.contourf(relief.x, relief.y, deep, levels=levels, colors=[_LOW], hatches=[".."], zorder=2)
        filled.set_clip_path(clip)
        return say(note("drawing.dotted", limit=metres(drawing.limit)), units)
    for low in drawing.lows:
        ring = Circle((low.x, low.y), (low.area / math.pi) ** 0.5, facecolor=_LOW, edgecolor=INK, hatch="..", zorder=2)
        axes.add_patch(ring)
        ring.set_clip_path(clip)
    return say(note("drawing.rings"), units)
