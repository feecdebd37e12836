"""PCD point clouds: ASCII, binary and compressed, with the scanner's VIEWPOINT applied."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.colours import PACKED, of_columns
from flatscan.capture.pose import Pose, rotation_matrix
from flatscan.capture.registry import Format
from flatscan.capture.source import (
    BLOCK,
    BinaryRows,
    Block,
    Colours,
    Layout,
    Normals,
    PointSource,
    TextRows,
    bytes_beyond,
    cut_off,
    damaged,
    last_row_doubt,
    lines_beyond,
    short_lines,
    typical_step,
)
from flatscan.core.geometry import Array
from flatscan.core.notes import Note

_LONGEST_HEADER = 100_000
_NORMALS = ("normal_x", "normal_y", "normal_z")
_INTEGER_CODES = {(kind, size): f"<{kind.lower()}{size}" for kind in "IU" for size in (1, 2, 4, 8)}
_CODES = {("F", 4): "<f4", ("F", 8): "<f8"} | _INTEGER_CODES
# three bytes of LZF make at most 264
_MOST_EXPANSION = 100
# writers that map the file round its size up to pages
_PADDING = 65_536

_Opened = tuple[Callable[[], Iterator[Block]], tuple[Note, ...]]


@dataclass(frozen=True)
class Header:
    """A PCD header: numpy codes, counts and byte offsets per field, and where the data begin."""

    names: tuple[str, ...]
    codes: tuple[str, ...]
    counts: tuple[int, ...]
    points: int
    pose: Pose
    data: str
    size: int
    lines: int

    @property
    def offsets(self) -> tuple[int, ...]:
        """First byte of each field in a record, and the record's size at the end."""
        sizes = [int(code[2]) * count for code, count in zip(self.codes, self.counts, strict=True)]
        return tuple(int(part) for part in np.cumsum([0, *sizes]))

    def find(self, *names: str) -> list[int] | None:
        """Places of fields among the fields, case apart, or None if one is missing."""
        spelt = [name.lower() for name in self.names]
        return [spelt.index(name) for name in names] if all(name in spelt for name in names) else None

    def record(self, fields: list[int], names: tuple[str, ...]) -> np.dtype:
        """Record that shows only these fields."""
        return np.dtype(
            {
                "names": list(names),
                "formats": [self.codes[field] for field in fields],
                "offsets": [self.offsets[field] for field in fields],
                "itemsize": self.offsets[-1],
            }
        )


def read_header(path: Path) -> Header:
    """Header of ``path``; raises `ReadError` where it breaks the format (version 0.7, and older ones)."""
    words: dict[str, list[str]] = {}
    lines = 0
    with path.open("rb") as stream:
        while "DATA" not in words:
            line = stream.readline(_LONGEST_HEADER)
            if not line or stream.tell() > _LONGEST_HEADER:
                raise cut_off(path, "the PCD header has no DATA line", "a complete header")
            cells = line.decode("latin-1").split()
            lines += bool(cells)
            if cells and not cells[0].startswith("#"):
                words[cells[0].upper()] = cells[1:]
        size = stream.tell()
    names = words.get("FIELDS", words.get("COLUMNS", []))
    sizes, kinds = _integers(path, words, "SIZE"), [kind.upper() for kind in words.get("TYPE", [])]
    counts = _integers(path, words, "COUNT") if "COUNT" in words else [1] * len(names)
    if not len(names) == len(sizes) == len(kinds) == len(counts) or not names:
        found = "{fields} FIELDS, {sizes} SIZE, {types} TYPE and {counts} COUNT in the header"
        lengths = {"fields": len(names), "sizes": len(sizes), "types": len(kinds), "counts": len(counts)}
        raise damaged(path, found, "as many of each", **lengths)
    wrong = [f"{kind}{length}" for kind, length in zip(kinds, sizes, strict=True) if (kind, length) not in _CODES]
    if wrong or min(counts) < 1:
        needed, kind = "F, I or U of 1 to 8 bytes, COUNT 1 or more", ", ".join(wrong) or "COUNT 0"
        raise damaged(path, "fields of type {kind}", needed, kind=kind)
    codes = tuple(_CODES[pair] for pair in zip(kinds, sizes, strict=True))
    data = (words["DATA"] or [""])[0].lower()
    return Header(tuple(names), codes, tuple(counts), _count(path, words), _pose(path, words), data, size, lines)


