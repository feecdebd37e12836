"""PLY point clouds and meshes: binary of both byte orders and ASCII, any order and type of properties."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.colours import NAMES
from flatscan.capture.mesh import Mesh, Triangles, fans, mesh_source
from flatscan.capture.registry import Format
from flatscan.capture.source import (
    BinaryRows,
    Layout,
    PointSource,
    TextRows,
    bytes_beyond,
    cut_off,
    damaged,
    last_row_doubt,
    lines_beyond,
    short_lines,
    solid_lines,
    typical_step,
)
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note

# type names of the format's first description (Turk, 1994) and the sized names in use since
_TYPES = {
    "char": "i1",
    "uchar": "u1",
    "short": "i2",
    "ushort": "u2",
    "int": "i4",
    "uint": "u4",
    "float": "f4",
    "double": "f8",
    "int8": "i1",
    "uint8": "u1",
    "int16": "i2",
    "uint16": "u2",
    "int32": "i4",
    "uint32": "u4",
    "float32": "f4",
    "float64": "f8",
    "int64": "i8",
    "uint64": "u8",
}
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_LONGEST_HEADER = 1_000_000
_VERTEX = ("vertex", "vertices", "point", "points")
_FACE = ("face", "faces")
_CORNERS = ("vertex_indices", "vertex_index")


@dataclass(frozen=True, slots=True)
class Property:
    """One column of an element: a scalar of type ``code``, or a list with a count of type ``count_code``."""

    name: str
    code: str
    count_code: str | None = None


@dataclass(frozen=True, slots=True)
class Element:
    """``count`` records of the same ``properties``."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def has_lists(self) -> bool:
        """Whether records differ in size."""
        return any(item.count_code for item in self.properties)

    def record(self, order: str) -> np.dtype:
        """Packed record of an element without lists; ``order`` is ``<`` or ``>``."""
        names = [item.name for item in self.properties]
        return np.dtype(
            {
                "names": names,
                "formats": [order + item.code for item in self.properties],
                "offsets": list(np.cumsum([0, *(int(item.code[1]) for item in self.properties)])[:-1]),
                "itemsize": self.least_size,
            }
        )

    @property
    def least_size(self) -> int:
        """Bytes of the shortest possible binary record."""
        return sum(int((item.count_code or item.code)[1]) for item in self.properties)

    def find(self, *names: str) -> list[str] | None:
        """Spelling of scalar properties in the file, case apart, or None if one is missing."""
        spelt = {item.name.lower(): item.name for item in self.properties if not item.count_code}
        return [spelt[name] for name in names] if all(name in spelt for name in names) else None


@dataclass(frozen=True, slots=True)
class Header:
    """A PLY header; ``order`` is ``<``, ``>`` or empty for ASCII, ``size`` the bytes before the data."""

    order: str
    elements: tuple[Element, ...]
    size: int

    def element(self, *names: str) -> Element | None:
        """The first element of one of these names."""
        return next((item for item in self.elements if item.name.lower() in names), None)


def read_header(path: Path) -> Header:
    """Header of ``path``; raises `ReadError` where it breaks the format."""
    with path.open("rb") as stream:
        lines = list(_lines(path, stream))
        size = stream.tell()
    order: str | None = None
    elements: list[Element] = []
    for number, words in enumerate(lines, start=1):
        keyword = words[0] if words else "comment"
        if keyword == "format" and len(words) > 1 and words[1] in _ORDERS:
            order = _ORDERS[words[1]]
        elif keyword == "element" and len(words) == 3 and words[2].isdecimal() and len(words[2]) < 16:
            elements.append(Element(words[1], int(words[2]), ()))
        elif keyword == "property" and elements:
            last = elements[-1]
            elements[-1] = Element(last.name, last.count, (*last.properties, _property(path, number, words)))
        elif keyword not in ("ply", "comment", "obj_info", "end_header"):
            raise _bad_line(path, number, words, "a PLY format, element or property line")
    if order is None:
        raise damaged(path, "the header names no format", "ascii, binary_little_endian or binary_big_endian")
    for element in elements:
        names = [item.name for item in element.properties]
        if len(set(names)) < len(names):
            raise damaged(path, "element {element} names a property twice", "each property once", element=element.name)
    return Header(order, tuple(elements), size)


