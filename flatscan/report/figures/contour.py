"""The sheet to look at first: where the wall stands proud and hollow, or how thick it will be, with its spots."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import OutputError
from flatscan.core.geometry import Array
from flatscan.report import tables, words
from flatscan.report.figures import elevation, titleblock
from flatscan.report.figures.bands import Band, build_up_bands, deviation_bands, gap_bands, line_levels
from flatscan.report.figures.style import A4
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def contour(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Build-up contour where a finish plane was placed, else relief contour, ``size`` in inches.

    A wall with nothing measured raises `OutputError`.
    """
    draw = relief_contour if findings.build_up is None else build_up_contour
    return draw(findings, units, size=size)


def relief_contour(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Deviation from the best-fit plane: lines for proud, dots for hollow, and the worst straightedge on it."""
    return _sheet(findings, *_relief(findings, units), units, size)


def build_up_contour(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Thickness from wall to finish plane at the steps that ask for a different way of working."""
    return _sheet(findings, *_build_up(findings, units), units, size)


def what_is_drawn(findings: Findings, units: str) -> tuple[str, Array, tuple[Band, ...]]:
    """Title, values (rows, cols) [m] and bands of the contour of these findings."""
    return (_relief if findings.build_up is None else _build_up)(findings, units)


def _relief(findings: Findings, units: str) -> tuple[str, Array, tuple[Band, ...]]:
    values = _measured(findings, findings.shape.residual)
    bands = deviation_bands(*_span(elevation.smoothed(values, findings.relief)), units)
    return "Proud and hollow, off the best-fit plane", values, bands


def _build_up(findings: Findings, units: str) -> tuple[str, Array, tuple[Band, ...]]:
    assert findings.build_up is not None
    values = _measured(findings, findings.build_up.thickness)
    bands = build_up_bands(*_span(elevation.smoothed(values, findings.relief)), units)
    return "Build-up to the finish plane", values, bands


def _span(values: Array) -> tuple[float, float]:
    return float(np.nanmin(values)), float(np.nanmax(values))


def _measured(findings: Findings, values: Array) -> Array:
    values = np.where(findings.relief.valid, values, np.nan)
    if not np.isfinite(values).any():
        raise OutputError(
            "contour.png",
            "the wall has no measured cell",
            needed="at least one measured cell or station",
            remedy="Check the region, the wall number and the capture",
        )
    return values


def _sheet(
    findings: Findings, title: str, values: Array, bands: tuple[Band, ...], units: str, size: tuple[float, float]
) -> Figure:
    figure, axes, box = titleblock.drawing(findings, title, units, size)
    _fill(axes, findings, values, bands, units, between=findings.build_up is not None)
    elevation.draw_wall(axes, findings)
    spots = tables.spots(findings)
    shown = None if findings.gaps is None or findings.build_up is not None else findings.gaps.judged()
    if shown is not None:
        mark = f"gap {words.length(abs(shown.value), units, decimals=1)}"
        elevation.draw_straightedge(axes, (shown.left, shown.right), mark)
    elevation.mark_spots(axes, spots, beside=not findings.relief.known_between)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, bands, spots, units, missing=_missing(findings))
    titleblock.foot(figure, findings, units, _how_drawn(findings, units))
    return figure


def _fill(
    axes: Axes, findings: Findings, values: Array, bands: tuple[Band, ...], units: str, *, between: bool = False
) -> None:
    """Fill the bands; ``between`` draws lines at round steps inside the bands too, where those are broad."""
    relief = findings.relief
    if not relief.known_between or min(values.shape) < 2:
        elevation.fill_stations(axes, findings, values, bands, units)
        return
    lines = line_levels(bands, *_span(elevation.smoothed(values, relief)), between=between)
    elevation.fill_cells(axes, findings, values, bands, lines, units)


def _missing(findings: Findings) -> bool:
    relief = findings.relief
    return relief.known_between and bool((relief.inside & ~relief.valid).any())


def _how_drawn(findings: Findings, units: str) -> str:
    if not findings.relief.known_between:
        return "Tones belong to each station's own part of the wall; between stations nothing was measured."
    over = words.length(elevation.DRAWN_OVER, units)
    return f"Contours are drawn through means over about {over}; the numbers are not."


def has_gaps(findings: Findings) -> bool:
    """Whether a map of gaps has anything to show: cells, and at least one of them under an evaluated straightedge."""
    gaps, relief = findings.gaps, findings.relief
    if gaps is None or gaps.worst is None or not relief.known_between:
        return False
    return bool(np.isfinite(gaps.deepest[relief.valid]).any())


def gap_map(findings: Findings, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """Deepest gap under the resting straightedge at every cell: white up to the limit, then toned by how far over."""
    gaps = findings.gaps
    if gaps is None or not np.isfinite(np.where(findings.relief.valid, gaps.deepest, np.nan)).any():
        raise OutputError(
            "gaps.png",
            "no gap under the straightedge could be evaluated",
            needed="at least one evaluated position",
            remedy="Use a shorter straightedge or a capture that covers more of the wall",
        )
    values = np.where(findings.relief.valid, gaps.deepest, np.nan)
    bands = gap_bands(flatness_limit(findings), float(np.nanmax(values)), units)
    title = f"Gap under a {words.length(gaps.rule, units)} straightedge, every place and direction"
    figure, axes, box = titleblock.drawing(findings, title, units, size)
    _fill(axes, findings, values, bands, units)
    elevation.draw_wall(axes, findings)
    if gaps.worst is not None:
        elevation.draw_straightedge(axes, (gaps.worst.left, gaps.worst.right))
    spots = tables.gap_spots(findings)
    elevation.mark_spots(axes, spots, beside=not findings.relief.known_between)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, bands, spots, units, missing=_missing(findings))
    titleblock.foot(figure, findings, units, _how_drawn(findings, units))
    return figure


def flatness_limit(findings: Findings) -> float | None:
    """The limit the flatness was judged by [m], None where it was not."""
    judged = () if findings.verdict is None else findings.verdict.criteria
    return next((c.limit for c in judged if c.name == "flatness"), None)
