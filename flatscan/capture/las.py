"""LAS and LAZ point clouds through laspy, in blocks; the unit from the file's own reference system."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np

from flatscan.capture.colours import NAMES, as_bytes
from flatscan.capture.registry import Format, need
from flatscan.capture.source import BLOCK, Block, Colours, PointSource, bytes_beyond, cut_off, damaged
from flatscan.core.errors import FlatscanError, ReadError, UnitsUnknown
from flatscan.core.notes import Note, note
from flatscan.core.units import METRES_PER

# from byte 24: version, then at 94 header size, place of points, number of records (ASPRS LAS 1.4 R15, table 3)
_SHORTEST, _VERSION_AT, _SIZES_AT, _EXTENDED_AT = 227, 24, 94, 235
_RECORD, _EXTENDED = 54, 60
_VERSIONS = ((1, 0), (1, 1), (1, 2), (1, 3), (1, 4))


def _check_header(path: Path) -> None:
    """Raise `ReadError` unless the header's places lie in the file and its records end before the points begin."""
    held = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(375)
        if len(head) < _SHORTEST:
            raise cut_off(path, "a LAS file of {held} bytes", "a header of {least} bytes", held=held, least=_SHORTEST)
        version = head[_VERSION_AT], head[_VERSION_AT + 1]
        size, points, records = struct.unpack_from("<HII", head, _SIZES_AT)
        if version not in _VERSIONS or not _SHORTEST <= size <= points:
            raise damaged(
                path,
                "version {version}, a header of {size:count} bytes, points from byte {points:count}",
                "LAS 1.0 to 1.4 with its points behind its header",
                version=f"{version[0]}.{version[1]}",
                size=size,
                points=points,
            )
        if points > held:
            found = "its points begin at byte {points:count} of {held:count}"
            raise cut_off(path, found, "a whole LAS or LAZ file", points=points, held=held)
        _check_records(path, stream, size, points, records, _RECORD)
        if version == _VERSIONS[-1] and len(head) == 375:
            start, extended = struct.unpack_from("<QI", head, _EXTENDED_AT)
            if extended:
                _check_records(path, stream, start, held, extended, _EXTENDED)


def _check_records(path: Path, stream: IO[bytes], at: int, end: int, count: int, head: int) -> None:
    """Walk ``count`` variable length records from byte ``at``; each gives its own length."""
    form, place = ("<H", 20) if head == _RECORD else ("<Q", 20)
    for number in range(1, count + 1):
        if at + head > end:
            found = "record {number:count} of {count:count} would begin at byte {at:count}"
            raise damaged(path, found, "all before byte {end:count}", number=number, count=count, at=at, end=end)
        stream.seek(at + place)
        at += head + struct.unpack(form, stream.read(struct.calcsize(form)))[0]
    if at > end:
        found = "its {count:count} records end at byte {at:count}"
        raise damaged(path, found, "all before byte {end:count}", count=count, at=at, end=end)


# the compressor's own record, and the place of the chunk size in it (LASzip specification, laszip record)
_LAZ_RECORD, _CHUNK_SIZE_AT = 22204, 12
_OF_ANY_SIZE, _LARGEST_CHUNK = 2**32 - 1, 10_000_000
# compressor 3 stores each field of a chunk as a layer: nine of a point, one of its colours, two with infrared, one of
# a wave packet, one of each extra byte
_IN_LAYERS, _ITEMS_AT, _EXTRA_BYTES = b"\x03\x00", 34, 14
_LAYERS_OF = {10: 9, 11: 1, 12: 2, 13: 1}


