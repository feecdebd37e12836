"""Compiled walks through bytes whose place depends on the bytes before: lists of a PLY, LZF compression."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit


def _compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile, and keep the machine code for the next run where there is a folder to keep it in."""
    try:
        return njit(cache=True)(function)
    except RuntimeError:
        return njit(function)


@_compiled
def _integer(data: Any, at: int, size: int, big: bool) -> int:  # noqa: ANN401
    value: Any = 0
    for i in range(size):
        byte = np.int64(data[at + i]) if big else np.int64(data[at + size - 1 - i])
        value = (value << 8) | byte
    return value


@_compiled
def walk_records(data: Any, at: int, count: int, sizes: Any, count_sizes: Any, big: bool, starts: Any) -> int:  # noqa: ANN401
    """Byte after ``count`` records from byte ``at`` on, or -1 - (records that fit) where the data end first.

    A property is a scalar of ``sizes`` bytes where ``count_sizes`` is 0, else a list of such with a count of that
    size before it. ``starts`` (count,) takes the byte each record begins at; an empty one takes nothing.
    """
    end = data.size
    for record in range(count):
        if starts.size > 0:
            starts[record] = at
        for item in range(sizes.size):
            length = 1
            if count_sizes[item] > 0:
                if at + count_sizes[item] > end:
                    return -1 - record
                length = _integer(data, at, count_sizes[item], big)
                at += count_sizes[item]
                # an eight-byte count can pass the end of the numbers; no list is longer than the file
                if length < 0 or length > end:
                    return -1 - record
            at += length * sizes[item]
            if at > end:
                return -1 - record
    return at


@_compiled
def fan_triangles(data: Any, starts: Any, sizes: Any, count_sizes: Any, which: int, big: bool, out: Any) -> int:  # noqa: ANN401
    """Triangles of the polygons that property ``which`` of each record lists, as a fan from the first corner.

    Returns how many there are; writes them to ``out`` (m, 3) if it has room for any.
    """
    total = 0
    for record in range(starts.size):
        at = starts[record]
        for item in range(which):
            length = 1
            if count_sizes[item] > 0:
                length = _integer(data, at, count_sizes[item], big)
                at += count_sizes[item]
            at += length * sizes[item]
        corners = _integer(data, at, count_sizes[which], big)
        at += count_sizes[which]
        for corner in range(2, corners):
            if out.size > 0:
                out[total, 0] = _integer(data, at, sizes[which], big)
                out[total, 1] = _integer(data, at + (corner - 1) * sizes[which], sizes[which], big)
                out[total, 2] = _integer(data, at + corner * sizes[which], sizes[which], big)
            total += 1
    return total


@_compiled
def expand_lzf(data: Any, out: Any) -> int:  # noqa: ANN401
    """Decompress LZF ``data`` into ``out``; returns the bytes written, or -1 where the data contradict themselves.

    Control byte c < 32: c + 1 literal bytes follow. Else the top three bits are a length (7: one more byte is added),
    the rest with the next byte a distance back; length + 2 bytes are copied (Lehmann, LibLZF, lzf_d.c).
    """
    at = 0
    written = 0
    while at < data.size:
        control = np.int64(data[at])
        at += 1
        if control < 32:
            length: Any = control + 1
            if at + length > data.size or written + length > out.size:
                return -1
            for i in range(length):
                out[written + i] = data[at + i]
            at += length
            written += length
            continue
        length = control >> 5
        if length == 7:
            if at >= data.size:
                return -1
            length += np.int64(data[at])
            at += 1
        if at >= data.size:
            return -1
        back = written - ((control & 31) << 8) - np.int64(data[at]) - 1
        at += 1
        length += 2
        if back < 0 or written + length > out.size:
            return -1
        for i in range(length):
            out[written + i] = out[back + i]
        written += length
    return written
