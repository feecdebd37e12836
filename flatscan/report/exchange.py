"""The wall for other people's tools: offsets.csv and spots.csv for a spreadsheet, wall.ply for any viewer.

offsets.csv holds a header line, then one line a cell or station from the foot up and from left to right: x_mm, y_mm
(its centre from the wall's left edge and foot), offset_mm (from the wall's own upright plane, + proud), u_mm (random
standard uncertainty), buildup_mm (to the finish plane), gap_mm (deepest under a straightedge). Empty: not measured, or
not asked for. spots.csv holds the numbered spots of the drawings: mark, x_mm, y_mm, value_mm, what. wall.ply is the
surface as vertices and triangles, toned by its gap.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array
from flatscan.report.bands import band_of
from flatscan.report.drawings import BandedDrawing
from flatscan.report.model import Report
from flatscan.report.numbers import DECIMALS
from flatscan.report.say import say

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
    """The text of offsets.csv; line breaks are single newlines so that the same input gives the same bytes."""
    # adding 0.0 makes minus zero zero
    rounded = [np.round(values, DECIMALS) + 0.0 for values in columns(report)]
    written = [["" if v != v else f"{v:.0f}" if v == int(v) else repr(v) for v in c.tolist()] for c in rounded]
    lines = [",".join(COLUMNS), *map(",".join, zip(*written, strict=True))]
    return "\n".join(lines) + "\n"


def spots(report: Report) -> str:
    """The text of spots.csv: the numbered spots of the contour and of the gap map, one a line."""
    lines = [
        f"{s.mark},{s.x * 1000:.1f},{s.y * 1000:.1f},{s.value * 1000:.1f},{say(s.what).replace(',', '')}"
        for s in report.spots
    ]
    return "\n".join(("mark,x_mm,y_mm,value_mm,what", *lines)) + "\n"


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
