"""Sections through a wall, much stretched across, with the straightedge drawn where it rests worst."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import OutputError
from flatscan.core.units import METRES_PER, feet_and_inches
from flatscan.report import words
from flatscan.report.figures import titleblock
from flatscan.report.figures.style import A4, FAINT, INK, font
from flatscan.report.profile import Point, Profile, Rest, sample, worst
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LEFT, _UNDER, _GAP = 0.8, 0.55, 0.75
_DEFAULT_RULE = 1.8


def profiles(
    findings: Findings,
    units: str = "mm",
    *,
    lines: tuple[tuple[Point, Point], ...] | None = None,
    size: tuple[float, float] = A4,
) -> Figure:
    """Sections along ``lines`` (pairs of points [m]); without them along and up through the worst place.

    Readings, and lines with nothing measured on them, raise `OutputError`.
    """
    if not findings.relief.known_between:
        raise OutputError(
            "profiles",
            "stations at free places",
            needed="a relief of cells",
            remedy="Read the contour of the stations instead",
        )
    sections = [sample(findings.relief, *line) for line in lines or through_the_worst(findings)]
    if not any(np.isfinite(section.wall).sum() > 1 for section in sections):
        raise OutputError(
            "profiles",
            "nothing measured on the lines asked for",
            needed="lines on the measured wall",
            remedy="Choose other points",
        )
    figure, rect = titleblock.framed(findings, "Sections through the wall", units, size)
    high = (rect[3] - _GAP * (len(sections) - 1)) / len(sections) - _UNDER
    for number, section in enumerate(sections):
        bottom = rect[1] + rect[3] - (number + 1) * (high + _UNDER) - number * _GAP + _UNDER
        box = ((rect[0] + _LEFT) / size[0], bottom / size[1], (rect[2] - _LEFT) / size[0], high / size[1])
        _section(figure.add_axes(box), findings, section, units)
    titleblock.foot(figure, findings, units, "Sections are stretched across the wall.")
    return figure


def can_be_drawn(findings: Findings) -> bool:
    """Whether a line through the worst place crosses enough of the measured wall for a section."""
    if not findings.relief.known_between:
        return False
    sections = (sample(findings.relief, *line) for line in through_the_worst(findings))
    return any(np.isfinite(section.wall).sum() > 1 for section in sections)


def through_the_worst(findings: Findings) -> tuple[tuple[Point, Point], ...]:
    """The level and the upright line through the place of the worst gap, or through the heaviest patch."""
    wall, gaps = findings.wall, findings.gaps
    at = (wall.width / 2, wall.height / 2)
    if findings.patches:
        heaviest = max(findings.patches, key=lambda patch: abs(patch.deviation))
        at = (heaviest.x, heaviest.y)
    if gaps is not None and gaps.worst is not None:
        at = gaps.worst.at
    return ((0.0, at[1]), (wall.width, at[1])), ((at[0], 0.0), (at[0], wall.height))


def _section(axes: Axes, findings: Findings, section: Profile, units: str) -> None:
    rule = _DEFAULT_RULE if findings.gaps is None else findings.gaps.rule
    known = np.isfinite(section.wall)
    level = float(np.nanmedian(section.wall)) if known.any() else 0.0
    height = (section.wall - level) * 1000
    axes.fill_between(section.along, height, np.nanmin(height) - 2, color="#dddddd", linewidth=0, zorder=1)
    axes.plot(section.along, height, color=INK, linewidth=1.0, zorder=2)
    lowest, highest = float(np.nanmin(height)), float(np.nanmax(height))
    found = worst(section, rule)
    if found is not None:
        highest = max(highest, _bar(axes, section, found, rule, level, units))
    axes.set_xlim(0, section.along[-1])
    axes.set_ylim(lowest - 2, highest + 0.25 * max(highest - lowest, 4) + 1)
    _scales(axes, section, units)


def _bar(axes: Axes, section: Profile, found: Rest, rule: float, level: float, units: str) -> float:
    """Draw the straightedge on its contacts with its gap; returns its highest end [mm]."""
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
        f"gap {words.length(found.gap, units, decimals=1)}",
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
    unit = "" if units == "in" else ", mm"
    if level:
        where = f"level, {words.length(y0, units)} up: from the left corner{unit}"
    elif upright:
        where = f"upright, {words.length(x0, units)} from the left: up from the floor{unit}"
    else:
        where = f"from {words.place(section.start, units)} to {words.place(section.end, units)}{unit}"
    axes.set_xlabel(where)
    axes.set_ylabel(f"toward the room{unit}")
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
