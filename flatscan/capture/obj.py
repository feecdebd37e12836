"""OBJ meshes: corners and faces; materials, normals and texture are passed over."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from flatscan.capture.mesh import Mesh, fans, mesh_source
from flatscan.capture.registry import Format
from flatscan.capture.rows import LONGEST_LINE, short_lines
from flatscan.capture.source import PointSource, damaged

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
                raise damaged(
                    path, f"line {number:,} is over {LONGEST_LINE:,} characters", "lines of corners and faces"
                )
            # a backslash at its end carries a line on
            if line.rstrip("\r\n").endswith("\\"):
                kept += line.rstrip("\r\n")[:-1] + " "
                continue
            _take(path, parts, number, kept + line)
            kept = ""
    corners = np.empty((0, 3))
    if parts.corners:
        try:
            corners = np.loadtxt(parts.corners, comments=None, usecols=(1, 2, 3), ndmin=2)
        except ValueError as reason:
            raise damaged(path, f"a corner is not three numbers ({str(reason)[:80]})", "v and three numbers") from None
    triangles = fans(np.array(parts.counts, np.int64), np.array(parts.indices, np.int64))
    return mesh_source(path, Mesh(corners, triangles, "OBJ mesh"), single=False)


def _take(path: Path, parts: _Parts, number: int, line: str) -> None:
    if line.startswith("v "):
        words = line.split(None, 5)
        if len(words) < 4:
            raise damaged(path, f"line {number:,} is '{line.strip()[:60]}'", "v and three numbers")
        parts.corners.append(line)
    elif line.startswith("f "):
        words = [word.partition("/")[0] for word in line.split()[1:]]
        if len(words) < 3 or not all(
            word.lstrip("-").isdecimal() and len(word) <= _MOST_INDEX_DIGITS for word in words
        ):
            raise damaged(path, f"line {number:,} is '{line.strip()[:60]}'", "f and three or more corner numbers")
        # negative numbers count back from the corners so far, positive ones from 1
        places = [int(word) for word in words]
        parts.indices += [place - 1 if place > 0 else len(parts.corners) + place for place in places]
        if 0 in places or min(parts.indices[-len(places) :]) < 0:
            raise damaged(path, f"line {number:,} names a corner before the first", "corners from 1 on")
        parts.counts.append(len(places))


FORMAT = Format("OBJ", (".obj",), "points", None, open_obj)
