"""Points drawn evenly by area on a mesh of triangles; what its triangles tell about the capture."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.source import BLOCK, Block, Normals, PointSource, Rows, damaged, float32_step
from flatscan.capture.unit_and_step import file_step
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
