"""E57 point clouds through libE57: every scan with its own pose, invalid points left out and counted."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.colours import as_bytes
from flatscan.capture.pose import Pose, rotation_matrix
from flatscan.capture.registry import Format, need
from flatscan.capture.source import BLOCK, Block, PointSource, Rows, cut_off, damaged, float32_step
from flatscan.core.errors import FlatscanError, TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note

_CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
_COLOURS = ("colorRed", "colorGreen", "colorBlue")
_SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
# signature, version, length of the file, place and length of its XML, page size (ASTM E2807-11, table 1)
_HEADER = struct.Struct("<8sIIQQQQ")
# times are those of GPS (ASTM E2807-11, 8.4.15, from memory), ahead of UTC by 18 s since 2017; no scan is older than
# 1980 or is made after 2080 [s]
_LEAP, _CENTURY = 18, 100 * 365.25 * 86400


@dataclass(frozen=True)
class _Scan:
    """One scan of the file: its place in the list, its fields, and its pose."""

    number: int
    points: int
    fields: tuple[str, ...]
    pose: Pose
    has_pose: bool
    single: bool
    step: float
    began: float | None = None

    @property
    def columns(self) -> tuple[str, ...] | None:
        """Cartesian or else spherical coordinates, if the scan has them."""
        return next((names for names in (_CARTESIAN, _SPHERICAL) if set(names) <= set(self.fields)), None)


@dataclass(frozen=True)
class _Scans:
    """Streams the scans one after the other in common axes."""

    path: Path
    scans: tuple[_Scan, ...]
    coloured: bool = False

    def blocks(self) -> Iterator[Block]:
        for scan in self.scans:
            yield from self._blocks(scan)

    def _colours(self, scan: _Scan) -> tuple[str, ...]:
        return _COLOURS if self.coloured and set(_COLOURS) <= set(scan.fields) else ()

    def _blocks(self, scan: _Scan) -> Iterator[Block]:
        library = need("pye57", "e57", "E57 files").libe57
        read = 0
        image = _call(self.path, lambda: library.ImageFile(str(self.path), "r"))
        try:
            data, reader = _call(self.path, lambda: _reader(library, image, scan, self._colours(scan)))
            while count := _call(self.path, reader.read):
                read += count
                yield _block({name: values[:count] for name, values in data.items()}, scan)
            _call(self.path, reader.close)
        finally:
            image.close()
        if read < scan.points:
            found, needed = "scan {number} ended at point {read:count}", "{points:count} points, as the file says"
            raise cut_off(self.path, found, needed, number=scan.number + 1, read=read, points=scan.points)


def _reader(library: Any, image: Any, scan: _Scan, more: tuple[str, ...]) -> tuple[dict[str, np.ndarray], Any]:  # noqa: ANN401
    """Buffers for the fields needed, and a reader that fills them block by block."""
    buffers, data = library.VectorSourceDestBuffer(), {}
    size = max(1, min(BLOCK, scan.points))
    for name in (*(scan.columns or ()), *_state(scan), *more):
        data[name] = np.zeros(size, np.int8 if name.endswith("State") else np.float64)
        buffers.append(library.SourceDestBuffer(image, name, data[name], size, True, True))
    points = image.root()["data3D"][scan.number]["points"]
    return data, points.reader(buffers)


def _state(scan: _Scan) -> tuple[str, ...]:
    name = "cartesianInvalidState" if scan.columns is _CARTESIAN else "sphericalInvalidState"
    return (name,) if name in scan.fields else ()


def _block(data: dict[str, np.ndarray], scan: _Scan) -> Block:
    first, second, third = (data[name] for name in scan.columns or ())
    if scan.columns is _SPHERICAL:
        # range, azimuth, elevation (ASTM E2807-11, 7.2): elevation from the XY plane
        with np.errstate(all="ignore"):
            level = first * np.cos(third)
            first, second, third = level * np.cos(second), level * np.sin(second), first * np.sin(third)
    points = np.stack([first, second, third], axis=1)
    dropped, colours = 0, None
    paint = np.stack([data[name] for name in _COLOURS], axis=1) if set(_COLOURS) <= set(data) else None
    for name in _state(scan):
        good = data[name] == 0
        points, dropped = points[good], int(np.count_nonzero(~good))
        paint = None if paint is None else paint[good]
    if paint is not None:
        colours = partial(_painted, paint)
    return Block(scan.pose(points) if scan.has_pose else points, None, dropped, colours)


def _painted(paint: Array, rows: Rows) -> NDArray[np.uint8]:
    return as_bytes(paint[rows])


def _call(path: Path, action: Any) -> Any:  # noqa: ANN401
    """The result of ``action``; the library's errors become `ReadError` in one line."""
    library = need("pye57", "e57", "E57 files").libe57
    try:
        return action()
    except FlatscanError:
        raise
    except (library.E57Exception, RuntimeError, ValueError, TypeError, LookupError, MemoryError) as reason:
        text = str(reason).strip().splitlines() or [type(reason).__name__]
        found = "the file is damaged or cut off ({text})"
        raise damaged(path, found, "a whole E57 file", text=text[0][:120]) from None


