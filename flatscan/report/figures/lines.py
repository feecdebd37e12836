"""Contour lines as polylines, for the drawings and for the drawing office, and their labels."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, cast

import numpy as np

from flatscan.core.geometry import Array, Mask
from flatscan.core.units import feet_and_inches
from flatscan.report.figures.style import INK, PAPER, font

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.patches import PathPatch

# shorter lines are the noise of the surface and not its shape
SHORTEST = 0.35


def contour_lines(
    x: Array, y: Array, z: Array, levels: list[float], *, shortest: float = SHORTEST
) -> Iterator[tuple[float, Array]]:
    """Level and polyline (n, 2) of every contour of ``z`` (rows, cols) at least ``shortest`` metres long.

    ``x`` (cols,) and ``y`` (rows,) are the centres; a line ends where z is NaN (marching squares of contourpy).
    """
    from contourpy import contour_generator

    maker = contour_generator(x, y, np.ma.masked_invalid(z))
    for level in levels:
        for line in cast("list[Array]", maker.lines(level)):
            if np.hypot(*np.diff(line, axis=0).T).sum() >= shortest:
                yield level, line


def draw_lines(
    axes: Axes, lines: list[tuple[float, Array]], clip: PathPatch, keep_off: Mask, cell: tuple[Array, Array], units: str
) -> None:
    """Thin lines, each with its level in mm at the place nearest its middle that is not covered."""
    from matplotlib.collections import LineCollection

    drawn = LineCollection([line for _, line in lines], colors=INK, linewidths=0.4, zorder=2)
    axes.add_collection(drawn, autolim=False)
    drawn.set_clip_path(clip)
    taken: list[Array] = []
    apart = 0.07 * max(axes.get_xlim()[1], axes.get_ylim()[1])
    for level, line in sorted(lines, key=lambda found: -len(found[1])):
        at = _label_place(line, keep_off, cell, taken, apart)
        if at is not None:
            taken.append(at)
            axes.text(
                at[0],
                at[1],
                feet_and_inches(level) if units == "in" else f"{level * 1000:g}".replace("-", "−"),
                ha="center",
                va="center",
                zorder=2.5,
                fontproperties=font(7),
                bbox={"boxstyle": "round,pad=0.1", "facecolor": PAPER, "edgecolor": "none"},
            )


def _label_place(
    line: Array, keep_off: Mask, cell: tuple[Array, Array], taken: list[Array], apart: float
) -> Array | None:
    x, y = cell
    half = len(line) // 2
    for step in range(0, half, max(1, half // 12)):
        for at in (line[half - step], line[min(half + step, len(line) - 1)]):
            col, row = np.searchsorted(x, at[0]) - 1, np.searchsorted(y, at[1]) - 1
            covered = keep_off[min(max(row, 0), len(y) - 1), min(max(col, 0), len(x) - 1)]
            edge = min(at[0] - x[0], x[-1] - at[0], at[1] - y[0], y[-1] - at[1])
            if not covered and edge > apart / 3 and all(np.hypot(*(at - other)) > apart for other in taken):
                return at
    return None
