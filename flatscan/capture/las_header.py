"""The header and record lengths of a LAS file, looked at before a library believes them."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

from flatscan.capture.source import cut_off, damaged

# from byte 24: version, then at 94 header size, place of points, number of records (ASPRS LAS 1.4 R15, table 3)
_SHORTEST, _VERSION_AT, _SIZES_AT, _EXTENDED_AT = 227, 24, 94, 235
_RECORD, _EXTENDED = 54, 60
_VERSIONS = ((1, 0), (1, 1), (1, 2), (1, 3), (1, 4))


def check_header(path: Path) -> None:
    """Raise `ReadError` unless the header's places lie in the file and its records end before the points begin."""
    held = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(375)
        if len(head) < _SHORTEST:
            raise cut_off(path, f"a LAS file of {held} bytes", f"a header of {_SHORTEST} bytes")
        version = head[_VERSION_AT], head[_VERSION_AT + 1]
        size, points, records = struct.unpack_from("<HII", head, _SIZES_AT)
        if version not in _VERSIONS or not _SHORTEST <= size <= points:
            found = f"version {version[0]}.{version[1]}, a header of {size:,} bytes, points from byte {points:,}"
            raise damaged(path, found, "LAS 1.0 to 1.4 with its points behind its header")
        if points > held:
            raise cut_off(path, f"its points begin at byte {points:,} of {held:,}", "a whole LAS or LAZ file")
        _check_records(path, stream, size, points, records, _RECORD)
        if version == _VERSIONS[-1] and len(head) == 375:
            start, extended = struct.unpack_from("<QI", head, _EXTENDED_AT)
            if extended:
                _check_records(path, stream, start, held, extended, _EXTENDED)


def _check_records(path: Path, stream: Any, at: int, end: int, count: int, head: int) -> None:  # noqa: ANN401
    """Walk ``count`` variable length records from byte ``at``; each gives its own length."""
    form, place = ("<H", 20) if head == _RECORD else ("<Q", 20)
    for number in range(1, count + 1):
        if at + head > end:
            raise damaged(
                path, f"record {number:,} of {count:,} would begin at byte {at:,}", f"all before byte {end:,}"
            )
        stream.seek(at + place)
        at += head + struct.unpack(form, stream.read(struct.calcsize(form)))[0]
    if at > end:
        raise damaged(path, f"its {count:,} records end at byte {at:,}", f"all before byte {end:,}")
