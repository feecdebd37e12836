"""PTX text files: one or more scans, each with its own pose before its rows."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.capture.pose import Pose
from flatscan.capture.registry import Format
from flatscan.capture.source import (
    BLOCK,
    Block,
    Layout,
    PointSource,
    block_of,
    cut_off,
    damaged,
    is_number,
    solid_lines,
)
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array

# columns, rows, scanner place, three axes, four rows of the matrix
_HEADER_LINES = 10
_WIDTHS = (1, 1, 3, 3, 3, 3, 4, 4, 4, 4)


@dataclass(frozen=True)
class _Scans:
    """Streams every scan's points in common axes; rows of zeros stay where the scanner stood, to be counted there."""

    path: Path

    def blocks(self) -> Iterator[Block]:
        with self.path.open(encoding="latin-1") as stream:
            lines = solid_lines(self.path, stream)
            number = 0
            while head := list(itertools.islice(lines, _HEADER_LINES)):
                number += 1
                count, pose = read_header(self.path, head, number)
                yield from self._scan(lines, count, pose, number)

    def _scan(self, lines: Iterator[str], count: int, pose: Pose, number: int) -> Iterator[Block]:
        layout: Layout | None = None
        for start in range(0, count, BLOCK):
            size = min(BLOCK, count - start)
            rows = list(itertools.islice(lines, size))
            if len(rows) < size:
                raise _too_few(self.path, number, count, start + len(rows))
            width = len(rows[0].split())
            layout = layout or Layout(width, colour_columns=(4, 5, 6) if width == 7 else ())
            if layout.width not in (3, 4, 7):
                found, needed = "scan {number} begins with the row '{text}'", "x y z, intensity, perhaps three colours"
                raise damaged(self.path, found, needed, number=number, text=rows[0].strip()[:60])
            table = layout.table(self.path, rows, start, f"scan {number}, point")
            block = block_of(table, layout)
            yield block._replace(points=pose(block.points))


def _too_few(path: Path, number: int, count: int, held: int) -> ReadError:
    found = "scan {number} promises {count:count} points, the file holds {held:count} of it"
    return cut_off(path, found, "{count:count} rows", number=number, count=count, held=held)


def read_header(path: Path, lines: list[str], number: int) -> tuple[int, Pose]:
    """Points and pose of one scan; raises `ReadError` where its ten lines break the format."""
    rows = [line.split() for line in lines]
    if len(rows) < _HEADER_LINES:
        found = "the header of scan {number} has {lines} lines"
        raise cut_off(path, found, "{needed_lines} lines", number=number, lines=len(rows), needed_lines=_HEADER_LINES)
    for place, (row, width) in enumerate(zip(rows, _WIDTHS, strict=True), start=1):
        if len(row) != width or not all(map(is_number, row)):
            found = "line {line} of the header of scan {number} is '{text}'"
            needed = "{width} numbers" if width > 1 else "1 number"
            raise damaged(path, found, needed, line=place, number=number, text=" ".join(row)[:60], width=width)
    columns, height = rows[0][0], rows[1][0]
    if not (columns.isdecimal() and height.isdecimal() and len(columns + height) < 16):
        found = "scan {number} is {columns} by {height} points"
        raise damaged(path, found, "two whole numbers", number=number, columns=columns, height=height)
    # rows of the file's matrix are the images of the axes and of the origin: points are rows times the matrix
    matrix = np.array(rows[6:10], dtype=np.float64)
    if not np.isfinite(matrix).all() or not np.allclose(matrix[:3, :3] @ matrix[:3, :3].T, np.eye(3), atol=1e-3):
        found, needed = "the matrix of scan {number} is no turn and shift", "rows of unit length, square to each other"
        raise damaged(path, found, needed, number=number)
    return int(columns) * int(height), Pose(matrix[:3, :3].T, matrix[3, :3])


def open_ptx(path: Path) -> PointSource:
    """A PTX file as a `PointSource` in common axes; raises `ReadError` where counts and rows disagree."""
    total = 0
    stands: list[Array] = []
    with path.open(encoding="latin-1") as stream:
        lines = solid_lines(path, stream)
        while head := list(itertools.islice(lines, _HEADER_LINES)):
            count, pose = read_header(path, head, len(stands) + 1)
            total += count
            stands.append(pose.translation)
            held = sum(1 for _ in itertools.islice(lines, count))
            if held < count:
                raise _too_few(path, len(stands), count, held)
    return PointSource("PTX", total, _Scans(path).blocks, stands=_known(stands))


def _known(stands: list[Array]) -> Array | None:
    """Scanner positions; a lone one at the origin is what every program writes that knows none."""
    places = np.array(stands)
    return places if len(places) > 1 or places.any() else None


def _is_ptx(head: bytes) -> bool:
    rows = [row.split() for row in head.decode("latin-1").splitlines()[:_HEADER_LINES]]
    return len(rows) == _HEADER_LINES and [len(row) for row in rows] == list(_WIDTHS)


FORMAT = Format("PTX", (".ptx",), "points", _is_ptx, open_ptx)
