"""Sections through the wall, true in length and stretched across, with the straightedge where it rests worst."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import OutputError
from flatscan.core.geometry import Array, samples_within
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.units import METRES_PER, feet_and_inches
from flatscan.report.drawings import Line, Point, SectionsDrawing
from flatscan.report.figures.elevation import Rect
from flatscan.report.figures.style import FAINT, INK, after, font
from flatscan.report.say import say
from flatscan.straightedge.gaps import Gap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# a run of missing samples up to this long is bridged without contributing (methods/straightedge 6)
BRIDGE = 0.1
_SLACK = 1e-9
# a place this near to a line lies on it [m]
_ON_LINE = 1e-3
_LEFT, _UNDER, _GAP, _HIGHEST = 0.8, 0.55, 0.3, 2.4


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


def through(relief: Relief, line: Line, at: Point) -> Profile:
    """The wall along a line that runs through a place, which is one of the samples: a cell's centre stays one."""
    start, end = np.array(line[0]), np.array(line[1])
    length = float(np.hypot(*(end - start)))
    before = float(np.hypot(*(np.array(at) - start))) % relief.step
    first = start + before / max(length, _SLACK) * (end - start)
    found = sample(relief, (float(first[0]), float(first[1])), line[1])
    return replace(found, start=line[0], along=found.along + before)


def marked_on(section: Profile, gap: Gap) -> Rest | None:
    """A gap of the result as a straightedge on a section; None where it lies on another line."""
    start, end = np.array(section.start), np.array(section.end)
    ahead = (end - start) / max(float(np.hypot(*(end - start))), _SLACK)
    away = [np.array(place) - start for place in (gap.left, gap.right, gap.at)]
    if any(abs(ahead[0] * off[1] - ahead[1] * off[0]) > _ON_LINE for off in away):
        return None
    left, right, at = (float(off @ ahead) for off in away)
    return Rest(min(left, right), max(left, right), at, abs(gap.value))


def sections(figure: Figure, rect: Rect, drawing: SectionsDrawing, units: str) -> str:
    """Sections along the drawing's lines, one under the other; lines with nothing measured raise `OutputError`."""
    found = [_along(drawing, line) for line in drawing.lines]
    if not any(np.isfinite(section.wall).sum() > 1 for section in found):
        raise OutputError(
            "profiles",
            "nothing measured on the lines asked for",
            needed="lines on the measured wall",
            remedy="Choose other points",
        )
    wide, tall = figure.get_size_inches()
    high = min((rect[3] - _GAP * (len(found) - 1)) / len(found) - _UNDER, _HIGHEST)
    for number, section in enumerate(found):
        bottom = rect[1] + rect[3] - (number + 1) * (high + _UNDER) - number * _GAP + _UNDER
        box = ((rect[0] + _LEFT) / wide, bottom / tall, (rect[2] - _LEFT) / wide, high / tall)
        _section(figure.add_axes(box), section, drawing, units)
    return say(note("drawing.stretched"))


def _along(drawing: SectionsDrawing, line: Line) -> Profile:
    relief, marked = drawing.on.relief, drawing.marked
    (x0, y0), (x1, y1) = line
    if marked is None or abs((x1 - x0) * (marked.at[1] - y0) - (y1 - y0) * (marked.at[0] - x0)) > _ON_LINE:
        return sample(relief, *line)
    return through(relief, line, marked.at)


def shown_on(section: Profile, drawing: SectionsDrawing) -> tuple[Rest | None, bool]:
    """Where the straightedge lies on a section with the gap that is said, and whether it is balanced over it."""
    marked = None if drawing.marked is None else marked_on(section, drawing.marked)
    if marked is not None:
        return marked, drawing.lifted
    found = worst(section, drawing.on.rule)
    return (None if found is None else replace(found, gap=drawing.said(found.gap))), False


def _section(axes: Axes, section: Profile, drawing: SectionsDrawing, units: str) -> None:
    known = np.isfinite(section.wall)
    level = float(np.nanmedian(section.wall)) if known.any() else 0.0
    height = (section.wall - level) * 1000
    axes.fill_between(section.along, height, np.nanmin(height) - 2, color="#dddddd", linewidth=0, zorder=1)
    axes.plot(section.along, height, color=INK, linewidth=1.0, zorder=2)
    lowest, highest = float(np.nanmin(height)), float(np.nanmax(height))
    found, lifted = shown_on(section, drawing)
    if found is not None:
        gap = say(note("drawing.gap", gap=metres(found.gap)), units)
        lift = found.gap if lifted else 0.0
        highest = max(highest, _bar(axes, section, found, drawing.on.rule, level, gap, lift))
    # from edge to edge of the wall, though the first sample stands in from one
    right = float(np.hypot(section.end[0] - section.start[0], section.end[1] - section.start[1]))
    axes.set_xlim(0, right)
    axes.set_ylim(lowest - 2, highest + 0.25 * max(highest - lowest, 4) + 1)
    _scales(axes, section, units)


def _bar(axes: Axes, section: Profile, found: Rest, rule: float, level: float, gap: str, lift: float) -> float:
    """Draw the straightedge on its contacts, or lifted off them [m], with its ``gap``; returns its highest end [mm]."""
    left, right = (float(np.interp(at, section.along, section.wall)) for at in (found.left, found.right))
    slope = (right - left) / max(found.right - found.left, 1e-9)
    start = min(max((found.left + found.right - rule) / 2, 0.0), max(section.along[-1] - rule, 0.0))
    ends = np.array([start, min(start + rule, section.along[-1])])
    edge = (left + slope * (ends - found.left) - level + lift) * 1000
    axes.plot(ends, edge, color=INK, linewidth=4, solid_capstyle="butt", zorder=3)
    # balanced on a hump it stands off at both ends, else between its contacts
    for at in (found.left, found.right) if lift else (found.at,):
        under = (float(np.interp(at, section.along, section.wall)) - level) * 1000
        over = (left + slope * (at - found.left) - level + lift) * 1000
        axes.plot([at, at], [under, over], color=INK, linewidth=1.5, linestyle=(0, (2, 1)), zorder=4)
    axes.annotate(
        gap,
        (found.left, (left - level + lift) * 1000) if lift else (found.at, over),
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
