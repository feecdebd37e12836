"""Files for other programs: CSV, PLY and DXF."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from flatscan.core.errors import OutputError
from flatscan.core.geometry import Array
from flatscan.core.notes import Caution, note
from flatscan.core.phrase import written
from flatscan.core.quantity import metres
from flatscan.report.bands import Spot, band_of, cut_of
from flatscan.report.drawings import BandedDrawing, SetOutDrawing
from flatscan.report.figures.elevation import contour_lines
from flatscan.report.parts import Report
from flatscan.report.reporting import short_cautions
from flatscan.report.say import say
from flatscan.report.tables import DECIMALS

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts import Modelspace

COLUMNS = ("x_mm", "y_mm", "offset_mm", "u_mm", "buildup_mm", "gap_mm")
_GREY = (0xC8, 0xC8, 0xC8)


def columns(report: Report) -> tuple[Array, ...]:
    """One (n,) array in mm for each of `COLUMNS`, for every cell on the outline that is not in an opening."""
    maps = report.maps()
    relief = maps["relief"].on.relief
    nothing = np.full(relief.offset.shape, np.nan)
    measured = [np.where(relief.valid, values, np.nan) for values in (relief.offset, relief.u)]
    drawn = [maps[name].values if name in maps else nothing for name in ("build-up", "gaps")]
    return tuple(values[relief.inside] * 1000 for values in (*relief.places, *measured, *drawn))


def offsets(report: Report) -> str:
    """The cells as a table; line breaks are single newlines so that the same input gives the same bytes."""
    # adding 0.0 makes minus zero zero
    rounded = [np.round(values, DECIMALS) + 0.0 for values in columns(report)]
    written = [["" if v != v else f"{v:.0f}" if v == int(v) else repr(v) for v in c.tolist()] for c in rounded]
    lines = [",".join(COLUMNS), *map(",".join, zip(*written, strict=True))]
    return "\n".join(lines) + "\n"


def spots(report: Report) -> str:
    """The numbered spots of the contour and of the gap map, one a line.

    Cautions stand before what they warn of, with the mark !, their words in the column of what is to be done.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("mark", "x_mm", "y_mm", "value_mm", "what", "once_all_mm"))
    writer.writerows(("!", "", "", "", say(one), "") for one in _warned(report))
    for spot in report.spots:
        place = (f"{length * 1000:.1f}" for length in (spot.x, spot.y, spot.value))
        writer.writerow((spot.mark, *place, say(spot.what), _deeper(spot)))
    return out.getvalue()


def _warned(report: Report) -> tuple[Caution, ...]:
    """Cautions of what the spots ask for: humps to cut, or ridges to shave and lows to fill."""
    asked = ("shave", "mix") if report.command == "lows" else ("hack",)
    return report.warned(*asked, "height", "all") if report.warned(*asked) else ()


def _deeper(spot: Spot) -> str:
    """The cut once all humps go [mm], empty where that is no other depth."""
    return "" if spot.once_all is None else f"{spot.once_all * 1000:.1f}"


def surface(report: Report, path: Path) -> None:
    """Write the surface in wall coordinates [m]: x right, y up, z toward the room; little-endian binary PLY.

    Vertices carry the tone of their gap's band (of their deviation where no gap was evaluated) and ``gap_mm``, NaN
    where none was. Readings make vertices without triangles. Nothing measured raises `OutputError`.
    """
    maps = report.maps()
    drawing = maps.get("gaps", maps["relief"])
    tones = _tones(drawing)
    relief, valid = drawing.on.relief, drawing.on.relief.valid
    across, up = relief.places
    deepest = maps["gaps"].values if "gaps" in maps else np.full(valid.shape, np.nan)
    layout = [
        ("x", "<f4"),
        ("y", "<f4"),
        ("z", "<f4"),
        ("red", "u1"),
        ("green", "u1"),
        ("blue", "u1"),
        ("gap_mm", "<f4"),
    ]
    vertices = np.empty(int(valid.sum()), dtype=layout)
    vertices["x"], vertices["y"], vertices["z"] = across[valid], up[valid], relief.offset[valid]
    vertices["red"], vertices["green"], vertices["blue"] = tones[valid].T
    vertices["gap_mm"] = deepest[valid] * 1000
    faces = _triangles(valid) if relief.known_between else np.empty((0, 3), "<i4")
    packed = np.empty(len(faces), dtype=[("count", "u1"), ("corners", "<i4", (3,))])
    packed["count"], packed["corners"] = 3, faces
    with path.open("wb") as stream:
        stream.write(_header(len(vertices), len(faces)).encode("ascii"))
        stream.write(vertices.tobytes())
        stream.write(packed.tobytes())


