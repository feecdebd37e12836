"""Whole drawings of a wall: banded elevations, screeds and dots, low spots to fill, and sections."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import OutputError
from flatscan.core.geometry import Array, samples_within
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.phrase import command_line, written
from flatscan.core.quantity import metres
from flatscan.core.units import METRES_PER, feet_and_inches
from flatscan.plan.screeds import Screeds
from flatscan.report.drawings import BandedDrawing, LowDrawing, Point, SectionsDrawing, SetOutDrawing
from flatscan.report.figures import elevation, titleblock
from flatscan.report.figures.style import FAINT, INK, PAPER, after, font, write
from flatscan.report.say import finished, say

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flatscan.report.parts import Report

# common practice: screeds are 125 to 150 mm wide (methods/trade 2, printed)
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
    for text in (*_legend(laid, units), *(finished(words, units) for _, words in drawing.on.by_hand)):
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
        f"{number}",
        (x, height),
        xytext=(0, 4),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontproperties=font(9, "bold"),
        annotation_clip=False,
    )


def _figure_beside(axes: Axes, x: float, y: float, said: str) -> None:
    right = x < 0.8 * axes.get_xlim()[1]
    axes.annotate(
        said,
        (x, y),
        xytext=(9 if right else -9, 0),
        textcoords="offset points",
        ha="left" if right else "right",
        va="center",
        fontproperties=font(12, "bold"),
        zorder=9,
        bbox={"boxstyle": "round,pad=0.12", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.9},
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


def low_map(report: Report, drawing: LowDrawing, units: str, size: tuple[float, float]) -> Figure:
    """Low spots dotted, numbered, with depth and litres beside; ridges to shave as squares."""
    figure, axes, box = titleblock.drawing(report, drawing.on.wall, drawing.title, units, size)
    elevation.draw_wall(axes, drawing.on, units)
    said = _low_places(axes, drawing, units)
    elevation.mark_spots(axes, drawing.spots)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, (), drawing.spots, units, drawing.on)
    titleblock.foot(figure, report, units, said)
    return figure


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


# a run of missing samples up to this long is bridged without contributing (methods/straightedge 6)
BRIDGE = 0.1
_SLACK = 1e-9
_LEFT, _UNDER, _GAP = 0.8, 0.55, 0.75


@dataclass(frozen=True, slots=True)
class Rest:
    """Where a straightedge rests [m from the line's start]: its contacts, and the deepest gap between them."""

    left: float
    right: float
    at: float
    gap: float


@dataclass(frozen=True, eq=False)
class Profile:
    """The wall along a line from ``start`` to ``end``: ``along`` (n,) [m] from the start and ``wall`` (n,) [m].

    ``wall`` is NaN where nothing was measured. Samples lie one cell apart.
    """

    start: Point
    end: Point
    along: Array
    wall: Array


def sample(relief: Relief, start: Point, end: Point) -> Profile:
    """The wall along a line, bilinear between cells that were measured; raises `BadValue` for stations.

    A sample is missing where one of the cells it leans on is; on a cell's centre it is that cell's value.
    """
    return Profile(start, end, *relief.profile_along(start, end))


def profiles(report: Report, drawing: SectionsDrawing, units: str, size: tuple[float, float]) -> Figure:
    """Sections along the drawing's lines; lines with nothing measured on them raise `OutputError`."""
    sections = [sample(drawing.on.relief, *line) for line in drawing.lines]
    if not any(np.isfinite(section.wall).sum() > 1 for section in sections):
        raise OutputError(
            "profiles",
            "nothing measured on the lines asked for",
            needed="lines on the measured wall",
            remedy="Choose other points",
        )
    figure, rect = titleblock.framed(report, drawing.title, units, size)
    high = (rect[3] - _GAP * (len(sections) - 1)) / len(sections) - _UNDER
    for number, section in enumerate(sections):
        bottom = rect[1] + rect[3] - (number + 1) * (high + _UNDER) - number * _GAP + _UNDER
        box = ((rect[0] + _LEFT) / size[0], bottom / size[1], (rect[2] - _LEFT) / size[0], high / size[1])
        _section(figure.add_axes(box), section, drawing, units)
    titleblock.foot(figure, report, units, say(note("drawing.stretched")))
    return figure


def _section(axes: Axes, section: Profile, drawing: SectionsDrawing, units: str) -> None:
    known = np.isfinite(section.wall)
    level = float(np.nanmedian(section.wall)) if known.any() else 0.0
    height = (section.wall - level) * 1000
    axes.fill_between(section.along, height, np.nanmin(height) - 2, color="#dddddd", linewidth=0, zorder=1)
    axes.plot(section.along, height, color=INK, linewidth=1.0, zorder=2)
    lowest, highest = float(np.nanmin(height)), float(np.nanmax(height))
    rule = drawing.on.rule
    found = worst(section, rule)
    if found is not None:
        gap = say(note("drawing.gap", gap=metres(drawing.said(found.gap))), units)
        highest = max(highest, _bar(axes, section, found, rule, level, gap))
    axes.set_xlim(0, section.along[-1])
    axes.set_ylim(lowest - 2, highest + 0.25 * max(highest - lowest, 4) + 1)
    _scales(axes, section, units)


def _bar(axes: Axes, section: Profile, found: Rest, rule: float, level: float, gap: str) -> float:
    """Draw the straightedge on its contacts with its ``gap``; returns its highest end [mm]."""
    left, right = (float(np.interp(at, section.along, section.wall)) for at in (found.left, found.right))
    slope = (right - left) / max(found.right - found.left, 1e-9)
    start = min(max((found.left + found.right - rule) / 2, 0.0), max(section.along[-1] - rule, 0.0))
    ends = np.array([start, min(start + rule, section.along[-1])])
    edge = (left + slope * (ends - found.left) - level) * 1000
    axes.plot(ends, edge, color=INK, linewidth=4, solid_capstyle="butt", zorder=3)
    under = (float(np.interp(found.at, section.along, section.wall)) - level) * 1000
    over = (left + slope * (found.at - found.left) - level) * 1000
    axes.plot([found.at, found.at], [under, over], color=INK, linewidth=1.5, linestyle=(0, (2, 1)), zorder=4)
    axes.annotate(
        gap,
        (found.at, over),
        xytext=(0, 7),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontproperties=font(11, "bold"),
    )
    return float(edge.max())


def _scales(axes: Axes, section: Profile, units: str) -> None:
    (x0, y0), (x1, y1) = section.start, section.end
    level, upright = abs(y1 - y0) < 1e-9, abs(x1 - x0) < 1e-9
    start = x0 if level else (y0 if upright else 0.0)
    _ticks(axes, start, float(section.along[-1]), units)
    where: Note
    if level:
        where = note("drawing.level", height=metres(y0))
    elif upright:
        where = note("drawing.upright", across=metres(x0))
    else:
        where = note("drawing.slanting", start=section.start, end=section.end)
    axes.set_xlabel(say(where, units) + after(units))
    axes.set_ylabel(say(note("drawing.toward-room")) + after(units))
    axes.grid(axis="y", color=FAINT, linewidth=0.3)


def _ticks(axes: Axes, start: float, length: float, units: str) -> None:
    """Along in whole feet or round millimetres from ``start`` [m], across in sixteenths or as it comes."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    if units != "in":
        axes.xaxis.set_major_formatter(FuncFormatter(lambda at, _: f"{(at + start) * 1000:.0f}"))
        return
    foot, sixteenth = METRES_PER["ft"], METRES_PER["in"] / 16 * 1000
    axes.xaxis.set_major_locator(
        MultipleLocator(next((k * foot for k in (1, 2, 5) if length <= 9 * k * foot), 10 * foot))
    )
    axes.xaxis.set_major_formatter(FuncFormatter(lambda at, _: feet_and_inches(at + start)))
    low, high = axes.get_ylim()
    steps = (k * sixteenth for k in (1, 2, 4, 8, 16, 32, 64) if high - low <= 7 * k * sixteenth)
    axes.yaxis.set_major_locator(MultipleLocator(next(steps, 128 * sixteenth)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda at, _: feet_and_inches(at / 1000)))


def rest(profile: Profile) -> Rest | None:
    """How one straightedge over the whole line rests; None where it spans more than `BRIDGE` of missing wall.

    The upper hull of the samples (monotone chain, Andrew 1979); the gap is the deepest under any edge of it.
    """
    known = np.flatnonzero(np.isfinite(profile.wall))
    step = profile.along[1] - profile.along[0] if len(profile.along) > 1 else 0.0
    ends = len(known) > 1 and max(known[0], len(profile.along) - 1 - known[-1]) * step <= BRIDGE + _SLACK
    if not ends or (np.diff(known).max() - 1) * step > BRIDGE + _SLACK:
        return None
    return _hull_gap(profile.along[known], profile.wall[known])


def _hull_gap(at: Array, wall: Array) -> Rest:
    hull: list[int] = []
    for k in range(len(at)):
        while len(hull) > 1 and _hides(at, wall, hull[-2], hull[-1], k):
            hull.pop()
        hull.append(k)
    gap = np.interp(at, at[hull], wall[hull]) - wall
    deepest = int(gap.argmax())
    right = int(np.searchsorted(hull, deepest, side="right"))
    right = min(max(right, 1), len(hull) - 1)
    return Rest(float(at[hull[right - 1]]), float(at[hull[right]]), float(at[deepest]), float(max(gap[deepest], 0.0)))


def _hides(at: Array, wall: Array, a: int, b: int, c: int) -> bool:
    """Whether b does not stand above the line from a to c."""
    return bool((wall[b] - wall[a]) * (at[c] - at[a]) <= (wall[c] - wall[a]) * (at[b] - at[a]))


def worst(profile: Profile, rule: float) -> Rest | None:
    """Where a straightedge ``rule`` metres long has its deepest gap on the line; None where it can lie nowhere.

    Every window of the line is tried; on a line shorter than the rule the whole line is one window.
    """
    step = profile.along[1] - profile.along[0] if len(profile.along) > 1 else 0.0
    window = min(samples_within(rule, step), len(profile.along)) if step else 0
    best: Rest | None = None
    for first in range(len(profile.along) - window + 1 if window > 1 else 0):
        part = slice(first, first + window)
        found = rest(Profile(profile.start, profile.end, profile.along[part], profile.wall[part]))
        if found is not None and (best is None or found.gap > best.gap + _SLACK):
            best = found
    return best


def banded(report: Report, drawing: BandedDrawing, units: str, size: tuple[float, float]) -> Figure:
    """Bands filled in, contour lines on cells and numbers at stations, the straightedge where one is shown, spots.

    A wall with nothing measured raises `OutputError`.
    """
    bands, on = drawing.bands(units), drawing.on
    figure, axes, box = titleblock.drawing(report, on.wall, drawing.title, units, size)
    if on.on_cells:
        elevation.fill_cells(axes, drawing, units)
    else:
        elevation.fill_stations(axes, drawing, units)
    elevation.draw_wall(axes, on, units)
    if drawing.edge is not None:
        elevation.draw_straightedge(axes, drawing.edge, units)
    elevation.mark_spots(axes, drawing.spots, beside=not on.relief.known_between)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, bands, drawing.spots, units, on, missing=True)
    titleblock.foot(figure, report, units, say(drawing.how, units))
    return figure
