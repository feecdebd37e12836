"""Bars: what each choice of plane costs, and how the wall lies against the limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import OutputError
from flatscan.core.units import feet_and_inches
from flatscan.plan.choices import Choice
from flatscan.report import words
from flatscan.report.figures import titleblock
from flatscan.report.figures.bands import HOLLOW, NEUTRAL
from flatscan.report.figures.contour import flatness_limit
from flatscan.report.figures.lettering import wrapped
from flatscan.report.figures.style import A4, INK, font
from flatscan.report.say import say
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ASIDE, _UNDER = 2.9, 0.6


def choice_bars(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Volume of each choice of finish plane, with what it costs in plumb and square written on its bar."""
    choices = [choice for choice in findings.choices if choice.build_up is not None]
    if not choices:
        raise OutputError(
            "choices", "no choice to draw", needed="at least one choice", remedy="Work the choices out first"
        )
    figure, rect = titleblock.framed(findings, "What each choice of plane costs", units, size)
    high = min(rect[3] - _UNDER, 0.75 * len(choices) + 0.2)
    box = (rect[0] + _ASIDE, rect[1] + rect[3] - high, rect[2] - _ASIDE - 0.4, high)
    axes = figure.add_axes((box[0] / size[0], box[1] / size[1], box[2] / size[0], box[3] / size[1]))
    at = np.arange(len(choices))[::-1]
    litres = [0.0 if choice.build_up is None else choice.build_up.volume.value * 1000 for choice in choices]
    axes.barh(at, litres, height=0.6, color=HOLLOW[0], edgecolor=INK, hatch="..")
    axes.set_yticks(at, ["\n".join(wrapped(say(choice.name, units), _ASIDE - 0.2, 10)) for choice in choices])
    axes.set_xlim(0, 1.05 * max(litres) if max(litres) > 0 else 1)
    axes.set_xlabel("litres before waste")
    for y, choice, volume in zip(at, choices, litres, strict=True):
        said = _costs(choice, volume / 1000, units)
        axes.text(
            0.01 * axes.get_xlim()[1], y, said, va="center", fontproperties=font(10, "bold"),
            bbox={"boxstyle": "round,pad=0.2", "facecolor": "#ffffff", "edgecolor": "none"},
        )  # fmt: skip
    left_out = [
        f"{say(choice.name, units)}: {say(choice.reason, units)}"
        for choice in findings.choices
        if choice.reason is not None
    ]
    titleblock.foot(figure, findings, units, "; ".join(left_out))
    return figure


def _costs(choice: Choice, volume: float, units: str) -> str:
    """Litres, and what they are bought with."""
    parts = [words.volume(volume, 0.0, units)]
    for value, what in ((choice.out_of_plumb, "out of plumb"), (choice.out_of_square, "out of square")):
        if round(abs(value) * 1000, 1) > 0:
            parts.append(f"{words.length(abs(value), units, decimals=1)} {what}")
    return "; ".join(parts)


def gap_histogram(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Share of the wall by the deepest gap at each place, white up to the limit and dotted over it."""
    gaps, limit = findings.gaps, flatness_limit(findings)
    values = np.array([]) if gaps is None else gaps.deepest[findings.relief.valid & np.isfinite(gaps.deepest)]
    if not values.size:
        raise OutputError(
            "histogram",
            "no gap under the straightedge could be evaluated",
            needed="at least one evaluated position",
            remedy="Use a shorter straightedge or a capture that covers more of the wall",
        )
    step = next((s for s in (0.0005, 0.001, 0.002, 0.005, 0.01) if values.max() <= 30 * s), 0.02)
    edges = np.arange(0, np.ceil(values.max() / step + 1e-9) + 1) * step
    share = np.histogram(values, edges)[0] / values.size * 100
    figure, rect = titleblock.framed(findings, "How much of the wall lies how far off the straightedge", units, size)
    axes = figure.add_axes(
        (
            (rect[0] + 0.8) / size[0],
            (rect[1] + _UNDER) / size[1],
            (rect[2] - 0.8) / size[0],
            (rect[3] - _UNDER - 0.3) / size[1],
        )
    )
    for low, part in zip(edges, share, strict=False):
        over = limit is not None and low >= limit - 1e-9
        axes.bar(
            low * 1000, part, width=step * 1000, align="edge", color=HOLLOW[0] if over else NEUTRAL, edgecolor=INK,
            hatch=".." if over else None, linewidth=0.8,
        )  # fmt: skip
    if limit is not None:
        axes.axvline(limit * 1000, color=INK, linewidth=2.5)
        beyond = float(np.mean(values > limit) * 100)
        axes.annotate(
            f"limit {words.length(limit, units, decimals=1)}\n{beyond:.1f} % of the places over it", (limit * 1000, 1),
            xycoords=("data", "axes fraction"), xytext=(6, -4), textcoords="offset points", va="top",
            fontproperties=font(11, "bold"),
        )  # fmt: skip
    if units == "in":
        from matplotlib.ticker import FuncFormatter

        axes.xaxis.set_major_formatter(FuncFormatter(lambda at, _: feet_and_inches(at / 1000)))
    axes.set_xlabel("deepest gap at a place" + ("" if units == "in" else ", mm"))
    axes.set_ylabel("share of the places, %")
    titleblock.foot(figure, findings, units, "A share over the limit decides nothing: the largest gap with its ± does.")
    return figure
