"""Elevations to work from: screeds and dots with their packing, and the low spots to fill."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import OutputError
from flatscan.plan.lows import LIMIT, Low
from flatscan.report import tables, words
from flatscan.report.figures import elevation, titleblock
from flatscan.report.figures.lettering import write
from flatscan.report.figures.style import A4, FAINT, INK, PAPER, font
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# common practice: screeds are 125 to 150 mm wide (TRADE, Setting out, printed)
_SCREED_WIDE = 0.14
_MOST_FIGURES = 60
_LOW = "#d8e4ef"


def set_out(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Screeds and dots in the wall's elevation, each dot's packing in big figures, the first dot ringed."""
    laid = findings.set_out
    if laid is None or not laid.screeds:
        raise OutputError(
            "setout.png",
            "no screed was set out",
            needed="at least one screed",
            remedy="Run flatscan setout on this wall",
        )
    figure, axes, box = titleblock.drawing(findings, "Set-out of screeds and dots", units, size)
    elevation.draw_wall(axes, findings)
    dots = [(screed.x, dot) for screed in laid.screeds for dot in screed.dots]
    for number, screed in enumerate(laid.screeds, 1):
        _screed(axes, number, screed.x, findings.wall.height)
    for x, dot in dots:
        start = dot.start_here
        axes.plot(
            x, dot.y, "o", markersize=13 if start else 8, markerfacecolor=PAPER, markeredgecolor=INK,
            markeredgewidth=3 if start else 1.2, zorder=8,
        )  # fmt: skip
        if len(dots) <= _MOST_FIGURES:
            _figure_beside(
                axes, x, dot.y, words.bare(dot.packing, units) if dot.packing is not None else "plumb on site"
            )
    titleblock.scale_bar(axes, units)
    left, bottom, wide, high = box
    top = bottom + high
    for text in _legend(findings, units):
        top = write(figure, left, top, text, size=9, room=min(wide, 3.6), lines=4, smallest=7) - 0.06
    titleblock.foot(figure, findings, units)
    return figure


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


def _legend(findings: Findings, units: str) -> list[str]:
    laid = findings.set_out
    assert laid is not None
    unit = "" if units == "in" else ", mm"
    said = [f"Figures: packing from the wall to the face at each dot{unit}."]
    starts = [(s.x, dot) for s in laid.screeds for dot in s.dots if dot.start_here]
    said += [f"Heavy ring: start here, {words.place((x, dot.y), units)}." for x, dot in starts[:1]]
    said.append(f"Straightedge {words.length(laid.rule, units)}.")
    doubts = [dot.u for screed in laid.screeds for dot in screed.dots if dot.u is not None]
    said += [f"Packing is good to {words.spread(max(doubts), units)}."] if doubts else []
    return [*said, *(words.sentence(note) for note in laid.notes)]


def low_map(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Low spots dotted, numbered, with depth and litres beside; ridges to shave as squares."""
    lows = findings.lows
    if lows is None:
        raise OutputError(
            "lows.png",
            "no list of lows",
            needed="a list of lows",
            remedy="Run flatscan lows on a scan made after ruling off",
        )
    figure, axes, box = titleblock.drawing(findings, "Low spots to fill", units, size)
    elevation.draw_wall(axes, findings)
    said = _low_places(axes, findings, units)
    spots = (
        *(tables.Spot(f"H{ridge.number}", ridge.x, ridge.y, ridge.depth, "shave") for ridge in findings.ridges),
        *(tables.Spot(f"L{low.number}", low.x, low.y, low.depth, f"{_litres(low, units)},") for low in lows),
    )
    elevation.mark_spots(axes, spots)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, (), spots, units, missing=False)
    titleblock.foot(figure, findings, units, said)
    return figure


def _low_places(axes: Axes, findings: Findings, units: str) -> str:
    """Dot what lies under the straightedge by more than the limit; without a map of gaps, a ring of each low's area."""
    from matplotlib.patches import Circle

    relief, gaps = findings.relief, findings.gaps
    clip = elevation.outline_patch(axes, findings.wall)
    deep = np.where(relief.valid, np.nan if gaps is None else gaps.deepest, np.nan)
    if relief.known_between and np.nanmax(deep, initial=0.0) > LIMIT:
        filled = axes.contourf(
            relief.x, relief.y, np.nan_to_num(deep), levels=[LIMIT, 1.0], colors=[_LOW], hatches=[".."], zorder=2
        )  # fmt: skip
        filled.set_clip_path(clip)
        return f"Dotted: more than {words.length(LIMIT, units, decimals=1)} under the straightedge."
    for low in findings.lows or ():
        ring = Circle((low.x, low.y), (low.area / math.pi) ** 0.5, facecolor=_LOW, edgecolor=INK, hatch="..", zorder=2)
        axes.add_patch(ring)
        ring.set_clip_path(clip)
    return "Rings are as big as the low's area, not its shape."


def _litres(low: Low, units: str) -> str:
    return words.volume(low.volume, 0.0, units, decimals=2)
