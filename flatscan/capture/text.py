"""Tables of points as text: XYZ, TXT, CSV, ASC and PTS, with or without header, count line and extra columns."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flatscan.capture.registry import Format
from flatscan.capture.rows import Layout, block_of, last_row_doubt, solid_lines
from flatscan.capture.source import BLOCK, Block, PointSource, cut_off, damaged
from flatscan.capture.text_layout import is_remark, sniff

_LOOK_AT = 50


@dataclass(frozen=True)
class _Table:
    """Rows of one table; a line with a count alone begins another part of it (PTS files of several scans)."""

    path: Path
    skip: int
    layout: Layout
    promised: int | None

    def blocks(self) -> Iterator[Block]:
        with self.path.open(encoding="latin-1") as stream:
            lines = itertools.islice(solid_lines(self.path, stream), self.skip, None)
            if self.promised is None:
                yield from self._free(line for line in lines if not is_remark(line))
            else:
                yield from self._counted(lines)

    def _free(self, lines: Iterator[str]) -> Iterator[Block]:
        start = 0
        while got := list(itertools.islice(lines, BLOCK)):
            yield block_of(self.layout.table(self.path, got, start, "row"))
            start += len(got)

    def _counted(self, lines: Iterator[str]) -> Iterator[Block]:
        start, left = 0, self.promised or 0
        while True:
            got = list(itertools.islice(lines, min(BLOCK, left)))
            if len(got) < min(BLOCK, left):
                found = f"its count line promises {self.promised:,} points, the file holds {start + len(got):,}"
                raise cut_off(self.path, found, f"{left:,} rows more" if start else f"{left:,} rows")
            yield block_of(self.layout.table(self.path, got, start, "point"))
            start, left = start + len(got), left - len(got)
            if left == 0:
                line = next(lines, None)
                if line is None:
                    return
                left = self._next_count(line, start)

    def _next_count(self, line: str, start: int) -> int:
        text = line.strip()
        if not (text.isdecimal() and len(text) < 16):
            found = f"more rows than the {start:,} its count line promises: '{text[:60]}'"
            raise damaged(self.path, found, "as many rows as the count line says")
        return int(text)


def open_text(path: Path) -> PointSource:
    """A table of points as a `PointSource`; a layout that cannot be told, or a broken row, raises `ReadError`."""
    with path.open(encoding="latin-1") as stream:
        head = list(itertools.islice(solid_lines(path, stream), _LOOK_AT))
    if any("\x00" in line for line in head):
        raise damaged(path, "bytes that are no text", "a table of points as plain text")
    found = sniff(path, head)
    rows = _Table(path, found.skip, found.layout, found.promised)
    unit_from = "its column names" if found.unit else ""
    lines, least = _count_lines(path), 2 * (found.promised or 0)
    if path.stat().st_size < least:
        raise cut_off(path, f"its count line promises {found.promised:,} points, the file has {lines:,} lines",
                      f"{found.promised:,} rows")  # fmt: skip
    notes = (*found.notes, *last_row_doubt(path, found.layout.delimiter))
    return PointSource(
        "text", lines, rows.blocks, unit=found.unit, unit_from=unit_from, warnings=notes, count_exact=False
    )


def _count_lines(path: Path) -> int:
    """Line ends in the file and one more: at least as many as there are rows."""
    with path.open("rb") as stream:
        count = 1
        while data := stream.read(2**22):
            count += data.count(b"\n")
    return count


FORMAT = Format("text", (".xyz", ".txt", ".csv", ".asc", ".pts", ".tsv", ".xyzrgb", ".xyzn"), "points", None, open_text)