def open_e57(path: Path) -> PointSource:
    """An E57 file as a `PointSource` in common axes; raises `ReadError` where its length or checksums disagree."""
    _check_length(path)
    library = need("pye57", "e57", "E57 files").libe57
    image = _call(path, lambda: library.ImageFile(str(path), "r"))
    try:
        scans = _call(path, lambda: _list_scans(path, library, image))
    finally:
        image.close()
    usable = tuple(scan for scan in scans if scan.columns and scan.points)
    if not usable:
        raise TooFewPoints(
            path,
            "an E57 file of {scans} scans without points",
            needed="a scan with coordinates",
            remedy="Export the points, not only the images",
            scans=len(scans),
        )
    stands = _stands(usable)
    blocks = _Scans(path, usable).blocks
    single = all(scan.single for scan in usable)
    step = np.full(3, max(scan.step for scan in usable))
    if single and len(first := next(blocks()).points):
        centred = first if stands is None else first - stands[0]
        step = np.maximum(step, float32_step(np.median(np.abs(centred), axis=0)).max())
    return PointSource(
        "E57",
        sum(scan.points for scan in usable),
        blocks,
        unit="m",
        unit_from=note("capture.unit-by-format", format="E57"),
        step=step,
        float32=single,
        up=np.array([0.0, 0.0, 1.0]),
        up_from=note("capture.up-by-format", format="E57", axis="Z"),
        stands=stands,
        dropped_as=note("capture.marked-invalid"),
        warnings=tuple(_notes(usable, len(scans))),
        coloured=_Scans(path, usable, coloured=True).blocks,
        captured=_captured(usable),
    )


def _stands(scans: tuple[_Scan, ...]) -> Array | None:
    """Scanner positions (k, 3), if every scan gives its own.

    A lone scan in its own axes, or an export of joined scans, has a pose that says nothing about where it stood.
    """
    known = all(scan.has_pose for scan in scans) and any(not scan.pose.is_default for scan in scans)
    return np.array([scan.pose.translation for scan in scans]) if known else None


def _notes(usable: tuple[_Scan, ...], scans: int) -> Iterator[Note]:
    """Notes on scans that are left out or not placed, of so many ``scans`` in the file."""
    if len(usable) < scans:
        yield note("capture.scans-without-points", count=scans - len(usable), scans=scans)
    unplaced = sum(not scan.has_pose for scan in usable)
    if unplaced and len(usable) > 1:
        yield note("capture.scans-without-pose", count=unplaced, scans=len(usable))


def _check_length(path: Path) -> None:
    held = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(_HEADER.size)
    if len(head) < _HEADER.size:
        raise cut_off(path, "an E57 file of {held} bytes", "a header of {least} bytes", held=held, least=_HEADER.size)
    length = _HEADER.unpack(head)[3]
    if length != held:
        found = "its header gives {length:count} bytes, the file holds {held:count}"
        raise cut_off(path, found, "{length:count} bytes", length=length, held=held)


def _list_scans(path: Path, library: Any, image: Any) -> list[_Scan]:  # noqa: ANN401
    root = image.root()
    if not root.isDefined("data3D"):
        return []
    scans = root["data3D"]
    return [_describe(path, library, scans[number], number) for number in range(scans.childCount())]


def _describe(path: Path, library: Any, node: Any, number: int) -> _Scan:  # noqa: ANN401
    points = node["points"]
    prototype = library.StructureNode(points.prototype())
    names = tuple(prototype.get(i).elementName() for i in range(prototype.childCount()))
    single, step = False, 0.0
    for name in (*_CARTESIAN, "sphericalRange"):
        if name in names:
            kind = prototype.get(name)
            if isinstance(kind, library.FloatNode):
                single = kind.precision() == library.FloatPrecision.E57_SINGLE
            elif isinstance(kind, library.ScaledIntegerNode):
                step = max(step, abs(float(kind.scale())))
    has_pose = node.isDefined("pose")
    pose = _pose(path, node["pose"], number) if has_pose else Pose(np.eye(3), np.zeros(3))
    return _Scan(number, int(points.childCount()), names, pose, has_pose, single, step, _began(node))


def _began(node: Any) -> float | None:  # noqa: ANN401
    """When a scan began [s since 1980-01-06, the time of GPS], None where the file does not say."""
    if not node.isDefined("acquisitionStart/dateTimeValue"):
        return None
    return float(node["acquisitionStart"]["dateTimeValue"].value())


def _captured(scans: tuple[_Scan, ...]) -> str:
    """When the first scan began, to the minute; empty where a scan does not say, or says what cannot be."""
    known = [scan.began for scan in scans if scan.began is not None and 0 < scan.began < _CENTURY]
    if len(known) < len(scans):
        return ""
    began = datetime(1980, 1, 6, tzinfo=UTC) + timedelta(seconds=min(known) - _LEAP)
    return f"{began:%Y-%m-%d %H:%M} UTC"


def _pose(path: Path, node: Any, number: int) -> Pose:  # noqa: ANN401
    """Pose by the names of its parts: their order in the file is free, and a part that is absent says nothing."""
    turn, place = np.eye(3), np.zeros(3)
    try:
        if node.isDefined("rotation"):
            turn = rotation_matrix(*_values(node["rotation"], "wxyz"))
        if node.isDefined("translation"):
            place = _values(node["translation"], "xyz")
        if not np.isfinite(place).all():
            raise ValueError("a place that is not finite")
    except ValueError as reason:
        found, needed = "the pose of scan {number} is {reason}", "a unit quaternion and a place"
        raise damaged(path, found, needed, number=number + 1, reason=str(reason)) from None
    return Pose(turn, place)


def _values(node: Any, names: str) -> Array:  # noqa: ANN401
    return np.array([float(node[name].value()) for name in names])


def _is_e57(head: bytes) -> bool:
    return head[:8] == b"ASTM-E57"


FORMAT = Format("E57", (".e57",), "points", _is_e57, open_e57)
