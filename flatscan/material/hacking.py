"""Which humps set the plane, and what cutting them saves."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Hack:
    """One hump to cut, in the order in which humps govern; savings are cumulative, refill included [m, m2, m3]."""

    x: float
    y: float
    cut: float
    area: float
    saves: float
    saves_bags: float | None
    mean_saved: float
