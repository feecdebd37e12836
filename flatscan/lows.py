"""After ruling off: where the wall is under the straightedge, and what fills it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Low:
    """One connected low: its deepest place, depth [m], area [m2] and the volume that fills it [m3]."""

    number: int
    x: float
    y: float
    depth: float
    area: float
    volume: float
