"""What a point reader hands over: rows in the file's own unit and axes, and what the format says about them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array

Rows = NDArray[np.int64]
# rows in one block: small enough that a pass over any file stays in tens of megabytes, large enough for numpy
BLOCK = 2**18


Normals = Callable[[Rows], Array]


class Block(NamedTuple):
    """Consecutive rows: ``points`` (m, 3) float64 in file units, and a way to get (k, 3) normals of chosen ones.

    ``dropped`` counts rows between them that the format itself marks as no return.
    """

    points: Array
    normals: Normals | None = None
    dropped: int = 0


@dataclass(frozen=True, eq=False)
class PointSource:
    """A file of points before any check.

    ``count`` is how many rows the file holds (at most, if not ``count_exact``). ``blocks()`` may be called any number
    of times and yields the same rows in the same order. ``unit`` is the unit the format or the file's own header
    fixes, with ``unit_from`` in words; ``step`` (3,) the known rounding of each axis in file units (``float32`` if
    that is all a 32-bit float holds). ``stands`` (k, 3) are scanner positions in file units. ``mesh_area`` [file
    units squared] marks points drawn on a mesh. ``drop_words`` say what the format marks its dropped rows as.
    ``bounds`` (2, 3) are the least and largest coordinates the header gives. ``u_up`` [m per m] is how well ``up`` is
    known where that is worse than usual.
    """

    reader: str
    count: int
    blocks: Callable[[], Iterator[Block]]
    unit: str | None = None
    unit_from: str = ""
    step: Array | None = None
    float32: bool = False
    up: Array | None = None
    up_from: str | None = None
    stands: Array | None = None
    mesh_area: float | None = None
    drop_words: str = ""
    count_exact: bool = True
    bounds: Array | None = None
    u_up: float | None = None
    warnings: tuple[str, ...] = ()


def float32_step(largest: Array) -> Array:
    """Distance between neighbouring 32-bit floats at coordinates of size ``largest`` (3,) (IEEE 754, binary32)."""
    with np.errstate(all="ignore"):
        single = np.abs(np.asarray(largest, np.float64)).astype(np.float32)
        step = np.spacing(np.where(np.isfinite(single), single, np.float32(0)))
    return step.astype(np.float64)


def cut_off(path: Path, found: str, needed: str) -> ReadError:
    """The error for a file that holds less than it promises."""
    return ReadError(path, f"the file is cut off: {found}", needed=needed, remedy="Export or copy the file again")


def damaged(path: Path, found: str, needed: str) -> ReadError:
    """The error for a file that contradicts its own layout."""
    return ReadError(path, found, needed=needed, remedy="Export the file again, or convert it with another program")
