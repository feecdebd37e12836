"""Bars: what each choice of plane costs, and how the wall lies against the limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, cubic_metres, metres, share
from flatscan.core.units import METRES_PER, feet_and_inches, volume_scale
from flatscan.plan.other_planes import Choice
from flatscan.report.bands import HOLLOW, NEUTRAL
from flatscan.report.drawings import ChoiceBars, GapHistogram
from flatscan.report.figures import titleblock
from flatscan.report.figures.style import INK, after, font, wrapped
from flatscan.report.say import say
from flatscan.report.tables import shows

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flatscan.report.parts import Report

_ASIDE, _UNDER = 2.9, 0.6
# widths of a histogram's bars, and how many labels its axis has room for
_STEPS_MM = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
_STEPS_IN = (1 / 64, 1 / 32, 1 / 16, 1 / 8, 1 / 4, 1 / 2, 1.0)
_MOST_LABELS = 10


def choice_bars(report: Report, drawing: ChoiceBars, units: str, size: tuple[float, float]) -> Figure:
    """Volume of each choice of finish plane, with what it costs in plumb and square written on its bar."""
    choices = drawing.choices
    figure, rect = titleblock.framed(report, drawing.title, units, size)
    high = min(rect[3] - _UNDER, 0.75 * len(choices) + 0.2)
    box = (rect[0] + _ASIDE, rect[1] + rect[3] - high, rect[2] - _ASIDE - 0.4, high)
    axes = figure.add_axes((box[0] / size[0], box[1] / size[1], box[2] / size[0], box[3] / size[1]))
    at = np.arange(len(choices))[::-1]
    scale, unit = volume_scale(units)
    volumes = [0.0 if choice.build_up is None else choice.build_up.volume.value for choice in choices]
    axes.barh(at, [volume * scale for volume in volumes], height=0.6, color=HOLLOW[0], edgecolor=INK, hatch="..")
    axes.set_yticks(at, ["\n".join(wrapped(say(choice.name, units), _ASIDE - 0.2, 10)) for choice in choices])
    axes.set_xlim(0, 1.05 * max(volumes) * scale if max(volumes) > 0 else 1)
    axes.set_xlabel(f"{unit} {say(note('drawing.before-waste'))}")
    bubble = {"boxstyle": "round,pad=0.2", "facecolor": "#ffffff", "edgecolor": "none"}
    for y, choice, volume in zip(at, choices, volumes, strict=True):
        costs = say(_costs(choice, volume), units)
        axes.text(0.01 * axes.get_xlim()[1], y, costs, va="center", fontproperties=font(10, "bold"), bbox=bubble)
    left_out = [f"{say(name, units)}: {say(reason, units)}" for name, reason in drawing.left_out]
    titleblock.foot(figure, report, units, "; ".join(left_out))
    return figure


def _costs(choice: Choice, volume: float) -> Note:
    """The volume, and what it is bought with."""
    parts = [note("drawing.volume", volume=cubic_metres(volume))]
    for value, code in (
        (choice.out_of_plumb, "drawing.out-of-plumb"),
        (choice.out_of_square, "drawing.out-of-square"),
    ):
        if shows(value):
            parts.append(note(code, by=metres(abs(value))))
    return note("drawing.costs", parts=tuple(parts))


def gap_histogram(report: Report, drawing: GapHistogram, units: str, size: tuple[float, float]) -> Figure:
    """Share of the wall by the deepest gap at each place, white up to the limit and dotted over it."""
    values, limit = drawing.values, drawing.limit
    unit = METRES_PER["in" if units == "in" else "mm"]
    steps = [step * unit for step in (_STEPS_IN if units == "in" else _STEPS_MM)]
    step = next((s for s in steps if values.max() <= 30 * s), steps[-1])
    edges = np.arange(0, np.ceil(values.max() / step + 1e-9) + 1) * step
    parts = np.histogram(values, edges)[0] / values.size * 100
    figure, rect = titleblock.framed(report, drawing.title, units, size)
    box = (rect[0] + 0.8, rect[1] + _UNDER, rect[2] - 0.8, rect[3] - _UNDER - 0.3)
    axes = figure.add_axes((box[0] / size[0], box[1] / size[1], box[2] / size[0], box[3] / size[1]))
    for low, part in zip(edges, parts, strict=False):
        over = limit is not None and low >= limit - 1e-9
        axes.bar(
            low / unit,
            part,
            width=step / unit,
            align="edge",
            color=HOLLOW[0] if over else NEUTRAL,
            edgecolor=INK,
            hatch=".." if over else None,
            linewidth=0.8,
        )
    if limit is not None:
        _limit_line(axes, limit / unit, metres(limit), float(np.mean(values > limit)), units)
    if units == "in":
        from matplotlib.ticker import FuncFormatter, MultipleLocator

        # no label between the sixteenths that a tape has
        apart = max(1 / 16, step / unit * 2 ** np.ceil(np.log2(max(1, len(edges) / _MOST_LABELS))))
        axes.xaxis.set_major_locator(MultipleLocator(apart))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda at, _: feet_and_inches(at * unit)))
    axes.set_xlabel(say(note("drawing.deepest")) + after(units))
    axes.set_ylabel(say(note("drawing.share")))
    titleblock.foot(figure, report, units, say(note("drawing.share-decides-nothing"), units))
    return figure


def _limit_line(axes: Axes, at: float, limit: Quantity, over: float, units: str) -> None:
    axes.axvline(at, color=INK, linewidth=2.5)
    axes.annotate(
        say(note("drawing.limit-over", limit=limit, over=share(over)), units),
        (at, 1),
        xycoords=("data", "axes fraction"),
        xytext=(6, -4),
        textcoords="offset points",
        va="top",
        fontproperties=font(11, "bold"),
    )
