"""Elevations to work from: screeds and dots with their packing, and the low spots to fill."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan.errors import OutputError
from flatscan.lows import Low
from flatscan.sheets import tables, words
from flatscan.sheets.figures import elevation, titleblock
from flatscan.sheets.figures.lettering import write
from flatscan.sheets.figures.style import A4, FAINT, INK, PAPER, font
from flatscan.survey import Findings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# common practice: screeds are 125 to 150 mm wide (TRADE, Setting out, printed)
_SCREED_WIDE = 0.14
_MOST_FIGURES = 60


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
    """Low spots as rings of their area, numbered, with depth and litres beside; ridges to shave as squares."""
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
    from matplotlib.patches import Circle

    for low in lows:
        radius = (low.area / 3.141592653589793) ** 0.5
        ring = Circle((low.x, low.y), radius, facecolor="#d8e4ef", edgecolor=INK, hatch="..", zorder=2, linewidth=0.8)
        axes.add_patch(ring)
        ring.set_clip_path(elevation.outline_patch(axes, findings.wall))
    spots = (
        *(tables.Spot(f"H{ridge.number}", ridge.x, ridge.y, ridge.depth, "shave") for ridge in findings.ridges),
        *(tables.Spot(f"L{low.number}", low.x, low.y, low.depth, f"{_litres(low, units)},") for low in lows),
    )
    elevation.mark_spots(axes, spots)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, (), spots, units, missing=False)
    titleblock.foot(figure, findings, units, "Rings are as big as the low's area, not its shape.")
    return figure


def _litres(low: Low, units: str) -> str:
    return words.volume(low.volume, 0.0, units, decimals=2)