def _integers(path: Path, words: dict[str, list[str]], key: str) -> list[int]:
    cells = words.get(key, [])
    if not all(cell.isdecimal() and len(cell) < 16 for cell in cells):
        text = " ".join(cells)[:60]
        raise damaged(path, "header line {key} is '{text}'", "whole numbers", key=key, text=text)
    return [int(cell) for cell in cells]


def _count(path: Path, words: dict[str, list[str]]) -> int:
    width, height, points = (_integers(path, words, key) for key in ("WIDTH", "HEIGHT", "POINTS"))
    if not width and not points:
        raise damaged(path, "the header gives no WIDTH and no POINTS", "the number of points")
    product = (width or points)[0] * (height or [1])[0] if width else points[0]
    if points and product != points[0]:
        found = "WIDTH x HEIGHT is {product:count} but POINTS {points:count}"
        raise damaged(path, found, "the same number", product=product, points=points[0])
    return product


def _pose(path: Path, words: dict[str, list[str]]) -> Pose:
    cells = words.get("VIEWPOINT", ["0", "0", "0", "1", "0", "0", "0"])
    try:
        x, y, z, *turn = (float(cell) for cell in cells)
        place = np.array([x, y, z])
        if not np.isfinite(place).all():
            raise ValueError("a place that is not finite")
        return Pose(rotation_matrix(*turn), place)
    except (ValueError, TypeError):
        found, text = "VIEWPOINT is '{text}'", " ".join(cells)[:60]
        raise damaged(path, found, "a place x y z and a quaternion w x y z", text=text) from None


def open_pcd(path: Path) -> PointSource:
    """A PCD file as a `PointSource`; raises `ReadError` where counts, layout and file size disagree."""
    header = read_header(path)
    fields = header.find("x", "y", "z")
    if fields is None:
        names = " ".join(header.names)[:200]
        raise damaged(path, "its points have no x, y and z (fields: {names})", "x, y and z", names=names)
    if header.data not in _READERS:
        data = header.data[:40]
        raise damaged(path, "DATA {data}", "ascii, binary or binary_compressed", data=data)
    blocks, notes = _READERS[header.data](path, header, fields, header.find(*_NORMALS))
    single = header.data != "ascii" and all(header.codes[field] == "<f4" for field in fields)
    step = typical_step(next(blocks()).points) if single and header.points else None
    # every program writes the default pose: it says nothing about where the scanner stood
    known = not header.pose.is_default
    return PointSource(
        f"PCD, {header.data}",
        header.points,
        header.pose.blocks(blocks) if known else blocks,
        step=step,
        float32=single,
        stands=header.pose.translation[None] if known else None,
        warnings=notes,
    )


def _surplus(path: Path, end: int, points: int) -> tuple[Note, ...]:
    """A note if more than padding with zeros stands behind the points, which end at byte ``end``."""
    extra = path.stat().st_size - end
    if extra <= 0 or (extra < _PADDING and not np.fromfile(path, np.uint8, offset=end).any()):
        return ()
    return bytes_beyond(extra, points)


def _binary(path: Path, header: Header, fields: list[int], normals: list[int] | None) -> _Opened:
    size, held = header.offsets[-1], path.stat().st_size - header.size
    if held < header.points * size:
        raise cut_off(
            path,
            "the header promises {promised:count} points, the file holds {inside:count}",
            "{full:count} bytes of points (found {held:count})",
            promised=header.points,
            inside=held // size,
            full=header.points * size,
            held=held,
        )
    names = ("x", "y", "z", *(_NORMALS if normals else ()))
    colour = _packed(header)
    kept = (*names, *(PACKED[:1] if colour else ()))
    record = header.record([*fields, *(normals or []), *colour], kept)
    rows = BinaryRows(
        path, record, header.size, header.points, names[:3], names[3:] or None, kept[len(names) :] or None
    )
    return rows.blocks, _surplus(path, header.size + header.points * size, header.points)


