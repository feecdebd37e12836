"""Meshes: OBJ and STL files, and points drawn evenly by area on any mesh of triangles."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.checks import file_step
from flatscan.capture.registry import Format
from flatscan.capture.source import (
    BLOCK,
    LONGEST_LINE,
    Block,
    Normals,
    PointSource,
    Rows,
    cut_off,
    damaged,
    float32_step,
    line_too_long,
    short_lines,
)
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share

Triangles = NDArray[np.int64]
POINTS = 1_000_000
_SEED = 20_262
# a capture's triangles are a few centimetres wide; a model drawn from planes has some of square metres
_DRAWN_SHARE = 1 / 200
# a step is rounding while it is smaller than this part of a triangle's edge
_ROUNDING = 0.2


@dataclass(frozen=True, eq=False)
class Mesh:
    """Corners (n, 3) in file units and triangles (m, 3) of them, with the format's own say on unit and up."""

    corners: Array
    triangles: Triangles
    reader: str
    unit: str | None = None
    unit_from: Note | None = None
    up: Array | None = None
    up_from: Note | None = None
    warnings: tuple[Note, ...] = ()


@dataclass(frozen=True, eq=False)
class _Drawing:
    """Draws the same points every time: one in each of ``count`` equal parts of the area, in order of triangles."""

    corners: Array
    triangles: Triangles
    upto: Array
    count: int

    def blocks(self) -> Iterator[Block]:
        for number, start in enumerate(range(0, self.count, BLOCK)):
            size = min(BLOCK, self.count - start)
            rng = np.random.default_rng((_SEED, number))
            part = (start + np.arange(size) + rng.random(size)) / self.count * self.upto[-1]
            which = np.minimum(np.searchsorted(self.upto, part, side="right"), len(self.upto) - 1)
            a, b, c = (self.corners[self.triangles[which, corner]] for corner in range(3))
            # uniform in a triangle (Osada, Funkhouser, Chazelle, Dobkin, ACM Trans. Graph. 21, 2002, 807)
            root, along = np.sqrt(rng.random((size, 1))), rng.random((size, 1))
            points = (1 - root) * a + root * (1 - along) * b + root * along * c
            yield Block(points, _face_normals(b - a, c - a))


def _face_normals(side: Array, other: Array) -> Normals:
    def chosen(rows: Rows) -> Array:
        normal = np.cross(side[rows], other[rows])
        return normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)

    return chosen


def mesh_source(path: Path, mesh: Mesh, *, single: bool = True) -> PointSource:
    """Points on ``mesh`` as a `PointSource`; no face, or none with an area, raises `ReadError`.

    ``single`` says the corners are stored as 32-bit floats.
    """
    if len(mesh.triangles) == 0:
        raise ReadError(
            path,
            "a mesh without faces ({corners:count} corners)",
            needed="triangles or polygons",
            remedy="Export the mesh with its faces, or the capture as a point cloud",
            corners=len(mesh.corners),
        )
    low, high = int(mesh.triangles.min()), int(mesh.triangles.max())
    if low < 0 or high >= len(mesh.corners):
        corner, last = high if low >= 0 else low, len(mesh.corners) - 1
        raise damaged(path, "a face names corner {corner}", "corners 0 to {last}", corner=corner, last=last)
    with np.errstate(all="ignore"):
        a, b, c = (mesh.corners[mesh.triangles[:, corner]] for corner in range(3))
        area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    good = np.isfinite(area) & (area > 0)
    if not good.any():
        raise ReadError(
            path,
            "none of its {faces:count} faces has an area",
            needed="a mesh of a wall",
            remedy="Export the mesh again",
            faces=len(area),
        )
    notes = (*mesh.warnings, *_face_notes(area, good))
    area = area[good]
    total, count = float(area.sum()), POINTS
    drawing = _Drawing(mesh.corners, mesh.triangles[good], np.cumsum(area), count)
    step = _step(mesh.corners[np.unique(mesh.triangles[good])], float(np.sqrt(2 * np.median(area))), single)
    return PointSource(
        mesh.reader,
        count,
        drawing.blocks,
        unit=mesh.unit,
        unit_from=mesh.unit_from,
        step=step,
        float32=single,
        up=mesh.up,
        up_from=mesh.up_from,
        mesh_area=total,
        warnings=notes,
    )


def _step(corners: Array, edge: float, single: bool) -> Array:
    """Rounding (3,) of the corners; a lattice as wide as the triangles is its layout instead."""
    seen = file_step(corners, None)
    seen = np.where(seen < _ROUNDING * edge, seen, 0.0)
    return np.maximum(seen, float32_step(np.median(np.abs(corners), axis=0))) if single else seen


def _face_notes(area: Array, good: Mask) -> Iterator[Note]:
    """Notes on faces without an area, and on large ones that make up most of the mesh."""
    if bad := int(np.count_nonzero(~np.isfinite(area))):
        yield note("capture.faces-not-numbers", count=bad, faces=len(area))
    area = area[good]
    large = area[area > _DRAWN_SHARE * area.sum()]
    if large.sum() > 0.5 * area.sum():
        yield note("capture.drawn-mesh", count=len(large), share=share(large.sum() / area.sum()))


def fans(counts: NDArray[np.int64], corners: NDArray[np.int64]) -> Triangles:
    """Triangles (m, 3) of polygons with ``counts`` corners each, listed one after the other in ``corners``."""
    first = np.concatenate(([0], np.cumsum(counts)[:-1]))
    per_face = np.maximum(counts - 2, 0)
    face = np.repeat(np.arange(len(counts)), per_face)
    within = np.arange(len(face)) - np.repeat(np.cumsum(per_face) - per_face, per_face)
    start = first[face]
    return np.stack([corners[start], corners[start + within + 1], corners[start + within + 2]], axis=1)


