"""PLY point clouds: binary of both byte orders and ASCII, any order and type of properties, counts checked."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.capture.ply_header import Element, Header, read_header
from flatscan.capture.registry import Format
from flatscan.capture.source import BLOCK, Block, Normals, PointSource, cut_off, damaged, float32_step
from flatscan.geometry import Array

_VERTEX = ("vertex", "vertices", "point", "points")


@dataclass(frozen=True)
class BinaryRows:
    """Records of one fixed size in a file; ``blocks()`` reads them in turn.

    Plain reads, not a memory map: a map of a file that is cut while it is open ends the process, and its pages
    count as this program's memory.
    """

    path: Path
    record: np.dtype
    offset: int
    count: int
    columns: tuple[str, ...]
    normal_columns: tuple[str, ...] | None

    def blocks(self) -> Iterator[Block]:
        """Blocks of rows as (m, 3) float64."""
        with self.path.open("rb") as stream:
            stream.seek(self.offset)
            for start in range(0, self.count, BLOCK):
                size = min(BLOCK, self.count - start)
                rows = np.fromfile(stream, self.record, size)
                if len(rows) < size:
                    raise cut_off(self.path, f"it ended at point {start + len(rows):,}", f"{self.count:,} points")
                yield Block(columns_of(rows, self.columns), self._normals(rows))

    def _normals(self, rows: np.ndarray) -> Normals | None:
        names = self.normal_columns
        return None if names is None else lambda chosen: columns_of(rows[chosen], names)


def columns_of(rows: np.ndarray, names: tuple[str, ...]) -> Array:
    """Named columns of a record array as (n, 3) float64."""
    points = np.empty((len(rows), len(names)))
    # a signalling NaN is a row to be counted later, not a reason to warn now
    with np.errstate(invalid="ignore"):
        for axis, name in enumerate(names):
            points[:, axis] = rows[name]
    return points


@dataclass(frozen=True)
class TextRows:
    """Rows of numbers in an ASCII file after ``skip`` lines; every row must hold ``width`` of them."""

    path: Path
    skip: int
    count: int
    width: int
    columns: tuple[int, ...]
    normal_columns: tuple[int, ...] | None

    def blocks(self) -> Iterator[Block]:
        """Blocks of rows as (m, 3) float64; a row that is not numbers raises `ReadError` with its number."""
        with self.path.open(encoding="latin-1") as stream:
            lines = (line for line in stream if not line.isspace())
            for _ in itertools.islice(lines, self.skip):
                pass
            for start in range(0, self.count, BLOCK):
                size = min(BLOCK, self.count - start)
                table = self._table(list(itertools.islice(lines, size)), start, size)
                yield Block(np.ascontiguousarray(table[:, self.columns]), self._normals(table))

    def _table(self, lines: list[str], start: int, size: int) -> Array:
        if len(lines) < size:
            found = f"the header promises {self.count:,} points, the file holds {start + len(lines):,}"
            raise cut_off(self.path, found, f"{self.count:,} rows")
        try:
            table = np.loadtxt(lines, comments=None, ndmin=2)
        except ValueError:
            table = np.empty((0, 0))
        if table.shape == (size, self.width):
            return table
        for number, line in enumerate(lines, start=start + 1):
            words = line.split()
            if len(words) != self.width or not all(map(_is_number, words)):
                text = line.strip()[:60]
                raise damaged(self.path, f"point {number:,} is '{text}'", f"{self.width} numbers, as the header says")
        raise damaged(self.path, f"points {start + 1:,} and after are no table", f"{self.width} numbers a row")

    def _normals(self, table: Array) -> Normals | None:
        columns = self.normal_columns
        return None if columns is None else lambda chosen: table[chosen][:, columns]


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def open_ply(path: Path) -> PointSource:
    """A PLY file as a `PointSource`; raises `ReadError` where counts, layout and file size disagree."""
    header = read_header(path)
    vertex = header.element(*_VERTEX)
    if vertex is None:
        names = ", ".join(item.name for item in header.elements) or "none"
        raise damaged(path, f"no vertex element (elements: {names})", "an element vertex with x, y and z")
    columns = vertex.find("x", "y", "z")
    if columns is None:
        names = ", ".join(item.name for item in vertex.properties)
        raise damaged(path, f"its points have no x, y and z (properties: {names})", "scalar properties x, y and z")
    return _ascii(path, header, vertex, columns) if header.order == "" else _binary(path, header, vertex, columns)


def _binary(path: Path, header: Header, vertex: Element, columns: list[str]) -> PointSource:
    offset = header.size + sum(item.count * item.least_size for item in _before(header, vertex))
    record, held = vertex.record(header.order), path.stat().st_size
    end = offset + vertex.count * record.itemsize
    if held < end:
        inside = max(0, held - offset) // max(record.itemsize, 1)
        found = f"the header promises {vertex.count:,} points, the file holds {inside:,}"
        raise cut_off(path, found, f"{end:,} bytes (found {held:,})")
    normals = vertex.find("nx", "ny", "nz")
    rows = BinaryRows(path, record, offset, vertex.count, tuple(columns), tuple(normals) if normals else None)
    after = sum(item.count * item.least_size for item in header.elements) + header.size
    warnings = _surplus(held - after, vertex.count) if after == end or not header.elements[-1].has_lists else ()
    singles = all(record[name].kind == "f" and record[name].itemsize == 4 for name in columns)
    step = _single_step(rows) if singles and vertex.count else None
    return PointSource("PLY, binary", vertex.count, rows.blocks, step=step, float32=singles, warnings=warnings)


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


def _before(header: Header, vertex: Element) -> tuple[Element, ...]:
    return header.elements[: header.elements.index(vertex)]


def _ascii(path: Path, header: Header, vertex: Element, columns: list[str]) -> PointSource:
    with path.open("rb") as stream:
        head = stream.read(header.size).splitlines()
    # blank lines are passed over both in the header and in the rows
    skip = sum(bool(line.strip()) for line in head) + sum(item.count for item in _before(header, vertex))
    least = 2 * len(vertex.properties) * vertex.count - 1
    held = path.stat().st_size - header.size
    if held < least:
        found = f"the header promises {vertex.count:,} points, the file holds {held:,} bytes of them"
        raise cut_off(path, found, f"at least {least:,} bytes")
    names = [item.name for item in vertex.properties]
    normals = vertex.find("nx", "ny", "nz")
    rows = TextRows(
        path,
        skip,
        vertex.count,
        len(names),
        tuple(map(names.index, columns)),
        tuple(map(names.index, normals)) if normals else None,
    )
    return PointSource("PLY, ASCII", vertex.count, rows.blocks)


def _is_ply(head: bytes) -> bool:
    return head[:4] in (b"ply\n", b"ply\r")


FORMAT = Format("PLY", (".ply",), "points", _is_ply, open_ply)
