"""What a point reader hands over, and rows of points in a file: binary records of one size, or lines of numbers."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, AnyStr, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.colours import of_columns
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.model import SweptWall
from flatscan.core.notes import Note, note
from flatscan.core.photographed import Photographed

Rows = NDArray[np.int64]
# rows in one block: small enough that a pass over any file stays in tens of megabytes, large enough for numpy
BLOCK = 2**18
# a line longer than this is no row of a point
LONGEST_LINE = 100_000


Normals = Callable[[Rows], Array]
Colours = Callable[[Rows], NDArray[np.uint8]]


class Block(NamedTuple):
    """Consecutive rows: ``points`` (m, 3) float64 in file units, and ways to get (k, 3) of chosen ones.

    ``normals`` as unit vectors, ``colours`` as red, green and blue from 0 to 255. ``dropped`` counts rows between them
    that the format itself marks as no return.
    """

    points: Array
    normals: Normals | None = None
    dropped: int = 0
    colours: Colours | None = None


@dataclass(frozen=True, eq=False)
class PointSource:
    """A file of points before any check.

    ``count`` is how many rows the file holds (at most, if not ``count_exact``). ``blocks()`` may be called any number
    of times and yields the same rows in the same order. ``unit`` is the unit the format or the file's own header
    fixes, ``unit_from`` says which; ``step`` (3,) the known rounding of each axis in file units (``float32`` if
    that is all a 32-bit float holds). ``stands`` (k, 3) are scanner positions in file units. ``mesh_area`` [file
    units squared] marks points drawn on a mesh. ``dropped_as`` says what the format marks its dropped rows as.
    ``bounds`` (2, 3) are the least and largest coordinates the header gives. ``u_up`` [m per m] is how well ``up`` is
    known where that is worse than usual. ``kind`` is the capture type that the format itself implies.
    ``coloured()`` yields the same blocks with their colours where that takes longer. ``captured`` is when the file says
    that it was measured. ``swept`` is the wall that lines were swept over, as its set-up gives it,
    ``photographed`` what photos of a wall share of their error.
    """

    reader: str
    count: int
    blocks: Callable[[], Iterator[Block]]
    unit: str | None = None
    unit_from: Note | None = None
    step: Array | None = None
    float32: bool = False
    up: Array | None = None
    up_from: Note | None = None
    stands: Array | None = None
    mesh_area: float | None = None
    dropped_as: Note | None = None
    count_exact: bool = True
    bounds: Array | None = None
    u_up: float | None = None
    warnings: tuple[Note, ...] = ()
    kind: str = ""
    coloured: Callable[[], Iterator[Block]] | None = None
    captured: str = ""
    swept: SweptWall | None = None
    photographed: Photographed | None = None


def float32_step(largest: Array) -> Array:
    """Distance between neighbouring 32-bit floats at coordinates of size ``largest`` (3,) (IEEE 754, binary32)."""
    with np.errstate(all="ignore"):
        single = np.abs(np.asarray(largest, np.float64)).astype(np.float32)
        step = np.spacing(np.where(np.isfinite(single), single, np.float32(0)))
    return step.astype(np.float64)


def typical_step(points: Array) -> Array:
    """Step (3,) of 32-bit coordinates ``points`` (n, 3): what matters is how far from the origin most of them lie."""
    with np.errstate(all="ignore"):
        finite = [part[part < np.inf] for part in np.abs(points).T]
        return float32_step(np.array([np.median(part) if len(part) else 0.0 for part in finite]))


def cut_off(path: Path, found: str, needed: str, **values: object) -> ReadError:
    """The error for a file that holds less than it promises; ``values`` fill the templates (`core.phrase`)."""
    return ReadError(
        path, f"the file is cut off: {found}", needed=needed, remedy="Export or copy the file again", **values
    )


def damaged(path: Path, found: str, needed: str, **values: object) -> ReadError:
    """The error for a file that contradicts its own layout; ``values`` fill the templates (`core.phrase`)."""
    remedy = "Export the file again, or convert it with another program"
    return ReadError(path, found, needed=needed, remedy=remedy, **values)


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
    colour_columns: tuple[str, ...] | None = None

    def blocks(self) -> Iterator[Block]:
        """Blocks of rows as (m, 3) float64; a file that ends early raises `ReadError`."""
        with self.path.open("rb") as stream:
            stream.seek(self.offset)
            for start in range(0, self.count, BLOCK):
                size = min(BLOCK, self.count - start)
                rows = np.fromfile(stream, self.record, size)
                if len(rows) < size:
                    at = start + len(rows)
                    raise cut_off(
                        self.path, "it ended at point {at:count}", "{count:count} points", at=at, count=self.count
                    )
                yield Block(columns_of(rows, self.columns), self._normals(rows), 0, self._colours(rows))

    def _normals(self, rows: np.ndarray) -> Normals | None:
        names = self.normal_columns
        return None if names is None else lambda chosen: columns_of(rows[chosen], names)

    def _colours(self, rows: np.ndarray) -> Colours | None:
        names = self.colour_columns
        if names is None:
            return None
        return lambda chosen: of_columns(np.stack([rows[name][chosen] for name in names], axis=1))


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
    """How numbers stand in a line: ``width`` cells, x, y, z in ``columns``, None as delimiter for white space.

    ``colour_columns`` are red, green and blue, or one that holds them packed as a number of
    ``colour_code``; what is no number there is no fault.
    """

    width: int
    columns: tuple[int, ...] = (0, 1, 2)
    normal_columns: tuple[int, ...] = ()
    delimiter: str | None = None
    decimal_comma: bool = False
    colour_columns: tuple[int, ...] = ()
    colour_code: str = "f8"

    def tidy(self, lines: list[str]) -> list[str]:
        """Lines as `numpy.loadtxt` takes them."""
        if self.decimal_comma:
            lines = [line.replace(",", ".") for line in lines]
        if self.delimiter is not None and any(line.rstrip().endswith(self.delimiter) for line in lines[:1]):
            lines = [line.rstrip().removesuffix(self.delimiter) for line in lines]
        return lines

    def table(self, path: Path, lines: list[str], start: int, what: str = "point") -> Array:
        """x, y, z (normals, colours) of ``lines`` as (m, k); the first line that breaks the layout raises `ReadError`.

        ``start`` is how many rows stand before, ``what`` names a row.
        """
        used = [*self.columns, *self.normal_columns]
        rows = self.tidy(lines)
        if not rows:
            return np.empty((0, len(used) + len(self.colour_columns)))
        try:
            full = np.loadtxt(rows, comments=None, delimiter=self.delimiter, ndmin=2)
            if full.shape == (len(rows), self.width):
                return full[:, [*used, *self.colour_columns]]
        except ValueError:
            # found and named below
            pass
        needed = "{width} numbers a row"
        for number, line in enumerate(rows, start=start + 1):
            words = line.split(self.delimiter)
            if len(words) != self.width or not all(is_number(words[column]) for column in used):
                found = f"{what} {{number:count}} is '{{text}}'"
                raise damaged(path, found, needed, number=number, text=line.strip()[:60], width=self.width)
        try:
            found_here = np.loadtxt(rows, comments=None, delimiter=self.delimiter, usecols=used, ndmin=2)
            return np.hstack([found_here, np.zeros((len(rows), len(self.colour_columns)))])
        except ValueError:
            found = f"{what} {{number:count}} and after are no table of numbers"
            raise damaged(path, found, needed, number=start + 1, width=self.width) from None


@dataclass(frozen=True)
class TextRows:
    """``count`` lines of numbers, as the header promises, after ``skip`` lines of a file; blank lines do not count."""

    path: Path
    skip: int
    count: int
    layout: Layout

    def blocks(self) -> Iterator[Block]:
        """Blocks of rows as (m, 3) float64; rows that are missing or are not numbers raise `ReadError`."""
        with self.path.open(encoding="latin-1") as stream:
            lines = solid_lines(self.path, stream)
            for _ in itertools.islice(lines, self.skip):
                pass
            for start in range(0, self.count, BLOCK):
                size = min(BLOCK, self.count - start)
                rows = list(itertools.islice(lines, size))
                if len(rows) < size:
                    found = "the header promises {count:count} points, the file holds {held:count}"
                    raise cut_off(self.path, found, "{count:count} rows", count=self.count, held=start + len(rows))
                yield block_of(self.layout.table(self.path, rows, start), self.layout)


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
            raise line_too_long(path, number + 1, "rows of points")
        if not line.isspace():
            yield line


def line_too_long(path: Path, number: int, needed: str) -> ReadError:
    """The error for line ``number`` of a file, which is no line of a table."""
    return damaged(
        path, "line {number:count} is over {most:count} characters", needed, number=number, most=LONGEST_LINE
    )


def block_of(table: Array, layout: Layout) -> Block:
    """A block from x, y, z and, where the layout has them, normals and colours."""
    last = table.shape[1] - len(layout.colour_columns)
    normals = (lambda chosen: table[chosen][:, 3:last]) if last > 3 else None

    def colours(chosen: Rows) -> NDArray[np.uint8]:
        return of_columns(table[chosen][:, last:].astype(layout.colour_code))

    return Block(np.ascontiguousarray(table[:, :3]), normals, 0, colours if layout.colour_columns else None)


def is_number(word: str) -> bool:
    """Whether a word reads as a number (NaN and infinity do)."""
    try:
        float(word)
    except ValueError:
        return False
    return True


def last_row_doubt(path: Path, delimiter: str | None, *, whole_numbers: bool = False) -> tuple[Note, ...]:
    """A note if the last row has no line end and is shorter than the others: a file cut inside a number.

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
    return (note("capture.last-row-cut", row=rows[-1].strip()[-40:]),)


def bytes_beyond(extra: int, count: int) -> tuple[Note, ...]:
    """A note if ``extra`` bytes stand in a file beyond the ``count`` points its header promises."""
    return (note("capture.bytes-beyond", extra=extra, count=count),) if extra > 0 else ()


def lines_beyond(extra: int) -> tuple[Note, ...]:
    """A note if ``extra`` lines stand in a file beyond what its header promises."""
    return (note("capture.lines-beyond", extra=extra),) if extra > 0 else ()