_HEAD, _FACET = 84, np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def open_stl(path: Path) -> PointSource:
    """An STL file as points on its mesh; raises `ReadError` where its count and size disagree."""
    held = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    count = int.from_bytes(head[80:84], "little") if len(head) == _HEAD else 0
    # programs write "solid" at the head of binary files too: the size tells
    if head[:5].lower() == b"solid" and held != _HEAD + count * _FACET.itemsize and b"\x00" not in head:
        mesh = Mesh(*_facets(_ascii(path)), "STL mesh, ASCII")
    else:
        corners, notes = _binary(path, held, count), _facets_beyond(held, count)
        mesh = Mesh(*_facets(corners), "STL mesh, binary", warnings=notes)
    return mesh_source(path, mesh)


def _facets(corners: Array) -> tuple[Array, Triangles]:
    """Corners (3 n, 3), and the triangles of each three that follow one another."""
    return corners, np.arange(len(corners)).reshape(-1, 3)


def _binary(path: Path, held: int, count: int) -> Array:
    end = _HEAD + count * _FACET.itemsize
    if held < end:
        raise cut_off(
            path,
            "it promises {count:count} facets, the file holds {inside:count}",
            "{end:count} bytes (found {held:count})",
            count=count,
            inside=max(0, held - _HEAD) // _FACET.itemsize,
            end=end,
            held=held,
        )
    facets = np.fromfile(path, _FACET, count, offset=_HEAD)
    with np.errstate(invalid="ignore"):
        return facets["corners"].reshape(-1, 3).astype(np.float64)


def _facets_beyond(held: int, count: int) -> tuple[Note, ...]:
    extra = held - _HEAD - count * _FACET.itemsize
    return (note("capture.bytes-beyond-facets", extra=extra, count=count),) if extra > 0 else ()


def _ascii(path: Path) -> Array:
    """Corners of an ASCII file, every facet with its three and every solid with its end."""
    rows, ends = [], {"facet": 0, "endfacet": 0, "solid": 0, "endsolid": 0}
    with path.open(encoding="latin-1") as stream:
        for number, line in enumerate(short_lines(stream), start=1):
            words = line.split(None, 4)
            keyword = words[0].lower() if words else ""
            if keyword == "vertex":
                if len(words) != 4:
                    raise _bad_line(path, number, line, "vertex and three numbers")
                rows.append(line)
            elif keyword in ends:
                ends[keyword] += 1
    if ends["solid"] != ends["endsolid"] or ends["facet"] != ends["endfacet"] or len(rows) != 3 * ends["facet"]:
        raise cut_off(
            path,
            "{begun:count} facets begin, {ended:count} end, with {corners:count} corners",
            "three corners a facet and an end to each",
            begun=ends["facet"],
            ended=ends["endfacet"],
            corners=len(rows),
        )
    return _corners(path, rows, "vertex and three numbers")


def _corners(path: Path, rows: list[str], needed: str) -> Array:
    """Corners (n, 3) of lines of a word and three numbers."""
    if not rows:
        return np.empty((0, 3))
    try:
        return np.loadtxt(rows, comments=None, usecols=(1, 2, 3), ndmin=2)
    except ValueError as reason:
        found = "a corner is not three numbers ({reason})"
        raise damaged(path, found, needed, reason=str(reason)[:80]) from None


def _bad_line(path: Path, number: int, line: str, needed: str) -> ReadError:
    return damaged(path, "line {number:count} is '{text}'", needed, number=number, text=line.strip()[:60])


STL = Format("STL", (".stl",), "points", None, open_stl)


_MOST_INDEX_DIGITS = 15


@dataclass
class _Parts:
    """What the lines of one file add up to."""

    corners: list[str] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    indices: list[int] = field(default_factory=list)


def open_obj(path: Path) -> PointSource:
    """An OBJ file as points on its mesh; raises `ReadError` with the line that breaks the format."""
    parts, kept = _Parts(), ""
    with path.open(encoding="latin-1") as stream:
        for number, line in enumerate(short_lines(stream), start=1):
            if len(line) + len(kept) > LONGEST_LINE:
                raise line_too_long(path, number, "lines of corners and faces")
            # a backslash at its end carries a line on
            if line.rstrip("\r\n").endswith("\\"):
                kept += line.rstrip("\r\n")[:-1] + " "
                continue
            _take(path, parts, number, kept + line)
            kept = ""
    corners = _corners(path, parts.corners, "v and three numbers")
    triangles = fans(np.array(parts.counts, np.int64), np.array(parts.indices, np.int64))
    return mesh_source(path, Mesh(corners, triangles, "OBJ mesh"), single=False)


def _take(path: Path, parts: _Parts, number: int, line: str) -> None:
    if line.startswith("v "):
        words = line.split(None, 5)
        if len(words) < 4:
            raise _bad_line(path, number, line, "v and three numbers")
        parts.corners.append(line)
    elif line.startswith("f "):
        words = [word.partition("/")[0] for word in line.split()[1:]]
        if len(words) < 3 or not all(
            word.lstrip("-").isdecimal() and len(word) <= _MOST_INDEX_DIGITS for word in words
        ):
            raise _bad_line(path, number, line, "f and three or more corner numbers")
        # negative numbers count back from the corners so far, positive ones from 1
        places = [int(word) for word in words]
        parts.indices += [place - 1 if place > 0 else len(parts.corners) + place for place in places]
        if 0 in places or min(parts.indices[-len(places) :]) < 0:
            found = "line {number:count} names a corner before the first"
            raise damaged(path, found, "corners from 1 on", number=number)
        parts.counts.append(len(places))


OBJ = Format("OBJ", (".obj",), "points", None, open_obj)
