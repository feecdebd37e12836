"""Maps of the wall in bands: build-up, proud and hollow, gaps and changes, with their spots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan.report.drawings import BandedDrawing
from flatscan.report.figures import elevation, titleblock
from flatscan.report.say import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from flatscan.report.model import Report


def banded(report: Report, drawing: BandedDrawing, units: str, size: tuple[float, float]) -> Figure:
    """Bands filled in, contour lines on cells and numbers at stations, the straightedge where one is shown, spots.

    A wall with nothing measured raises `OutputError`.
    """
    bands, on = drawing.bands(units), drawing.on
    figure, axes, box = titleblock.drawing(report, on.wall, drawing.title, units, size)
    if on.on_cells:
        elevation.fill_cells(axes, drawing, units)
    else:
        elevation.fill_stations(axes, drawing, units)
    elevation.draw_wall(axes, on, units)
    if drawing.edge is not None:
        elevation.draw_straightedge(axes, drawing.edge, units)
    elevation.mark_spots(axes, drawing.spots, beside=not on.relief.known_between)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, bands, drawing.spots, units, missing=on.missing)
    titleblock.foot(figure, report, units, say(drawing.how, units))
    return figure
