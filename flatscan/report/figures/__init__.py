"""Drawings as matplotlib figures, never shown or saved here: each kind has its module, `draw` finds it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan.report.drawings import BandedDrawing, Drawing, LowDrawing, SectionsDrawing, SetOutDrawing
from flatscan.report.figures.style import A4

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from flatscan.report.figures.elevation import Rect
    from flatscan.report.parts import Report


def draw(
    report: Report, drawing: Drawing, units: str = "mm", *, size: tuple[float, float] = A4, footed: bool = False
) -> Figure:
    """One drawing of a report on a sheet of ``size`` [inches]; a wall with nothing measured raises `OutputError`.

    ``footed``: the sheet gets a foot of its own that says which file it is of.
    """
    from flatscan.report.figures import titleblock

    shown = {"but": ()} if isinstance(drawing, SetOutDrawing) else {}
    figure, rect = titleblock.framed(report, drawing.title, units, size, **shown)
    said = draw_in(figure, rect, drawing, units)
    titleblock.foot(figure, report, units, said, source=not footed)
    return figure


def draw_in(figure: Figure, rect: Rect, drawing: Drawing, units: str) -> str:
    """One drawing with its key into a rectangle [inches] of a figure; returns how it was drawn, in words."""
    from flatscan.report.figures import maps, section_line

    if isinstance(drawing, BandedDrawing):
        return maps.banded(figure, rect, drawing, units)
    if isinstance(drawing, SetOutDrawing):
        return maps.set_out(figure, rect, drawing, units)
    if isinstance(drawing, LowDrawing):
        return maps.low_map(figure, rect, drawing, units)
    assert isinstance(drawing, SectionsDrawing)
    return section_line.sections(figure, rect, drawing, units)
