"""The chunk table of a LAZ file, looked at before the decompressor takes memory for what it promises."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

from flatscan.capture.source import cut_off, damaged

# the compressor's own record, and the place of the chunk size in it (LASzip specification, laszip record)
RECORD_ID, _SIZE_AT = 22204, 12
_OF_ANY_SIZE, _LARGEST_CHUNK = 2**32 - 1, 10_000_000
# compressor 3 stores each field of a chunk as a layer: nine of a point, one of its colours, two with infrared, one of
# a wave packet, one of each extra byte
_IN_LAYERS, _ITEMS_AT, _EXTRA_BYTES = b"\x03\x00", 34, 14
_LAYERS_OF = {10: 9, 11: 1, 12: 2, 13: 1}


def check_chunks(path: Path, start: int, count: int, record: bytes) -> None:
    """Raise `ReadError` unless the chunks fill the bytes from ``start`` to their table and hold ``count`` points."""
    size, held = int.from_bytes(record[_SIZE_AT : _SIZE_AT + 4], "little"), path.stat().st_size
    # the decompressor takes memory for a whole chunk, however few points there are
    if max(count, _LARGEST_CHUNK) < size < _OF_ANY_SIZE:
        raise damaged(path, f"chunks of {size:,} points", f"at most {max(count, _LARGEST_CHUNK):,}")
    with path.open("rb") as stream:
        stream.seek(start)
        table = _place(path, stream, start, held)
        stream.seek(table)
        _, chunks = struct.unpack("<II", stream.read(8))
        expected = -(-count // size) if 0 < size < _OF_ANY_SIZE else None
        # each entry takes memory of its own: a count from damaged bytes must not get that far
        if size == 0 or chunks > held or (expected is not None and chunks != expected):
            needed = f"{expected:,} for {count:,} points" if expected is not None else "as many as its points fill"
            raise damaged(path, f"its chunk table promises {chunks:,} chunks", needed)
        stream.seek(start)
        parts = _read(stream, record)
        layers = _layers(record)
        if layers is not None:
            _check_layers(path, stream, start + 8, parts, *layers, count)
    filled, points = sum(part[1] for part in parts), sum(part[0] for part in parts)
    if filled != table - start - 8:
        raise damaged(
            path, f"its chunks promise {filled:,} bytes", f"the {table - start - 8:,} bytes before their table"
        )
    if size == _OF_ANY_SIZE and points != count:
        raise damaged(path, f"its chunks hold {points:,} points", f"{count:,}, as the header says")


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
    path: Path,
    stream: Any,
    at: int,
    parts: list[tuple[int, int]],
    size: int,
    layers: int,
    count: int,  # noqa: ANN401
) -> None:
    """Raise `ReadError` unless each chunk's layers fill it and the chunks hold ``count`` points between them.

    A chunk begins with its first point, the number of its points, and the size of each layer.
    """
    total, form = 0, struct.Struct(f"<{1 + layers}I")
    for number, (_, filled) in enumerate(parts, start=1):
        stream.seek(at + size)
        data = stream.read(form.size)
        if len(data) < form.size:
            raise cut_off(path, f"its chunk {number:,} begins at byte {at:,}", "a chunk inside the file")
        points, *sizes = form.unpack(data)
        if size + form.size + sum(sizes) != filled:
            raise damaged(
                path, f"the layers of chunk {number:,} promise {sum(sizes):,} bytes", f"those of its {filled:,}"
            )
        total, at = total + points, at + filled
    if total != count:
        raise damaged(path, f"its chunks hold {total:,} points", f"{count:,}, as the header says")


def _place(path: Path, stream: Any, start: int, held: int) -> int:  # noqa: ANN401
    """Byte of the chunk table: named before the points, or in the last eight bytes of a file written as a stream."""
    first = stream.read(8)
    table = struct.unpack("<q", first)[0] if len(first) == 8 else 0
    if table == -1 and held >= start + 24:
        stream.seek(held - 8)
        table = struct.unpack("<q", stream.read(8))[0]
    if not start + 8 <= table <= held - 8:
        raise cut_off(path, f"its chunk table should be at byte {table:,} of {held:,}", "the table behind the points")
    return int(table)


def _read(stream: Any, record: bytes) -> list[tuple[int, int]]:  # noqa: ANN401
    import lazrs

    return list(lazrs.read_chunk_table(stream, lazrs.LazVlr(record)))
