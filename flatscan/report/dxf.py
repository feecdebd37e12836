"""A DXF drawing in millimetres: outline, openings, contours, spots, screeds and dots, each on a layer of its name."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from flatscan.core.errors import OutputError
from flatscan.core.notes import note
from flatscan.core.phrase import written
from flatscan.core.quantity import metres
from flatscan.report.drawings import BandedDrawing, SetOutDrawing
from flatscan.report.figures.elevation import contour_lines
from flatscan.report.model import Report
from flatscan.report.reporting import short_cautions
from flatscan.report.say import say

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts import Modelspace

# layer name, colour of the index every DXF reader knows, and its line weight in hundredths of a millimetre
LAYERS = (
    ("OUTLINE", 7, 50),
    ("OPENINGS", 7, 35),
    ("CONTOURS", 8, 13),
    ("CONTOUR_LABELS", 8, 13),
    ("SPOTS", 7, 25),
    ("STRAIGHTEDGE", 7, 50),
    ("SCREEDS", 7, 25),
    ("DOTS", 7, 35),
    ("NOTES", 7, 18),
)
_MM = 1000.0
_TEXT = 60.0


def write(report: Report, path: Path) -> None:
    """Write the drawing, x from the wall's left edge and y from its foot [mm]; the same findings give the same bytes.

    A contour's elevation is its level [mm]: build-up where a finish plane was placed, else off the best-fit plane.
    Without ezdxf (extra ``dxf``) raises `OutputError`.
    """
    try:
        import ezdxf
        from ezdxf import units
    except ImportError as error:
        raise OutputError(
            path.name, "ezdxf is not installed", needed="the extra for DXF", remedy="Install flatscan[dxf]"
        ) from error
    # no dates and no random identifiers, so that the same findings give the same bytes
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        drawing = ezdxf.new("R2010", units=units.MM)
        for name, colour, weight in LAYERS:
            drawing.layers.add(name, color=colour, lineweight=weight)
        _draw(report, drawing)
        with path.open("wt", encoding="utf-8", newline="\n") as stream:
            drawing.write(stream)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def _draw(report: Report, drawing: Drawing) -> None:
    space, maps = drawing.modelspace(), report.maps()
    relief = maps["relief"]
    wall = relief.on.wall
    space.add_lwpolyline(wall.outline * _MM, close=True, dxfattribs={"layer": "OUTLINE"})
    for hole in wall.openings:
        corners = [(hole.left, hole.bottom), (hole.right, hole.bottom), (hole.right, hole.top), (hole.left, hole.top)]
        space.add_lwpolyline(np.array(corners) * _MM, close=True, dxfattribs={"layer": "OPENINGS"})
    _contours(maps.get("build-up", relief), space)
    for spot in report.spots:
        space.add_circle((spot.x * _MM, spot.y * _MM), 40.0, dxfattribs={"layer": "SPOTS"})
        said = f"{spot.mark} {say(spot.what)} {spot.value * _MM:.1f}"
        _text(space, said, spot.x * _MM + 50, spot.y * _MM, "SPOTS")
    if relief.edge is not None:
        ends = np.array(relief.edge.ends) * _MM
        space.add_line(ends[0], ends[1], dxfattribs={"layer": "STRAIGHTEDGE"})
    for laid in report.drawings:
        if isinstance(laid, SetOutDrawing):
            _screeds(laid, space)
    missing = f"{say(note('report.not-examined', what=report.not_examined))}."
    notes = (report.name, report.record, missing)
    for number, text in enumerate((*short_cautions(report), *notes)):
        _text(space, say(text), 0.0, -200.0 - 100.0 * number, "NOTES")


def _contours(drawing: BandedDrawing, space: Modelspace) -> None:
    relief, values = drawing.on.relief, drawing.drawn
    if not drawing.on.on_cells or not np.isfinite(values).any():
        return
    for level, line in contour_lines(relief.x, relief.y, values, drawing.levels(between=True)):
        height = round(level * _MM, 3)
        space.add_lwpolyline(line * _MM, dxfattribs={"layer": "CONTOURS", "elevation": height})
        middle = line[len(line) // 2] * _MM
        _text(space, f"{height:g}", float(middle[0]), float(middle[1]), "CONTOUR_LABELS", 30.0)


def _screeds(laid: SetOutDrawing, space: Modelspace) -> None:
    for number, screed in enumerate(laid.screeds.screeds, 1):
        x, top = screed.x * _MM, laid.on.wall.height * _MM
        space.add_line((x, 0.0), (x, top), dxfattribs={"layer": "SCREEDS"})
        _text(space, f"{number}", x, top + 40, "SCREEDS")
        for dot in screed.dots:
            space.add_circle((x, dot.y * _MM), 30.0, dxfattribs={"layer": "DOTS"})
            said = say(note("drawing.plumb")) if dot.packing is None else written(metres(dot.packing), "bare")
            said += f" {say(note('report.start-here'))}" if dot.start_here else ""
            _text(space, said, x + 50, dot.y * _MM, "DOTS")


def _text(space: Modelspace, said: str, x: float, y: float, layer: str, height: float = _TEXT) -> None:
    # a caret or a percent pair starts a code in DXF text, a line break ends the field
    plain = " ".join(said.split()).replace("^", "^ ").replace("%%", "% %")
    space.add_text(plain, height=height, dxfattribs={"layer": layer, "insert": (x, y)})
