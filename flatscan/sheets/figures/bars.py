"""Bars: what each choice of plane costs, and how the wall lies against the limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from flatscan.errors import OutputError
from flatscan.sheets import words
from flatscan.sheets.figures import titleblock
from flatscan.sheets.figures.bands import HOLLOW, NEUTRAL
from flatscan.sheets.figures.contour import flatness_limit
from flatscan.sheets.figures.style import A4, INK, font
from flatscan.survey import Findings
from flatscan.units import feet_and_inches

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ASIDE, _UNDER = 2.9, 0.6


@dataclass(frozen=True, slots=True)
class Choice:
    """One way to place the finish plane: its name, volume [m3], and what it costs in plumb or square, in words."""

    name: str
    volume: float
    costs: str = ""


def choice_bars(
    findings: Findings, choices: tuple[Choice, ...], units: str = "mm", *, size: tuple[float, float] = A4
) -> Figure:
    """Volume of each choice of finish plane, with what it costs in plumb or square written on its bar."""
    if not choices:
        raise OutputError(
            "choices", "no choice to draw", needed="at least one choice", remedy="Work the choices out first"
        )
    figure, rect = titleblock.framed(findings, "What each choice of plane costs", units, size)
    box = ((rect[0] + _ASIDE) / size[0], (rect[1] + _UNDER) / size[1], (rect[2] - _ASIDE - 0.4) / size[0])
    high = min(rect[3] - _UNDER, 0.75 * len(choices) + 0.2)
    axes = figure.add_axes((box[0], (rect[1] + rect[3] - high) / size[1], box[2], high / size[1]))
    at = np.arange(len(choices))[::-1]
    litres = [choice.volume * 1000 for choice in choices]
    axes.barh(at, litres, height=0.6, color=HOLLOW[0], edgecolor=INK, hatch="..")
    axes.set_yticks(at, [choice.name for choice in choices])
    axes.set_xlim(0, 1.05 * max(litres) if max(litres) > 0 else 1)
    axes.set_xlabel("litres before waste")
    for y, choice in zip(at, choices, strict=True):
        said = words.volume(choice.volume, 0.0, units) + (f"; {choice.costs}" if choice.costs else "")
        axes.text(
            0.01 * axes.get_xlim()[1], y, said, va="center", fontproperties=font(10, "bold"),
            bbox={"boxstyle": "round,pad=0.2", "facecolor": "#ffffff", "edgecolor": "none"},
        )  # fmt: skip
    titleblock.foot(figure, findings, units)
    return figure


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
