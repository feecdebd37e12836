"""The wall's surface as a binary PLY of vertices and triangles, toned by its gap, for any viewer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.core.errors import OutputError
from flatscan.core.geometry import Array
from flatscan.report.figures.bands import Band, deviation_bands, gap_bands
from flatscan.report.figures.contour import flatness_limit
from flatscan.report.view import Findings

_GREY = (0xC8, 0xC8, 0xC8)


def write(findings: Findings, path: Path) -> None:
    """Write the surface in wall coordinates [m]: x right, y up, z toward the room; little-endian binary PLY.

    Vertices carry the tone of their gap's band (of their deviation where no gap was evaluated) and ``gap_mm``, NaN
    where none was. Readings make vertices without triangles. Nothing measured raises `OutputError`.
    """
    relief, gaps = findings.relief, findings.gaps
    valid = relief.valid
    if not valid.any():
        raise OutputError(
            path.name,
            "the wall has no measured cell",
            needed="at least one measured cell or station",
            remedy="Check the region, the wall number and the capture",
        )
    across, up = relief.places
    deepest = np.full(valid.shape, np.nan) if gaps is None else gaps.deepest
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
    tones = _tones(findings, deepest)[valid]
    vertices["red"], vertices["green"], vertices["blue"] = tones.T
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


def _tones(findings: Findings, deepest: Array) -> NDArray[np.uint8]:
    values = deepest
    choose: tuple[Band, ...]
    if np.isfinite(deepest).any():
        choose = gap_bands(flatness_limit(findings), float(np.nanmax(deepest)))
    else:
        values = findings.shape.residual
        known = values[findings.relief.valid]
        choose = deviation_bands(float(np.nanmin(known)), float(np.nanmax(known)))
    palette = np.array([[int(band.colour[k : k + 2], 16) for k in (1, 3, 5)] for band in choose] + [_GREY], np.uint8)
    band = np.digitize(np.nan_to_num(values), [band.high for band in choose[:-1]])
    return palette[np.where(np.isfinite(values), band, len(choose))]