def _lines(path: Path, stream: IO[bytes]) -> Iterator[list[str]]:
    read = 0
    while True:
        line = stream.readline(_LONGEST_HEADER)
        read += len(line)
        if not line or read > _LONGEST_HEADER:
            raise cut_off(path, "the PLY header has no end_header line", "a complete header")
        words = line.decode("latin-1").split()
        yield words
        if words == ["end_header"]:
            return


def _property(path: Path, number: int, words: list[str]) -> Property:
    if len(words) == 3 and words[1] in _TYPES:
        return Property(words[2], _TYPES[words[1]])
    if len(words) == 5 and words[1] == "list" and words[3] in _TYPES and _TYPES.get(words[2], "f")[0] in "iu":
        return Property(words[4], _TYPES[words[3]], _TYPES[words[2]])
    raise _bad_line(path, number, words, "property TYPE NAME, or property list TYPE TYPE NAME")


def _bad_line(path: Path, number: int, words: list[str], needed: str) -> ReadError:
    text = " ".join(words)
    text = text if len(text) <= 60 else text[:57] + "..."
    return damaged(path, "header line {number} is '{text}'", needed, number=number, text=text)


def _face_element(header: Header) -> Element | None:
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
            raise _too_few(
                path,
                element,
                max(0, held - at) // max(element.least_size, 1),
                "{least:count} bytes (found {held:count})",
                least=least,
                held=held,
            )
        if element.has_lists and element.count:
            data = np.fromfile(path, np.uint8) if data is None else data
            least = _walk(path, data, at, element, header.order)
        at = least
        starts.append(at)
    return starts


def _too_few(path: Path, element: Element, inside: int, needed: str, **values: object) -> ReadError:
    """The error for a file that holds only ``inside`` of the records its header promises of ``element``."""
    name = element.name.lower()
    kind = "points" if name in _VERTEX else "faces" if name in _FACE else f"of element {name}"
    found = "the header promises {promised:count} {kind}, the file holds {inside:count}"
    return cut_off(path, found, needed, promised=element.count, kind=kind, inside=inside, **values)


def _sizes(element: Element) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    def bytes_of(code: str | None) -> int:
        return int(code[1]) if code else 0

    return (
        np.array([bytes_of(item.code) for item in element.properties], np.int64),
        np.array([bytes_of(item.count_code) for item in element.properties], np.int64),
    )


def _walk(path: Path, data: NDArray[np.uint8], at: int, element: Element, order: str) -> int:
    """Byte after an element with lists."""
    from flatscan.capture.packed_kernel import walk_records

    end = walk_records(data, at, element.count, *_sizes(element), order == ">", np.empty(0, np.int64))
    if end < 0:
        raise _too_few(path, element, int(-1 - end), "{promised:count} records")
    return int(end)


def binary_faces(path: Path, header: Header, element: Element, at: int) -> Triangles:
    """Triangles of a binary file's face element, which begins at byte ``at``."""
    from flatscan.capture.packed_kernel import fan_triangles, walk_records

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
        raise _too_few(path, element, len(lines), "{promised:count} rows")
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
            found, text = "face {number:count} is '{text}'", line.strip()[:60]
            raise damaged(path, found, "counts and corners as the header says", number=number, text=text)
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


def open_ply(path: Path) -> PointSource:
    """A PLY file as a `PointSource`; raises `ReadError` where counts, layout and file size disagree."""
    header = read_header(path)
    vertex = header.element(*_VERTEX)
    if vertex is None:
        names = ", ".join(item.name for item in header.elements) or "none"
        raise damaged(path, "no vertex element (elements: {names})", "an element vertex with x, y and z", names=names)
    columns = vertex.find("x", "y", "z")
    if columns is None or vertex.has_lists:
        names = ", ".join(item.name for item in vertex.properties)
        fault = "its points have lists of no fixed length" if columns else "its points have no x, y and z"
        raise damaged(path, f"{fault} (properties: {{names}})", "scalar properties x, y and z", names=names)
    return _ascii(path, header, vertex, columns) if header.order == "" else _binary(path, header, vertex, columns)


