"""Reference planes of a relief: best fit, lean, belly, and the humps and hollows that stand off it."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.geometry import Array


@dataclass(frozen=True, eq=False)
class Shape:
    """How a wall stands: ``plane`` (3,) best fit z = c0 + c1 x + c2 y, ``residual`` (rows, cols) from it [m].

    ``lean`` [m per m] is + with the top toward the room, ``lean_height`` the same over the wall's height [m].
    ``belly_along`` and ``belly_up`` are the best-fit arc's sagitta [m], + toward the room.
    """

    plane: Array
    residual: Array
    lean: float
    lean_height: float
    belly_along: float | None
    belly_up: float | None
    range: float
    rms: float


@dataclass(frozen=True, slots=True)
class Patch:
    """A connected hump or hollow: peak at x, y, bounding size, signed deviation [m] and area [m2]."""

    kind: str
    x: float
    y: float
    width: float
    height: float
    deviation: float
    area: float
