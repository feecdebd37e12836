"""STL meshes, binary and ASCII, and OBJ meshes; materials, normals and texture are passed over."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from flatscan.capture.mesh import Mesh, Triangles, fans, mesh_source
from flatscan.capture.registry import Format
from flatscan.capture.source import LONGEST_LINE, PointSource, cut_off, damaged, line_too_long, short_lines
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note

_HEAD, _FACET = 84, np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def open_stl(path: Path) -> PointSource:
    """An STL file as points on its mesh; raises `ReadError` where its count and size disagree."""
    held = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    count = int.from_bytes(head[80:84], "little") if len(head) == _HEAD else 0
    # programs write "solid" at the head of binary files too: the size tells
    if head[:5].lower() == b"solid" and held != _HEAD + count * _FACET.itemsize and b"\x00" not in head:
        mesh = Mesh(*_facets(_ascii(path)), "STL mesh, ASCII")
    else:
        corners, notes = _binary(path, held, count), _facets_beyond(held, count)
        mesh = Mesh(*_facets(corners), "STL mesh, binary", warnings=notes)
    return mesh_source(path, mesh)


def _facets(corners: Array) -> tuple[Array, Triangles]:
    """Corners (3 n, 3), and the triangles of each three that follow one another."""
    return corners, np.arange(len(corners)).reshape(-1, 3)


def _binary(path: Path, held: int, count: int) -> Array:
    end = _HEAD + count * _FACET.itemsize
    if held < end:
        raise cut_off(
            path,
            "it promises {count:count} facets, the file holds {inside:count}",
            "{end:count} bytes (found {held:count})",
            count=count,
            inside=max(0, held - _HEAD) // _FACET.itemsize,
            end=end,
            held=held,
        )
    facets = np.fromfile(path, _FACET, count, offset=_HEAD)
    with np.errstate(invalid="ignore"):
        return facets["corners"].reshape(-1, 3).astype(np.float64)


def _facets_beyond(held: int, count: int) -> tuple[Note, ...]:
    extra = held - _HEAD - count * _FACET.itemsize
    return (note("capture.bytes-beyond-facets", extra=extra, count=count),) if extra > 0 else ()


def _ascii(path: Path) -> Array:
    """Corners of an ASCII file, every facet with its three and every solid with its end."""
    rows, ends = [], {"facet": 0, "endfacet": 0, "solid": 0, "endsolid": 0}
    with path.open(encoding="latin-1") as stream:
        for number, line in enumerate(short_lines(stream), start=1):
            words = line.split(None, 4)
            keyword = words[0].lower() if words else ""
            if keyword == "vertex":
                if len(words) != 4:
                    raise _bad_line(path, number, line, "vertex and three numbers")
                rows.append(line)
            elif keyword in ends:
                ends[keyword] += 1
    if ends["solid"] != ends["endsolid"] or ends["facet"] != ends["endfacet"] or len(rows) != 3 * ends["facet"]:
        raise cut_off(
            path,
            "{begun:count} facets begin, {ended:count} end, with {corners:count} corners",
            "three corners a facet and an end to each",
            begun=ends["facet"],
            ended=ends["endfacet"],
            corners=len(rows),
        )
    return _corners(path, rows, "vertex and three numbers")


def _corners(path: Path, rows: list[str], needed: str) -> Array:
    """Corners (n, 3) of lines of a word and three numbers."""
    if not rows:
        return np.empty((0, 3))
    try:
        return np.loadtxt(rows, comments=None, usecols=(1, 2, 3), ndmin=2)
    except ValueError as reason:
        found = "a corner is not three numbers ({reason})"
        raise damaged(path, found, needed, reason=str(reason)[:80]) from None


def _bad_line(path: Path, number: int, line: str, needed: str) -> ReadError:
    return damaged(path, "line {number:count} is '{text}'", needed, number=number, text=line.strip()[:60])


STL = Format("STL", (".stl",), "points", None, open_stl)


_MOST_INDEX_DIGITS = 15


@dataclass
class _Parts:
    """What the lines of one file add up to."""

    corners: list[str] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    indices: list[int] = field(default_factory=list)


def open_obj(path: Path) -> PointSource:
    """An OBJ file as points on its mesh; raises `ReadError` with the line that breaks the format."""
    parts, kept = _Parts(), ""
    with path.open(encoding="latin-1") as stream:
        for number, line in enumerate(short_lines(stream), start=1):
            if len(line) + len(kept) > LONGEST_LINE:
                raise line_too_long(path, number, "lines of corners and faces")
            # a backslash at its end carries a line on
            if line.rstrip("\r\n").endswith("\\"):
                kept += line.rstrip("\r\n")[:-1] + " "
                continue
            _take(path, parts, number, kept + line)
            kept = ""
    corners = _corners(path, parts.corners, "v and three numbers")
    triangles = fans(np.array(parts.counts, np.int64), np.array(parts.indices, np.int64))
    return mesh_source(path, Mesh(corners, triangles, "OBJ mesh"), single=False)


def _take(path: Path, parts: _Parts, number: int, line: str) -> None:
    if line.startswith("v "):
        words = line.split(None, 5)
        if len(words) < 4:
            raise _bad_line(path, number, line, "v and three numbers")
        parts.corners.append(line)
    elif line.startswith("f "):
        words = [word.partition("/")[0] for word in line.split()[1:]]
        if len(words) < 3 or not all(
            word.lstrip("-").isdecimal() and len(word) <= _MOST_INDEX_DIGITS for word in words
        ):
            raise _bad_line(path, number, line, "f and three or more corner numbers")
        # negative numbers count back from the corners so far, positive ones from 1
        places = [int(word) for word in words]
        parts.indices += [place - 1 if place > 0 else len(parts.corners) + place for place in places]
        if 0 in places or min(parts.indices[-len(places) :]) < 0:
            found = "line {number:count} names a corner before the first"
            raise damaged(path, found, "corners from 1 on", number=number)
        parts.counts.append(len(places))


OBJ = Format("OBJ", (".obj",), "points", None, open_obj)