def _header(vertices: int, faces: int) -> str:
    named = ("float x", "float y", "float z", "uchar red", "uchar green", "uchar blue", "float gap_mm")
    properties = "".join(f"property {name}\n" for name in named)
    return (
        "ply\nformat binary_little_endian 1.0\n"
        "comment wall coordinates in metres: x right, y up, z toward the room; gap_mm under the straightedge\n"
        f"element vertex {vertices}\n{properties}"
        f"element face {faces}\nproperty list uchar int vertex_indices\nend_header\n"
    )


def _triangles(valid: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Two triangles for each square of four measured cells, facing the room (counter-clockwise seen from it)."""
    number = np.full(valid.shape, -1, dtype=np.int32)
    number[valid] = np.arange(int(valid.sum()), dtype=np.int32)
    whole = valid[:-1, :-1] & valid[:-1, 1:] & valid[1:, :-1] & valid[1:, 1:]
    low_left, low_right = number[:-1, :-1][whole], number[:-1, 1:][whole]
    top_left, top_right = number[1:, :-1][whole], number[1:, 1:][whole]
    return np.concatenate(
        [np.stack([low_left, low_right, top_right], axis=1), np.stack([low_left, top_right, top_left], axis=1)]
    )


def _tones(drawing: BandedDrawing) -> NDArray[np.uint8]:
    """The tone of each place's band (rows, cols, 3), grey where nothing is known."""
    bands = drawing.bands()
    palette = np.array([[int(band.colour[k : k + 2], 16) for k in (1, 3, 5)] for band in bands] + [_GREY], np.uint8)
    known = np.isfinite(drawing.values)
    return palette[np.where(known, band_of(np.nan_to_num(drawing.values), bands), len(bands))]


# layer name, colour of the index every DXF reader knows, and its line weight in hundredths of a millimetre
LAYERS = (
    ("OUTLINE", 7, 50),
    ("OPENINGS", 7, 35),
    ("POCKETS", 7, 25),
    ("SKIPS", 7, 25),
    ("OBJECTS", 8, 25),
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


def write_dxf(report: Report, path: Path) -> None:
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
        # the library lists them in an order that changes from one process to another
        listed = drawing.classes
        listed.add_required_classes(drawing.dxfversion)
        listed.classes = dict(sorted(listed.classes.items()))
        with path.open("wt", encoding="utf-8", newline="\n") as stream:
            drawing.write(stream)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def _draw(report: Report, drawing: Drawing) -> None:
    space, maps = drawing.modelspace(), report.maps()
    # first in the file, as they stand before what they warn of
    cautions = short_cautions(report)
    for number, text in enumerate(cautions):
        _text(space, say(text), 0.0, -200.0 - 100.0 * number, "NOTES")
    relief = maps["relief"]
    wall = relief.on.wall
    space.add_lwpolyline(wall.whole * _MM, close=True, dxfattribs={"layer": "OUTLINE"})
    for hole in wall.cut_out:
        layer = "POCKETS" if hole in wall.pockets else "SKIPS" if hole in wall.skips else "OPENINGS"
        corners = [(hole.left, hole.bottom), (hole.right, hole.bottom), (hole.right, hole.top), (hole.left, hole.top)]
        space.add_lwpolyline(np.array(corners) * _MM, close=True, dxfattribs={"layer": layer})
    for it in wall.objects:
        left, bottom = it.x - it.width / 2, it.y - it.height / 2
        right, top = left + it.width, bottom + it.height
        corners = [(left, bottom), (right, bottom), (right, top), (left, top)]
        space.add_lwpolyline(np.array(corners) * _MM, close=True, dxfattribs={"layer": "OBJECTS"})
        code = "drawing.object-doubtful" if it.state == "doubtful" else "drawing.object"
        _text(space, say(note(code, number=it.number)), left * _MM + 10, top * _MM - 40, "OBJECTS")
    _contours(maps.get("build-up", relief), space)
    for spot in report.spots:
        space.add_circle((spot.x * _MM, spot.y * _MM), 40.0, dxfattribs={"layer": "SPOTS"})
        deep = f"{spot.value * _MM:.1f}" if spot.once_all is None else say(cut_of(spot.value, spot.once_all))
        said = f"{spot.mark} {say(spot.what)} {deep}"
        _text(space, said, spot.x * _MM + 50, spot.y * _MM, "SPOTS")
    if relief.edge is not None:
        ends = np.array(relief.edge.ends) * _MM
        space.add_line(ends[0], ends[1], dxfattribs={"layer": "STRAIGHTEDGE"})
    for laid in report.drawings:
        if isinstance(laid, SetOutDrawing):
            _screeds(laid, space)
    missing = f"{say(note('report.not-examined', what=report.not_examined))}."
    notes = (report.name, report.record, missing)
    for number, text in enumerate(notes, len(cautions)):
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
        # a screed ends where an opening, a pocket or what is not to be plastered begins
        for low, high in screed.runs or ((0.0, laid.on.wall.height),):
            space.add_line((x, low * _MM), (x, high * _MM), dxfattribs={"layer": "SCREEDS"})
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