def _check_chunks(path: Path, start: int, count: int, record: bytes) -> None:
    """Raise `ReadError` unless the chunks fill the bytes from ``start`` to their table and hold ``count`` points."""
    size, held = int.from_bytes(record[_CHUNK_SIZE_AT : _CHUNK_SIZE_AT + 4], "little"), path.stat().st_size
    # the decompressor takes memory for a whole chunk, however few points there are
    if max(count, _LARGEST_CHUNK) < size < _OF_ANY_SIZE:
        most = max(count, _LARGEST_CHUNK)
        raise damaged(path, "chunks of {size:count} points", "at most {most:count}", size=size, most=most)
    with path.open("rb") as stream:
        stream.seek(start)
        table = _table_place(path, stream, start, held)
        stream.seek(table)
        _, chunks = struct.unpack("<II", stream.read(8))
        expected = -(-count // size) if 0 < size < _OF_ANY_SIZE else None
        # each entry takes memory of its own: a count from damaged bytes must not get that far
        if size == 0 or chunks > held or (expected is not None and chunks != expected):
            raise damaged(
                path,
                "its chunk table promises {chunks:count} chunks",
                "as many as its points fill" if expected is None else "{expected:count} for {count:count} points",
                chunks=chunks,
                expected=expected,
                count=count,
            )
        stream.seek(start)
        parts = _chunk_sizes(stream, record)
        layers = _layers(record)
        if layers is not None:
            _check_layers(path, stream, start + 8, parts, *layers, count)
    filled, points = sum(part[1] for part in parts), sum(part[0] for part in parts)
    room = table - start - 8
    if filled != room:
        needed = "the {room:count} bytes before their table"
        raise damaged(path, "its chunks promise {filled:count} bytes", needed, filled=filled, room=room)
    if size == _OF_ANY_SIZE and points != count:
        raise _other_count(path, points, count)


def _other_count(path: Path, points: int, count: int) -> ReadError:
    needed = "{count:count}, as the header says"
    return damaged(path, "its chunks hold {points:count} points", needed, points=points, count=count)


def _layers(record: bytes) -> tuple[int, int] | None:
    """Bytes of a point and layers of a chunk, if the file is compressed in layers."""
    if len(record) < _ITEMS_AT or record[:2] != _IN_LAYERS:
        return None
    size = layers = 0
    for at in range(_ITEMS_AT, len(record) - 5, 6):
        kind, width, _ = struct.unpack_from("<HHH", record, at)
        size += width
        layers += width if kind == _EXTRA_BYTES else _LAYERS_OF.get(kind, 0)
    return size, layers


def _check_layers(
    path: Path, stream: IO[bytes], at: int, parts: list[tuple[int, int]], size: int, layers: int, count: int
) -> None:
    """Raise `ReadError` unless each chunk's layers fill it and the chunks hold ``count`` points between them.

    A chunk begins with its first point, the number of its points, and the size of each layer.
    """
    total, form = 0, struct.Struct(f"<{1 + layers}I")
    for number, (_, filled) in enumerate(parts, start=1):
        stream.seek(at + size)
        data = stream.read(form.size)
        if len(data) < form.size:
            found = "its chunk {number:count} begins at byte {at:count}"
            raise cut_off(path, found, "a chunk inside the file", number=number, at=at)
        points, *sizes = form.unpack(data)
        if size + form.size + sum(sizes) != filled:
            found = "the layers of chunk {number:count} promise {promised:count} bytes"
            needed = "those of its {filled:count}"
            raise damaged(path, found, needed, number=number, promised=sum(sizes), filled=filled)
        total, at = total + points, at + filled
    if total != count:
        raise _other_count(path, total, count)


def _table_place(path: Path, stream: IO[bytes], start: int, held: int) -> int:
    """Byte of the chunk table: named before the points, or in the last eight bytes of a file written as a stream."""
    first = stream.read(8)
    table = struct.unpack("<q", first)[0] if len(first) == 8 else 0
    if table == -1 and held >= start + 24:
        stream.seek(held - 8)
        table = struct.unpack("<q", stream.read(8))[0]
    if not start + 8 <= table <= held - 8:
        found = "its chunk table should be at byte {table:count} of {held:count}"
        raise cut_off(path, found, "the table behind the points", table=table, held=held)
    return int(table)


def _chunk_sizes(stream: IO[bytes], record: bytes) -> list[tuple[int, int]]:
    import lazrs

    return list(lazrs.read_chunk_table(stream, lazrs.LazVlr(record)))


# linear units of GeoTIFF and EPSG (OGC GeoTIFF 1.1, ProjLinearUnitsGeoKey)
_EPSG_UNITS = {9001: "m", 9002: "ft", 9003: "ft", 9025: "mm", 1025: "mm", 1033: "cm"}
_MODEL_KEY, _LINEAR_KEY, _VERTICAL_KEY, _GEOGRAPHIC = 1024, 3076, 4099, 2
# withheld points and the two noise classes are no surface (ASPRS LAS 1.4 R15, tables 8 and 17)
_NOISE = (7, 18)


@dataclass(frozen=True)
class _Points:
    """Streams the points of one file in its own unit."""

    path: Path

    def blocks(self) -> Iterator[Block]:
        read = 0
        with _open(self.path) as reader:
            header = reader.header
            scale, offset = np.array(header.scales), np.array(header.offsets)
            chunks = _guarded(self.path, reader.chunk_iterator(BLOCK))
            for chunk in chunks:
                read += len(chunk)
                raw = np.stack([np.asarray(chunk[axis]) for axis in "XYZ"], axis=1).astype(np.float64)
                keep = _surface(chunk)
                points = raw * scale + offset
                dropped = int(np.count_nonzero(~keep))
                yield Block(points if keep.all() else points[keep], None, dropped, _colours(chunk, keep))
            if read < header.point_count:
                promised, needed = int(header.point_count), "{promised:count} points, as the header says"
                raise cut_off(self.path, "it ended at point {read:count}", needed, read=read, promised=promised)


def _surface(chunk: Any) -> np.ndarray:  # noqa: ANN401
    keep: np.ndarray = ~np.isin(np.asarray(chunk["classification"]), _NOISE)
    if "withheld" in chunk.point_format.dimension_names:
        keep &= np.asarray(chunk["withheld"]) == 0
    return keep


def _colours(chunk: Any, keep: np.ndarray) -> Colours | None:  # noqa: ANN401
    """Colours of chosen ones of the points kept, if the point format has any."""
    names = NAMES[0]
    if not set(names) <= set(chunk.point_format.dimension_names):
        return None
    kept = np.flatnonzero(keep)
    return lambda rows: as_bytes(np.stack([np.asarray(chunk[name])[kept[rows]] for name in names], axis=1))


def _open(path: Path) -> Any:  # noqa: ANN401
    laspy = need("laspy", "las", "LAS and LAZ files")
    return _translated(path, lambda: laspy.open(path))


def _guarded(path: Path, chunks: Iterator[Any]) -> Iterator[Any]:
    while True:
        chunk = _translated(path, lambda: next(chunks, None))
        if chunk is None:
            return
        yield chunk


def _translated(path: Path, call: Callable[[], Any]) -> Any:  # noqa: ANN401
    """The result of ``call``; what laspy, its decompressor and Python raise on damaged bytes becomes `ReadError`."""
    import lazrs
    from laspy.errors import LaspyException

    ours = ValueError, OverflowError, EOFError, MemoryError, AssertionError, LookupError, TypeError, AttributeError
    known = (LaspyException, lazrs.LazrsError, *ours, NotImplementedError, OSError, struct.error)
    try:
        return call()
    except FlatscanError:
        raise
    except BaseException as reason:
        # the decompressor's own panic is no Exception, and its class cannot be imported
        if not isinstance(reason, known) and type(reason).__name__ != "PanicException":
            raise
        text = " ".join(str(reason).split())[:120]
        found = "or damaged; its points cannot be read ({text})"
        raise cut_off(path, found, "a whole LAS or LAZ file", text=text) from None


def open_las(path: Path) -> PointSource:
    """A LAS or LAZ file as a `PointSource`; raises `ReadError` where header and file disagree."""
    _check_header(path)
    with _open(path) as reader:
        header = reader.header
        count, scales = int(header.point_count), np.array(header.scales, dtype=np.float64)
        numbers = np.concatenate([scales, header.offsets])
        size, start = int(header.point_format.size), int(header.offset_to_point_data)
        packed = bool(header.are_points_compressed)
        unit, unit_from = _translated(path, lambda: _unit_of(path, list(header.vlrs) + list(header.evlrs or [])))
        record = next((bytes(item.record_data_bytes()) for item in header.vlrs if item.record_id == _LAZ_RECORD), b"")
        bounds = np.array([header.mins, header.maxs], dtype=np.float64)
        extra_records = int(header.number_of_evlrs)
        version = f"{header.version.major}.{header.version.minor}"
    if not np.isfinite(numbers).all() or not (scales != 0).all():
        raise damaged(path, "scales {scales}", "steps of the coordinates, not 0", scales=str(scales.tolist()))
    held = path.stat().st_size - start
    if held < 0 or (not packed and held < count * size):
        raise cut_off(
            path,
            "the header promises {count:count} points, the file holds {inside:count}",
            "{needed_bytes:count} bytes of points (found {held:count})",
            count=count,
            inside=max(held, 0) // size,
            needed_bytes=count * size,
            held=max(held, 0),
        )
    if packed:
        _translated(path, lambda: _check_chunks(path, start, count, record))
    return PointSource(
        f"LA{'Z' if packed else 'S'} {version}",
        count,
        _Points(path).blocks,
        unit=unit,
        unit_from=unit_from,
        step=np.abs(scales),
        up=np.array([0.0, 0.0, 1.0]),
        up_from=note("capture.up-by-format", format="LAS", axis="Z"),
        dropped_as=note("capture.marked-as-noise"),
        bounds=bounds if bounds.any() else None,
        warnings=() if packed or extra_records else bytes_beyond(held - count * size, count),
    )


def _unit_of(path: Path, records: list[Any]) -> tuple[str | None, Note | None]:
    """Unit the file's reference system gives, and a note where from; None where it has none.

    Degrees, and a height in another unit than the plan, raise `UnitsUnknown`.
    """
    units: set[str] = set()
    degrees = False
    for record in records:
        if hasattr(record, "geo_keys"):
            keys = {key.id: key.value_offset for key in record.geo_keys}
            degrees |= keys.get(_MODEL_KEY) == _GEOGRAPHIC
            units |= {
                _EPSG_UNITS.get(keys[key], f"unit {keys[key]}") for key in (_LINEAR_KEY, _VERTICAL_KEY) if key in keys
            }
        elif isinstance(text := getattr(record, "string", None), str) and text.strip("\0 "):
            found, in_degrees = wkt_units(text)
            units |= found
            degrees |= in_degrees
    if degrees:
        raise UnitsUnknown(
            path,
            "its reference system gives places in degrees",
            needed="metres or feet",
            remedy="Export the scan in a projected or local system",
        )
    if len(units) > 1 or not units <= set(METRES_PER):
        raise UnitsUnknown(
            path,
            "its reference system names {units}",
            needed="one known unit",
            remedy="Export the scan in metres",
            units=" and ".join(sorted(units)),
        )
    return (units.pop(), note("capture.unit-by-reference-system")) if units else (None, None)


def wkt_units(text: str) -> tuple[set[str], bool]:
    """Linear units of a well-known text (OGC 01-009 and ISO 19162), and whether its places are in degrees only."""
    factors = re.findall(r'(?:LENGTH)?UNIT\s*\[\s*"([^"]*)"\s*,\s*([0-9.eE+-]+)', text)
    angular = re.compile(r"degree|grad|radian|unity|second", re.IGNORECASE)
    linear = [(name, float(factor)) for name, factor in factors if not angular.search(name)]
    flat = re.search(r"PROJCS|PROJCRS|PROJECTEDCRS|LOCAL_CS|ENGCRS|ENGINEERINGCRS|GEOCCS", text) is not None
    known = {1.0: "m", 0.3048: "ft", 0.001: "mm", 0.01: "cm", 0.0254: "in"}
    units = set()
    for name, factor in linear:
        # the US survey foot, 1200/3937 m, is longer by two parts in a million: 8 um on a wall
        near = next((unit for size, unit in known.items() if abs(factor / size - 1) < 1e-5), f"unit {name}")
        units.add(near)
    return (units if flat or not factors else set()), bool(factors) and not flat and "GEO" in text.upper()


def _is_las(head: bytes) -> bool:
    return head[:4] == b"LASF"


FORMAT = Format("LAS", (".las", ".laz"), "points", _is_las, open_las)
