"""PTX text files: one or more scans, each with its own pose before its rows."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.capture.pose import Pose
from flatscan.capture.registry import Format
from flatscan.capture.rows import Layout, block_of, is_number, solid_lines
from flatscan.capture.source import BLOCK, Block, PointSource, cut_off, damaged
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
            got = list(itertools.islice(lines, size))
            if len(got) < size:
                found = f"scan {number} promises {count:,} points, the file holds {start + len(got):,} of it"
                raise cut_off(self.path, found, f"{count:,} rows")
            layout = layout or Layout(len(got[0].split()))
            if layout.width not in (3, 4, 7):
                found = f"scan {number} begins with the row '{got[0].strip()[:60]}'"
                raise damaged(self.path, found, "x y z, intensity and perhaps three colours")
            table = layout.table(self.path, got, start, f"scan {number}, point")
            yield Block(pose(block_of(table).points))


def read_header(path: Path, lines: list[str], number: int) -> tuple[int, Pose]:
    """Points and pose of one scan; raises `ReadError` where its ten lines break the format."""
    rows = [line.split() for line in lines]
    if len(rows) < _HEADER_LINES:
        raise cut_off(path, f"the header of scan {number} has {len(rows)} lines", f"{_HEADER_LINES} lines")
    for place, (row, width) in enumerate(zip(rows, _WIDTHS, strict=True), start=1):
        if len(row) != width or not all(map(is_number, row)):
            found = f"line {place} of the header of scan {number} is '{' '.join(row)[:60]}'"
            raise damaged(path, found, f"{width} number{'s' if width > 1 else ''}")
    columns, height = rows[0][0], rows[1][0]
    if not (columns.isdecimal() and height.isdecimal() and len(columns + height) < 16):
        raise damaged(path, f"scan {number} is {columns} by {height} points", "two whole numbers")
    # rows of the file's matrix are the images of the axes and of the origin: points are rows times the matrix
    matrix = np.array(rows[6:10], dtype=np.float64)
    if not np.isfinite(matrix).all() or not np.allclose(matrix[:3, :3] @ matrix[:3, :3].T, np.eye(3), atol=1e-3):
        raise damaged(
            path, f"the matrix of scan {number} is no turn and shift", "rows of unit length, square to each other"
        )
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
                found = f"scan {len(stands)} promises {count:,} points, the file holds {held:,} of it"
                raise cut_off(path, found, f"{count:,} rows")
    return PointSource("PTX", total, _Scans(path).blocks, stands=_known(stands))


def _known(stands: list[Array]) -> Array | None:
    """Scanner positions; a lone one at the origin is what every program writes that knows none."""
    places = np.array(stands)
    return places if len(places) > 1 or places.any() else None


def _is_ptx(head: bytes) -> bool:
    rows = [row.split() for row in head.decode("latin-1").splitlines()[:_HEADER_LINES]]
    return len(rows) == _HEADER_LINES and [len(row) for row in rows] == list(_WIDTHS)


FORMAT = Format("PTX", (".ptx",), "points", _is_ptx, open_ptx)
