"""Drawings as matplotlib figures, never shown or saved here: each kind has its module, `draw` finds it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan.report.drawings import (
    BandedDrawing,
    ChoiceBars,
    Drawing,
    GapHistogram,
    LowDrawing,
    SectionsDrawing,
    SetOutDrawing,
)
from flatscan.report.figures.style import A4

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from flatscan.report.parts import Report


def draw(report: Report, drawing: Drawing, units: str = "mm", *, size: tuple[float, float] = A4) -> Figure:
    """One drawing of a report on a sheet of ``size`` [inches]; a wall with nothing measured raises `OutputError`."""
    from flatscan.report.figures import bars, maps

    if isinstance(drawing, BandedDrawing):
        return maps.banded(report, drawing, units, size)
    if isinstance(drawing, SetOutDrawing):
        return maps.set_out(report, drawing, units, size)
    if isinstance(drawing, LowDrawing):
        return maps.low_map(report, drawing, units, size)
    if isinstance(drawing, SectionsDrawing):
        return maps.profiles(report, drawing, units, size)
    if isinstance(drawing, ChoiceBars):
        return bars.choice_bars(report, drawing, units, size)
    assert isinstance(drawing, GapHistogram)
    return bars.gap_histogram(report, drawing, units, size)
