"""The lists of a PLY: where each element of a binary file ends, and the faces that make a mesh of it."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.mesh import Triangles, fans
from flatscan.capture.ply_header import Element, Header, Property
from flatscan.capture.rows import solid_lines
from flatscan.capture.source import cut_off, damaged

_FACE = ("face", "faces")
_CORNERS = ("vertex_indices", "vertex_index")


def face_element(header: Header) -> Element | None:
    """The element whose lists name the corners of polygons, if it has any."""
    element = header.element(*_FACE)
    return element if element is not None and element.count > 0 and _corner_list(element) is not None else None


def _corner_list(element: Element) -> int | None:
    for number, item in enumerate(element.properties):
        if item.count_code and item.name.lower() in _CORNERS:
            return number
    return None


def element_starts(path: Path, header: Header) -> list[int]:
    """Byte at which each element of a binary file begins, and the byte after the last; `ReadError` if one is cut."""
    held, at = path.stat().st_size, header.size
    starts = [at]
    data: NDArray[np.uint8] | None = None
    for element in header.elements:
        least = at + element.count * element.least_size
        if least > held:
            inside = max(0, held - at) // max(element.least_size, 1)
            kind = "points" if element.name.lower() not in _FACE else "faces"
            found = f"the header promises {element.count:,} {kind}, the file holds {inside:,}"
            raise cut_off(path, found, f"{least:,} bytes (found {held:,})")
        if element.has_lists and element.count:
            data = np.fromfile(path, np.uint8) if data is None else data
            least = _walk(path, data, at, element, header.order)
        at = least
        starts.append(at)
    return starts


def _sizes(element: Element) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    def bytes_of(code: str | None) -> int:
        return int(code[1]) if code else 0

    return (
        np.array([bytes_of(item.code) for item in element.properties], np.int64),
        np.array([bytes_of(item.count_code) for item in element.properties], np.int64),
    )


def _walk(path: Path, data: NDArray[np.uint8], at: int, element: Element, order: str) -> int:
    """Byte after an element with lists."""
    from flatscan.capture.kernel import walk_records

    end = walk_records(data, at, element.count, *_sizes(element), order == ">", np.empty(0, np.int64))
    if end < 0:
        found = f"the header promises {element.count:,} of element {element.name}, the file holds {-1 - end:,}"
        raise cut_off(path, found, f"{element.count:,} records")
    return int(end)


def binary_faces(path: Path, header: Header, element: Element, at: int) -> Triangles:
    """Triangles of a binary file's face element, which begins at byte ``at``."""
    from flatscan.capture.kernel import fan_triangles, walk_records

    data = np.fromfile(path, np.uint8)
    which = _corner_list(element)
    sizes, count_sizes = _sizes(element)
    big = header.order == ">"
    starts = np.empty(element.count, np.int64)
    walk_records(data, at, element.count, sizes, count_sizes, big, starts)
    count = fan_triangles(data, starts, sizes, count_sizes, which, big, np.empty((0, 3), np.int64))
    triangles = np.empty((count, 3), np.int64)
    fan_triangles(data, starts, sizes, count_sizes, which, big, triangles)
    return triangles


def text_faces(path: Path, element: Element, skip: int) -> Triangles:
    """Triangles of an ASCII file's face element after ``skip`` lines; a broken line raises `ReadError`."""
    with path.open(encoding="latin-1") as stream:
        lines = list(itertools.islice(solid_lines(path, stream), skip, skip + element.count))
    if len(lines) < element.count:
        raise cut_off(
            path,
            f"the header promises {element.count:,} faces, the file holds {len(lines):,}",
            f"{element.count:,} rows",
        )
    if len(element.properties) == 1:
        try:
            table = np.loadtxt(lines, dtype=np.int64, comments=None, ndmin=2)
            if table.shape[1] == 4 and np.all(table[:, 0] == 3):
                return table[:, 1:]
        except ValueError:
            # polygons of several sizes, or a mistake that is named below
            pass
    counts, corners = [], []
    for number, line in enumerate(lines, start=1):
        polygon = _polygon(element.properties, line.split())
        if polygon is None:
            raise damaged(path, f"face {number:,} is '{line.strip()[:60]}'", "counts and corners as the header says")
        counts.append(len(polygon))
        corners += polygon
    return fans(np.array(counts, np.int64), np.array(corners, np.int64))


def _polygon(properties: tuple[Property, ...], words: list[str]) -> list[int] | None:
    """Corners in one line of a face element; None if the line does not match its properties."""
    polygon: list[int] | None = None
    at = 0
    try:
        for item in properties:
            length = 1
            if item.count_code:
                length = int(words[at])
                at += 1
            cells = words[at : at + length]
            if length < 0 or len(cells) < length:
                return None
            if item.count_code and item.name.lower() in _CORNERS:
                polygon = [int(cell) for cell in cells]
            at += length
    except (ValueError, IndexError):
        return None
    fits = polygon is not None and at == len(words) and all(abs(corner) < 2**62 for corner in polygon)
    return polygon if fits else None