def _text(path: Path, header: Header, fields: list[int], normals: list[int] | None) -> _Opened:
    width = sum(header.counts)
    if path.stat().st_size - header.size < 2 * header.points * width - 1:
        raise cut_off(
            path,
            "the header promises {promised:count} points, the file holds {held:count} bytes",
            "{promised:count} rows of {width} numbers",
            promised=header.points,
            held=path.stat().st_size,
            width=width,
        )
    first = np.cumsum([0, *header.counts])
    with path.open("rb") as stream:
        stream.seek(header.size)
        comma = b"," in stream.readline(_LONGEST_HEADER)
    layout = Layout(
        width,
        tuple(int(first[field]) for field in fields),
        tuple(int(first[field]) for field in normals or ()),
        "," if comma else None,
        colour_columns=tuple(int(first[field]) for field in _packed(header)),
        colour_code=next((header.codes[field] for field in _packed(header)), "f8"),
    )
    with path.open("rb") as stream:
        extra = sum(not line.isspace() for line in short_lines(stream)) - header.lines - header.points
    notes = (*lines_beyond(extra), *last_row_doubt(path, layout.delimiter))
    return TextRows(path, header.lines, header.points, layout).blocks, notes


def _compressed(path: Path, header: Header, fields: list[int], normals: list[int] | None) -> _Opened:
    """Data field after field, all of it in one LZF block, with both sizes before it."""
    held = path.stat().st_size - header.size - 8
    packed, full = np.fromfile(path, "<u4", 2, offset=header.size).tolist() if held >= 0 else (0, 0)
    if held < packed or held < 0:
        found, needed = "{held:count} bytes of compressed points", "{packed:count} bytes, as the file says"
        raise cut_off(path, found, needed, held=max(held, 0), packed=packed)
    size = header.points * header.offsets[-1]
    if full != size or full > packed * _MOST_EXPANSION:
        raise damaged(
            path,
            "{full:count} bytes of points packed in {packed:count}",
            "{size:count} bytes for {points:count} points",
            full=full,
            packed=packed,
            size=size,
            points=header.points,
        )
    rows = _Unpacked(path, header, packed, tuple(fields), tuple(normals or ()), _packed(header))
    return rows.blocks, _surplus(path, header.size + 8 + packed, header.points)


_READERS = {"ascii": _text, "binary": _binary, "binary_compressed": _compressed}


@dataclass(frozen=True)
class _Unpacked:
    """Expands the block anew at each pass, so that only a pass needs the memory."""

    path: Path
    header: Header
    packed: int
    fields: tuple[int, ...]
    normals: tuple[int, ...]
    packed_colours: tuple[int, ...] = ()

    def blocks(self) -> Iterator[Block]:
        data = self._expand()
        columns = [self._column(data, field) for field in (*self.fields, *self.normals)]
        colours = [self._column(data, field) for field in self.packed_colours]
        for start in range(0, self.header.points, BLOCK):
            part = slice(start, start + BLOCK)
            yield Block(_table(columns[:3], part), _rows_of(columns[3:], part), 0, _colours_of(colours, part))

    def _expand(self) -> NDArray[np.uint8]:
        from flatscan.capture.packed_kernel import expand_lzf

        data = np.fromfile(self.path, np.uint8, self.packed, offset=self.header.size + 8)
        out = np.empty(self.header.points * self.header.offsets[-1], np.uint8)
        if expand_lzf(data, out) != len(out):
            raise damaged(self.path, "its compressed points do not unpack", "{size:count} bytes", size=len(out))
        return out

    def _column(self, data: NDArray[np.uint8], field: int) -> np.ndarray:
        header = self.header
        start, stop = (header.points * offset for offset in header.offsets[field : field + 2])
        return data[start:stop].view(header.codes[field])[:: header.counts[field]]


def _table(columns: list[np.ndarray], rows: slice) -> Array:
    with np.errstate(invalid="ignore"):
        return np.stack([column[rows].astype(np.float64) for column in columns], axis=1)


def _rows_of(columns: list[np.ndarray], rows: slice) -> Normals | None:
    return (lambda chosen: _table(columns, rows)[chosen]) if columns else None


def _colours_of(columns: list[np.ndarray], rows: slice) -> Colours | None:
    return (lambda chosen: of_columns(np.stack([c[rows][chosen] for c in columns], axis=1))) if columns else None


def _packed(header: Header) -> tuple[int, ...]:
    """The field that holds the colours, if there is one of four bytes."""
    found = next((place for name in PACKED if (place := header.find(name)) is not None), None)
    return tuple(place for place in found or () if header.codes[place][2] == "4" and header.counts[place] == 1)


def _is_pcd(head: bytes) -> bool:
    return bool(
        re.search(rb"(?mi)^(FIELDS|COLUMNS)\s", head) and re.search(rb"(?mi)^(# \.PCD|VERSION|DATA|TYPE)\b", head)
    )


FORMAT = Format("PCD", (".pcd",), "points", _is_pcd, open_pcd)
