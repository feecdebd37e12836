"""Capture file to `Cloud` or `Readings`."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np

from flatscan.capture.checks import checked_cloud
from flatscan.capture.registry import (
    FolderAsked,
    Format,
    folder_format,
    formats,
    is_folder,
    pick,
    present_file,
    refuse_what_does_not_fit,
)
from flatscan.capture.source import BLOCK, Block, PointSource
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Readings
from flatscan.core.notes import note

__all__ = ["Format", "files_of", "formats", "from_points", "is_folder", "read", "sha256_of"]
_ARRAY = "array"
# what a damaged file can make any library raise; a fault of our own (a name, a type) is to be seen as such
_STUMBLED = (ArithmeticError, LookupError, RecursionError, UnicodeError, ValueError, EOFError, struct.error)
_LONGEST = 80


def read(
    path: str | Path,
    *,
    file_unit: str | None = None,
    reading_u: float = 0.0006,
    max_points: int | None = None,
    crop: tuple[float, ...] | None = None,
    colours: bool = False,
    told: Callable[[float], None] | None = None,
    sized: bool = False,
) -> Cloud | Readings:
    """What the capture file ``path`` holds: points as a `Cloud`, laser readings as `Readings`.

    A folder of depth frames with poses is one capture, and so is a folder of plain photos.

    ``file_unit`` (m, mm, cm, ft, in) decides the unit of a file that does not say. ``reading_u`` [m] is the standard
    uncertainty of one laser reading. A file of more than ``max_points`` points is refused. ``crop`` (x0, y0, z0, x1,
    y1, z1 in the file's coordinates and unit) is the part of the points that counts, ``colours`` brings the sample's
    along, for pictures. ``told`` hears which part of a long capture is read. ``sized``: the wall's size will tell the
    scale of photos that do not (`Cloud.photographed`). Raises `ReadError`, `BadTable`, `UnitsUnknown`, `TooFewPoints`
    or `BadValue`.
    """
    try:
        folder = folder_format(path)
        if folder is not None:
            return folder.open(Path(path), FolderAsked(file_unit, max_points, crop, told, sized))
        return _read_file(present_file(path), file_unit, reading_u, max_points, crop, colours=colours, told=told)
    except OSError as reason:
        raise ReadError(
            path,
            "it can no longer be read ({reason})",
            needed="a file that stays in place while it is read",
            remedy="Copy it to a local disk and try again",
            reason=str(reason.strerror or reason),
        ) from None
    except MemoryError:
        raise ReadError(
            path,
            "there is not enough memory to read it",
            needed="more memory, or a file that can be read in parts",
            remedy="Close other programs, or export the capture as LAZ or as binary PLY points",
        ) from None
    except _STUMBLED as reason:
        raise ReadError(
            path,
            "its reader stumbled over it ({reason})",
            needed="a sound file",
            remedy="Export it again; if that file stumbles too, export another format",
            reason=f"{type(reason).__name__}: {reason}"[:_LONGEST],
        ) from None


def files_of(path: str | Path) -> tuple[Path, ...]:
    """Every file that reading a capture opens, the capture's own first: what has to travel along with it.

    Raises `ReadError` where it is no capture, or one of its files is not there.
    """
    folder = folder_format(path)
    if folder is not None:
        return folder.files(Path(path))
    path = present_file(path)
    form, _ = pick(path)
    return (path, *(form.others(path) if form.others is not None else ()))


def sha256_of(path: str | Path) -> str:
    """SHA-256 in hex of a capture, a file or a folder, as reading it states it; an unreadable one raises `OSError`."""
    folder = folder_format(path)
    return _sha256(Path(path)) if folder is None else folder.digest(Path(path))


def from_points(
    points: Array,
    *,
    file_unit: str | None = None,
    max_points: int | None = None,
    crop: tuple[float, ...] | None = None,
) -> Cloud:
    """Points (n, 3) held in memory as a `Cloud`, checked and cleaned as those of a file are.

    They are metres unless ``file_unit`` says otherwise. Its hash is that of their bytes as 64-bit floats. Raises what
    `read` does, and `ReadError` for an array of another shape or of anything but numbers.
    """
    if points.ndim != 2 or points.shape[1] != 3 or points.dtype.kind not in "fiu":
        raise ReadError(
            _ARRAY,
            "an array of shape {shape} of {kind}",
            needed="numbers in the shape (n, 3): x, y, z",
            remedy="Give the points as rows",
            shape=str(points.shape),
            kind=str(points.dtype),
        )
    # an own copy: chunks are drawn from it later, when the caller may have changed his
    rows = np.array(points, "<f8", order="C")

    def blocks() -> Iterator[Block]:
        for start in range(0, len(rows), BLOCK):
            yield Block(rows[start : start + BLOCK])

    by = note("capture.unit-in-memory")
    source = PointSource(_ARRAY, len(rows), blocks, unit=file_unit or "m", unit_from=by)
    digest = hashlib.sha256(rows.data).hexdigest()
    return checked_cloud(Path(_ARRAY), source, lambda: digest, file_unit=file_unit, max_points=max_points, crop=crop)


def _read_file(
    path: Path,
    file_unit: str | None,
    reading_u: float,
    max_points: int | None,
    crop: tuple[float, ...] | None,
    *,
    colours: bool,
    told: Callable[[float], None] | None,
) -> Cloud | Readings:
    form, notes = pick(path)
    refuse_what_does_not_fit(path)
    if form.holds == "stations":
        stations = form.open(path, file_unit=file_unit, reading_u=reading_u)
        warnings = notes + stations.origin.warnings
        origin = replace(stations.origin, file=path.name, sha256=_sha256(path), warnings=warnings)
        return replace(stations, origin=origin)
    source = form.open(path, told) if form.tells else form.open(path)
    source = replace(source, warnings=notes + source.warnings)
    # the hash of a big file takes as long as reading it: it starts once the header is sound, and runs beside, because
    # hashing gives up the interpreter's lock
    with ThreadPoolExecutor(1) as pool:
        digest = pool.submit(_sha256, path)
        cloud = checked_cloud(
            path, source, digest.result, file_unit=file_unit, max_points=max_points, crop=crop, colours=colours
        )
    # the name alone: the same file gives the same numbers and words wherever it lies
    return replace(cloud, origin=replace(cloud.origin, file=path.name))


def _sha256(path: Path) -> str:
    """SHA-256 of the file's bytes in hex (FIPS 180-4), streamed; an unreadable file raises `OSError`."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
