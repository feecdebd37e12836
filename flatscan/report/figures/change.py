"""Before and after: what lies between two surveys of one wall, and where it is less than can be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import MixedSurveys
from flatscan.core.geometry import Array
from flatscan.report import tables, words
from flatscan.report.figures import elevation, titleblock
from flatscan.report.figures.bands import deviation_bands, line_levels
from flatscan.report.figures.style import A4
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

K = 1.96


def before_after(
    earlier: Findings,
    later: Findings,
    units: str = "mm",
    *,
    detection: Array | None = None,
    size: tuple[float, float] = A4,
) -> Figure:
    """Later less earlier wall (both in one frame): lines where material came on, dots where it went.

    ``detection`` (rows, cols) [m] is the least change that can be told at each place; without it both surveys' random
    uncertainties at k = 1.96. Cells under it are drawn neutral. Reliefs of different cells raise `MixedSurveys`.
    """
    first, second = earlier.relief, later.relief
    if not first.known_between or first.step != second.step or first.offset.shape != second.offset.shape:
        raise MixedSurveys(
            f"{earlier.origin.file} and {later.origin.file}",
            f"grids of {first.offset.shape} and {second.offset.shape} cells",
            needed="two reliefs on the same cells",
            remedy="Survey both with the same --cell and the same wall",
        )
    change = np.where(first.valid & second.valid, second.offset - first.offset, np.nan)
    if not np.isfinite(change).any():
        raise MixedSurveys(
            f"{earlier.origin.file} and {later.origin.file}",
            "no place measured in both",
            needed="an overlap",
            remedy="Check that both show the same wall",
        )
    least = K * np.hypot(first.u, second.u) if detection is None else detection
    told = np.where(np.abs(change) > least, change, np.where(np.isfinite(change), 0.0, np.nan))
    return _draw(later, told, float(np.nanmedian(least)), units, size)


def _draw(later: Findings, told: Array, least: float, units: str, size: tuple[float, float]) -> Figure:

    drawn = elevation.smoothed(told, later.relief)
    low, high = float(np.nanmin(drawn)), float(np.nanmax(drawn))
    bands = deviation_bands(low, high, units, grown=True)
    figure, axes, box = titleblock.drawing(later, "Change between two surveys", units, size)
    elevation.fill_cells(axes, later, told, bands, line_levels(bands, low, high), units)
    elevation.draw_wall(axes, later)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, bands, _greatest(later, told), units, missing=True)
    limit = words.length(least, units, decimals=1)
    titleblock.foot(figure, later, units, f"Changes under about {limit} cannot be told from noise and are left white.")
    return figure


def _greatest(later: Findings, told: Array) -> tuple[tables.Spot, ...]:
    across, up = later.relief.places
    found = []
    for mark, sign, what in (("H1", 1, "came on"), ("L1", -1, "went off")):
        values = np.where(np.isfinite(told), told * sign, -np.inf)
        k = int(values.argmax())
        if values.flat[k] > 0:
            found.append(tables.Spot(mark, float(across.flat[k]), float(up.flat[k]), float(values.flat[k]), what))
    return tuple(found)
