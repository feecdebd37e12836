"""PCD point clouds: ASCII, binary and compressed, with the scanner's VIEWPOINT applied."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.pose import Pose, rotation_matrix
from flatscan.capture.registry import Format
from flatscan.capture.rows import BinaryRows, Layout, TextRows, last_row_doubt, short_lines
from flatscan.capture.source import BLOCK, Block, Normals, PointSource, cut_off, damaged, float32_step
from flatscan.core.geometry import Array

_LONGEST_HEADER = 100_000
_NORMALS = ("normal_x", "normal_y", "normal_z")
_CODES = {("F", 4): "<f4", ("F", 8): "<f8", **{(kind, size): f"<{kind.lower()}{size}" for kind in "IU"
                                               for size in (1, 2, 4, 8)}}  # fmt: skip
# three bytes of LZF make at most 264
_MOST_EXPANSION = 100
# writers that map the file round its size up to pages
_PADDING = 65_536

_Opened = tuple[Callable[[], Iterator[Block]], tuple[str, ...]]


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
        found = f"{len(names)} FIELDS, {len(sizes)} SIZE, {len(kinds)} TYPE and {len(counts)} COUNT in the header"
        raise damaged(path, found, "as many of each")
    wrong = [f"{kind}{length}" for kind, length in zip(kinds, sizes, strict=True) if (kind, length) not in _CODES]
    if wrong or min(counts) < 1:
        raise damaged(
            path, f"fields of type {', '.join(wrong) or 'COUNT 0'}", "F, I or U of 1 to 8 bytes, COUNT 1 or more"
        )
    codes = tuple(_CODES[pair] for pair in zip(kinds, sizes, strict=True))
    data = (words["DATA"] or [""])[0].lower()
    return Header(tuple(names), codes, tuple(counts), _count(path, words), _pose(path, words), data, size, lines)


def _integers(path: Path, words: dict[str, list[str]], key: str) -> list[int]:
    cells = words.get(key, [])
    if not all(cell.isdecimal() and len(cell) < 16 for cell in cells):
        raise damaged(path, f"header line {key} is '{' '.join(cells)[:60]}'", "whole numbers")
    return [int(cell) for cell in cells]


def _count(path: Path, words: dict[str, list[str]]) -> int:
    width, height, points = (_integers(path, words, key) for key in ("WIDTH", "HEIGHT", "POINTS"))
    if not width and not points:
        raise damaged(path, "the header gives no WIDTH and no POINTS", "the number of points")
    product = (width or points)[0] * (height or [1])[0] if width else points[0]
    if points and product != points[0]:
        raise damaged(path, f"WIDTH x HEIGHT is {product:,} but POINTS {points[0]:,}", "the same number")
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
        found = f"VIEWPOINT is '{' '.join(cells)[:60]}'"
        raise damaged(path, found, "a place x y z and a quaternion w x y z") from None


def open_pcd(path: Path) -> PointSource:
    """A PCD file as a `PointSource`; raises `ReadError` where counts, layout and file size disagree."""
    header = read_header(path)
    fields = header.find("x", "y", "z")
    if fields is None:
        raise damaged(path, f"its points have no x, y and z (fields: {' '.join(header.names)[:200]})", "x, y and z")
    normals = header.find(*_NORMALS)
    if header.data == "ascii":
        blocks, warnings = _text(path, header, fields, normals)
    elif header.data == "binary":
        blocks, warnings = _binary(path, header, fields, normals)
    elif header.data == "binary_compressed":
        blocks, warnings = _compressed(path, header, fields, normals)
    else:
        raise damaged(path, f"DATA {header.data[:40]}", "ascii, binary or binary_compressed")
    single = header.data != "ascii" and all(header.codes[field] == "<f4" for field in fields)
    step = _step(blocks()) if single and header.points else None
    if header.pose.is_default:
        # every program writes the default: it says nothing about where the scanner stood
        return PointSource(f"PCD, {header.data}", header.points, blocks, step=step, float32=single, warnings=warnings)
    return PointSource(
        f"PCD, {header.data}",
        header.points,
        header.pose.blocks(blocks),
        step=step,
        float32=single,
        stands=header.pose.translation[None],
        warnings=warnings,
    )


def _step(blocks: Iterator[Block]) -> Array:
    points = np.abs(next(blocks).points)
    with np.errstate(all="ignore"):
        finite = [part[part < np.inf] for part in points.T]
        return float32_step(np.array([np.median(part) if len(part) else 0.0 for part in finite]))


def _surplus(path: Path, end: int, points: int) -> tuple[str, ...]:
    """A sentence if more than padding with zeros stands behind the points, which end at byte ``end``."""
    extra = path.stat().st_size - end
    if extra <= 0 or (extra < _PADDING and not np.fromfile(path, np.uint8, offset=end).any()):
        return ()
    return (f"the file holds {extra:,} bytes beyond the {points:,} points its header promises: not read",)


def _binary(path: Path, header: Header, fields: list[int], normals: list[int] | None) -> _Opened:
    size, held = header.offsets[-1], path.stat().st_size - header.size
    if held < header.points * size:
        found = f"the header promises {header.points:,} points, the file holds {held // size:,}"
        raise cut_off(path, found, f"{header.points * size:,} bytes of points (found {held:,})")
    names = ("x", "y", "z", *(_NORMALS if normals else ()))
    record = header.record([*fields, *(normals or [])], names)
    rows = BinaryRows(path, record, header.size, header.points, names[:3], names[3:] or None)
    return rows.blocks, _surplus(path, header.size + header.points * size, header.points)


def _text(path: Path, header: Header, fields: list[int], normals: list[int] | None) -> _Opened:
    width = sum(header.counts)
    if path.stat().st_size - header.size < 2 * header.points * width - 1:
        found = f"the header promises {header.points:,} points, the file holds {path.stat().st_size:,} bytes"
        raise cut_off(path, found, f"{header.points:,} rows of {width} numbers")
    first = np.cumsum([0, *header.counts])
    with path.open("rb") as stream:
        stream.seek(header.size)
        comma = b"," in stream.readline(_LONGEST_HEADER)
    layout = Layout(
        width,
        tuple(int(first[field]) for field in fields),
        tuple(int(first[field]) for field in normals or ()),
        "," if comma else None,
    )
    with path.open("rb") as stream:
        extra = sum(not line.isspace() for line in short_lines(stream)) - header.lines - header.points
    words: tuple[str, ...] = (
        (f"the file holds {extra:,} lines beyond what its header promises: not read",) if extra > 0 else ()
    )
    words += last_row_doubt(path, layout.delimiter)
    return TextRows(path, header.lines, header.points, layout).blocks, words


def _compressed(path: Path, header: Header, fields: list[int], normals: list[int] | None) -> _Opened:
    """Data field after field, all of it in one LZF block, with both sizes before it."""
    held = path.stat().st_size - header.size - 8
    packed, full = np.fromfile(path, "<u4", 2, offset=header.size).tolist() if held >= 0 else (0, 0)
    if held < packed or held < 0:
        raise cut_off(path, f"{max(held, 0):,} bytes of compressed points", f"{packed:,} bytes, as the file says")
    needed = header.points * header.offsets[-1]
    if full != needed or full > packed * _MOST_EXPANSION:
        raise damaged(
            path, f"{full:,} bytes of points packed in {packed:,}", f"{needed:,} bytes for {header.points:,} points"
        )
    rows = _Unpacked(path, header, packed, tuple(fields), tuple(normals or ()))
    return rows.blocks, _surplus(path, header.size + 8 + packed, header.points)


@dataclass(frozen=True)
class _Unpacked:
    """Expands the block anew at each pass, so that only a pass needs the memory."""

    path: Path
    header: Header
    packed: int
    fields: tuple[int, ...]
    normals: tuple[int, ...]

    def blocks(self) -> Iterator[Block]:
        data = self._expand()
        columns = [self._column(data, field) for field in (*self.fields, *self.normals)]
        for start in range(0, self.header.points, BLOCK):
            part = slice(start, start + BLOCK)
            yield Block(_table(columns[:3], part), _rows_of(columns[3:], part))

    def _expand(self) -> NDArray[np.uint8]:
        from flatscan.capture.kernel import expand_lzf

        data = np.fromfile(self.path, np.uint8, self.packed, offset=self.header.size + 8)
        out = np.empty(self.header.points * self.header.offsets[-1], np.uint8)
        if expand_lzf(data, out) != len(out):
            raise damaged(self.path, "its compressed points do not unpack", f"{len(out):,} bytes")
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


def _is_pcd(head: bytes) -> bool:
    return bool(
        re.search(rb"(?mi)^(FIELDS|COLUMNS)\s", head) and re.search(rb"(?mi)^(# \.PCD|VERSION|DATA|TYPE)\b", head)
    )


FORMAT = Format("PCD", (".pcd",), "points", _is_pcd, open_pcd)
