"""Rows of points in a file: binary records of one size, or lines of numbers; read in blocks, counts checked."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, AnyStr

import numpy as np

from flatscan.capture.source import BLOCK, Block, Normals, cut_off, damaged
from flatscan.core.geometry import Array

# a line longer than this is no row of a point
LONGEST_LINE = 100_000


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
    normal_columns: tuple[str, ...] | None = None

    def blocks(self) -> Iterator[Block]:
        """Blocks of rows as (m, 3) float64; a file that ends early raises `ReadError`."""
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
class Layout:
    """How numbers stand in a line: ``width`` cells, x, y, z in ``columns``, None as delimiter for white space."""

    width: int
    columns: tuple[int, ...] = (0, 1, 2)
    normal_columns: tuple[int, ...] = ()
    delimiter: str | None = None
    decimal_comma: bool = False

    def tidy(self, lines: list[str]) -> list[str]:
        """Lines as `numpy.loadtxt` takes them."""
        if self.decimal_comma:
            lines = [line.replace(",", ".") for line in lines]
        if self.delimiter is not None and any(line.rstrip().endswith(self.delimiter) for line in lines[:1]):
            lines = [line.rstrip().removesuffix(self.delimiter) for line in lines]
        return lines

    def table(self, path: Path, lines: list[str], start: int, what: str) -> Array:
        """x, y, z (and normals) of ``lines`` as (m, k); the first line that breaks the layout raises `ReadError`.

        ``start`` is how many rows stand before, ``what`` names a row.
        """
        used = [*self.columns, *self.normal_columns]
        rows = self.tidy(lines)
        if not rows:
            return np.empty((0, len(used)))
        try:
            full = np.loadtxt(rows, comments=None, delimiter=self.delimiter, ndmin=2)
            if full.shape == (len(rows), self.width):
                return full[:, used]
        except ValueError:
            # found and named below
            pass
        for number, line in enumerate(rows, start=start + 1):
            words = line.split(self.delimiter)
            if len(words) != self.width or not all(is_number(words[column]) for column in used):
                found = f"{what} {number:,} is '{line.strip()[:60]}'"
                raise damaged(path, found, f"{self.width} numbers a row")
        try:
            return np.loadtxt(rows, comments=None, delimiter=self.delimiter, usecols=used, ndmin=2)
        except ValueError:
            found = f"{what} {start + 1:,} and after are no table of numbers"
            raise damaged(path, found, f"{self.width} numbers a row") from None


@dataclass(frozen=True)
class TextRows:
    """Lines of numbers in a text file after ``skip`` lines; blank lines do not count.

    ``promised`` says the header gives the ``count``: then fewer rows raise `ReadError`.
    """

    path: Path
    skip: int
    count: int
    layout: Layout
    promised: bool = True
    what: str = "point"

    def blocks(self) -> Iterator[Block]:
        """Blocks of rows as (m, 3) float64; a row that is not numbers raises `ReadError` with its number."""
        with self.path.open(encoding="latin-1") as stream:
            lines = solid_lines(self.path, stream)
            for _ in itertools.islice(lines, self.skip):
                pass
            for start in range(0, self.count, BLOCK):
                size = min(BLOCK, self.count - start)
                got = list(itertools.islice(lines, size))
                if len(got) < size and self.promised:
                    found = f"the header promises {self.count:,} points, the file holds {start + len(got):,}"
                    raise cut_off(self.path, found, f"{self.count:,} rows")
                yield block_of(self.layout.table(self.path, got, start, self.what))
                if len(got) < size:
                    return


def short_lines(stream: IO[AnyStr]) -> Iterator[AnyStr]:
    """Lines of a file, none longer than a little over `LONGEST_LINE`: a file without line ends is not read whole."""
    while line := stream.readline(LONGEST_LINE + 1):
        yield line


def solid_lines(path: Path, stream: IO[str]) -> Iterator[str]:
    """Lines that are not blank; an absurdly long one raises `ReadError`."""
    for number, line in enumerate(short_lines(stream)):
        if number == 0:
            # the mark some editors put before UTF-8, as the bytes read here
            line = line.removeprefix("\xef\xbb\xbf")  # noqa: PLW2901
        if len(line) > LONGEST_LINE:
            found = f"line {number + 1:,} is over {LONGEST_LINE:,} characters"
            raise damaged(path, found, "rows of points")
        if not line.isspace():
            yield line


def block_of(table: Array) -> Block:
    """A block from x, y, z and, if there are six columns, normals."""
    normals = (lambda chosen: table[chosen][:, 3:]) if table.shape[1] > 3 else None
    return Block(np.ascontiguousarray(table[:, :3]), normals)


def is_number(word: str) -> bool:
    """Whether a word reads as a number (NaN and infinity do)."""
    try:
        float(word)
    except ValueError:
        return False
    return True


def last_row_doubt(path: Path, delimiter: str | None, *, whole_numbers: bool = False) -> tuple[str, ...]:
    """A sentence if the last row has no line end and is shorter than the others: a file cut inside a number.

    With ``whole_numbers`` a missing line end is enough: 12 cut to 1 is no shorter than other rows.
    """
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - 4096))
        tail = stream.read()
    rows = [row for row in tail.decode("latin-1").splitlines()[1:] if row.strip()]
    if tail[-1:] in (b"\n", b"\r") or len(rows) < 3:
        return ()
    last = [len(row.split(delimiter)[-1].strip()) for row in rows]
    if last[-1] >= min(last[:-1]) and not whole_numbers:
        return ()
    return (f"the last row has no line end ('{rows[-1].strip()[-40:]}'): the file may be cut off",)
