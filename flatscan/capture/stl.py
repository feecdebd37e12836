"""STL meshes, binary and ASCII."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flatscan.capture.mesh import Mesh, mesh_source
from flatscan.capture.registry import Format
from flatscan.capture.rows import short_lines
from flatscan.capture.source import PointSource, cut_off, damaged
from flatscan.core.geometry import Array

_HEAD, _FACET = 84, np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def open_stl(path: Path) -> PointSource:
    """An STL file as points on its mesh; raises `ReadError` where its count and size disagree."""
    held = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    count = int.from_bytes(head[80:84], "little") if len(head) == _HEAD else 0
    warnings: tuple[str, ...]
    # programs write "solid" at the head of binary files too: the size tells
    if head[:5].lower() == b"solid" and held != _HEAD + count * _FACET.itemsize and b"\x00" not in head:
        corners, warnings, kind = _ascii(path), (), "STL mesh, ASCII"
    else:
        (corners, warnings), kind = _binary(path, held, count, len(head)), "STL mesh, binary"
    triangles = np.arange(len(corners)).reshape(-1, 3)
    return mesh_source(path, Mesh(corners, triangles, kind, warnings=warnings))


def _binary(path: Path, held: int, count: int, head: int) -> tuple[Array, tuple[str, ...]]:
    end = _HEAD + count * _FACET.itemsize
    if head < _HEAD or held < end:
        inside = max(0, held - _HEAD) // _FACET.itemsize
        raise cut_off(
            path, f"it promises {count:,} facets, the file holds {inside:,}", f"{end:,} bytes (found {held:,})"
        )
    facets = np.fromfile(path, _FACET, count, offset=_HEAD)
    with np.errstate(invalid="ignore"):
        corners = facets["corners"].reshape(-1, 3).astype(np.float64)
    surplus = held - end
    words = f"the file holds {surplus:,} bytes beyond the {count:,} facets it promises: not read"
    return corners, (words,) if surplus else ()


def _ascii(path: Path) -> Array:
    """Corners of an ASCII file, every facet with its three and every solid with its end."""
    rows, ends = [], {"facet": 0, "endfacet": 0, "solid": 0, "endsolid": 0}
    with path.open(encoding="latin-1") as stream:
        for number, line in enumerate(short_lines(stream), start=1):
            words = line.split(None, 4)
            keyword = words[0].lower() if words else ""
            if keyword == "vertex":
                if len(words) != 4:
                    raise damaged(path, f"line {number:,} is '{line.strip()[:60]}'", "vertex and three numbers")
                rows.append(line)
            elif keyword in ends:
                ends[keyword] += 1
    if ends["solid"] != ends["endsolid"] or ends["facet"] != ends["endfacet"] or len(rows) != 3 * ends["facet"]:
        found = f"{ends['facet']:,} facets begin, {ends['endfacet']:,} end, with {len(rows):,} corners"
        raise cut_off(path, found, "three corners a facet and an end to each")
    if not rows:
        return np.empty((0, 3))
    try:
        return np.loadtxt(rows, comments=None, usecols=(1, 2, 3), ndmin=2)
    except ValueError as reason:
        raise damaged(path, f"a corner is not three numbers ({str(reason)[:80]})", "vertex and three numbers") from None


FORMAT = Format("STL", (".stl",), "points", None, open_stl)