def _binary(path: Path, header: Header, vertex: Element, columns: list[str]) -> PointSource:
    starts = element_starts(path, header)
    normals = vertex.find("nx", "ny", "nz")
    rows = BinaryRows(
        path,
        vertex.record(header.order),
        starts[header.elements.index(vertex)],
        vertex.count,
        tuple(columns),
        tuple(normals) if normals else None,
        _colours(vertex),
    )
    notes = (*bytes_beyond(path.stat().st_size - starts[-1], vertex.count), *_splat_note(vertex))
    single = all(rows.record[name].kind == "f" and rows.record[name].itemsize == 4 for name in columns)
    faces = _face_element(header)
    if faces is not None:
        triangles = binary_faces(path, header, faces, starts[header.elements.index(faces)])
        mesh = Mesh(_all_points(rows), triangles, "PLY mesh, binary", warnings=notes)
        return mesh_source(path, mesh, single=single)
    # judged by the first block
    step = typical_step(next(rows.blocks()).points) if single and vertex.count else None
    return PointSource("PLY, binary", vertex.count, rows.blocks, step=step, float32=single, warnings=notes)


def _colours(vertex: Element) -> tuple[str, ...] | None:
    """The properties that hold red, green and blue, if there are any."""
    return next((tuple(names) for known in NAMES if (names := vertex.find(*known)) is not None), None)


def _all_points(rows: BinaryRows | TextRows) -> Array:
    return np.concatenate([block.points for block in rows.blocks()] or [np.empty((0, 3))])


def _splat_note(vertex: Element) -> tuple[Note, ...]:
    """A note for a model of blurred blobs, which keeps its colours as f_dc_0 and so on, beside their opacity."""
    return () if vertex.find("f_dc_0", "opacity") is None else (note("capture.splat-model"),)


def _ascii(path: Path, header: Header, vertex: Element, columns: list[str]) -> PointSource:
    with path.open("rb") as stream:
        head = stream.read(header.size).splitlines()
    least = sum(2 * len(item.properties) * item.count for item in header.elements) - 1
    held = path.stat().st_size - header.size
    if held < least:
        found = "the header promises {promised:count} points, the file holds {held:count} bytes of data"
        raise cut_off(path, found, "at least {least:count} bytes", promised=vertex.count, held=held, least=least)
    names = [item.name for item in vertex.properties]
    normals = vertex.find("nx", "ny", "nz") or []
    layout = Layout(
        len(names),
        tuple(map(names.index, columns)),
        tuple(map(names.index, normals)),
        colour_columns=tuple(map(names.index, _colours(vertex) or ())),
    )
    # blank lines are passed over both in the header and in the rows
    skip = sum(bool(line.strip()) for line in head)
    rows = TextRows(path, skip + _rows_before(header, vertex), vertex.count, layout)
    extra = _lines_beyond(path, skip + sum(item.count for item in header.elements))
    faces = _face_element(header)
    doubts = last_row_doubt(path, None, whole_numbers=faces is not None)
    notes = (*_splat_note(vertex), *doubts, *lines_beyond(extra))
    if faces is not None:
        triangles = text_faces(path, faces, skip + _rows_before(header, faces))
        mesh = Mesh(_all_points(rows), triangles, "PLY mesh, ASCII", warnings=notes)
        return mesh_source(path, mesh, single=False)
    return PointSource("PLY, ASCII", vertex.count, rows.blocks, warnings=notes)


def _rows_before(header: Header, element: Element) -> int:
    return sum(item.count for item in header.elements[: header.elements.index(element)])


def _lines_beyond(path: Path, count: int) -> int:
    """Lines that are not blank beyond the first ``count``; negative where there are fewer, which the rows tell."""
    with path.open("rb") as stream:
        return max(0, sum(not line.isspace() for line in short_lines(stream)) - count)


def _is_ply(head: bytes) -> bool:
    return head[:4] in (b"ply\n", b"ply\r")


FORMAT = Format("PLY", (".ply",), "points", _is_ply, open_ply)
