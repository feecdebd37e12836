"""PLY point clouds and meshes: binary of both byte orders and ASCII, any order and type of properties."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flatscan.capture.mesh import Mesh, mesh_source
from flatscan.capture.ply_header import Element, Header, read_header
from flatscan.capture.ply_lists import binary_faces, element_starts, face_element, text_faces
from flatscan.capture.registry import Format
from flatscan.capture.rows import BinaryRows, Layout, TextRows, last_row_doubt, short_lines
from flatscan.capture.source import PointSource, cut_off, damaged, float32_step
from flatscan.core.geometry import Array

_VERTEX = ("vertex", "vertices", "point", "points")


def open_ply(path: Path) -> PointSource:
    """A PLY file as a `PointSource`; raises `ReadError` where counts, layout and file size disagree."""
    header = read_header(path)
    vertex = header.element(*_VERTEX)
    if vertex is None:
        names = ", ".join(item.name for item in header.elements) or "none"
        raise damaged(path, f"no vertex element (elements: {names})", "an element vertex with x, y and z")
    columns = vertex.find("x", "y", "z")
    if columns is None or vertex.has_lists:
        names = ", ".join(item.name for item in vertex.properties)
        fault = "its points have lists of no fixed length" if columns else "its points have no x, y and z"
        raise damaged(path, f"{fault} (properties: {names})", "scalar properties x, y and z")
    return _ascii(path, header, vertex, columns) if header.order == "" else _binary(path, header, vertex, columns)


def _binary(path: Path, header: Header, vertex: Element, columns: list[str]) -> PointSource:
    starts = element_starts(path, header)
    normals = vertex.find("nx", "ny", "nz")
    rows = BinaryRows(path, vertex.record(header.order), starts[header.elements.index(vertex)], vertex.count,
                      tuple(columns), tuple(normals) if normals else None)  # fmt: skip
    warnings = _surplus(path.stat().st_size - starts[-1], vertex.count) + _splat_text(vertex)
    singles = all(rows.record[name].kind == "f" and rows.record[name].itemsize == 4 for name in columns)
    faces = face_element(header)
    if faces is not None:
        triangles = binary_faces(path, header, faces, starts[header.elements.index(faces)])
        mesh = Mesh(_all_points(rows), triangles, "PLY mesh, binary", warnings=warnings)
        return mesh_source(path, mesh, single=singles)
    step = _single_step(rows) if singles and vertex.count else None
    return PointSource("PLY, binary", vertex.count, rows.blocks, step=step, float32=singles, warnings=warnings)


def _all_points(rows: BinaryRows | TextRows) -> Array:
    return np.concatenate([block.points for block in rows.blocks()] or [np.empty((0, 3))])


def _single_step(rows: BinaryRows) -> Array:
    """Step of 32-bit coordinates, judged by the first block: what matters is how far from the origin they lie."""
    points = next(rows.blocks()).points
    with np.errstate(all="ignore"):
        finite = [part[part < np.inf] for part in np.abs(points).T]
        return float32_step(np.array([np.median(part) if len(part) else 0.0 for part in finite]))


def _surplus(extra: int, count: int) -> tuple[str, ...]:
    if extra <= 0:
        return ()
    return (f"the file holds {extra:,} bytes beyond the {count:,} points its header promises: not read",)


def _splat_text(vertex: Element) -> tuple[str, ...]:
    """A sentence for a model of blurred blobs, which keeps its colours as f_dc_0 and so on, beside their opacity."""
    if vertex.find("f_dc_0", "opacity") is None:
        return ()
    return ("a splat model: its points are the middles of blobs drawn to look right, not returns from a surface",)


def _ascii(path: Path, header: Header, vertex: Element, columns: list[str]) -> PointSource:
    with path.open("rb") as stream:
        head = stream.read(header.size).splitlines()
    least = sum(2 * len(item.properties) * item.count for item in header.elements) - 1
    held = path.stat().st_size - header.size
    if held < least:
        found = f"the header promises {vertex.count:,} points, the file holds {held:,} bytes of data"
        raise cut_off(path, found, f"at least {least:,} bytes")
    names = [item.name for item in vertex.properties]
    normals = vertex.find("nx", "ny", "nz") or []
    layout = Layout(len(names), tuple(map(names.index, columns)), tuple(map(names.index, normals)))
    # blank lines are passed over both in the header and in the rows
    skip = sum(bool(line.strip()) for line in head)
    rows = TextRows(path, skip + _rows_before(header, vertex), vertex.count, layout)
    extra = _lines_beyond(path, skip + sum(item.count for item in header.elements))
    faces = face_element(header)
    warnings = _splat_text(vertex) + last_row_doubt(path, None, whole_numbers=faces is not None)
    if extra:
        warnings += (f"the file holds {extra:,} lines beyond what its header promises: not read",)
    if faces is not None:
        triangles = text_faces(path, faces, skip + _rows_before(header, faces))
        mesh = Mesh(_all_points(rows), triangles, "PLY mesh, ASCII", warnings=warnings)
        return mesh_source(path, mesh, single=False)
    return PointSource("PLY, ASCII", vertex.count, rows.blocks, warnings=warnings)


def _rows_before(header: Header, element: Element) -> int:
    return sum(item.count for item in header.elements[: header.elements.index(element)])


def _lines_beyond(path: Path, count: int) -> int:
    """Lines that are not blank beyond the first ``count``; negative where there are fewer, which the rows tell."""
    with path.open("rb") as stream:
        return max(0, sum(not line.isspace() for line in short_lines(stream)) - count)


def _is_ply(head: bytes) -> bool:
    return head[:4] in (b"ply\n", b"ply\r")


FORMAT = Format("PLY", (".ply",), "points", _is_ply, open_ply)
