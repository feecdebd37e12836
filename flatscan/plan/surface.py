"""The measured places of a wall as flat arrays: what a finish plane is laid over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import Relief


@dataclass(frozen=True, eq=False)
class Surface:
    """The measured cells or stations of a relief as flat arrays: place, offset, random u and owned area."""

    x: Array
    y: Array
    z: Array
    u: Array
    area: Array

    @property
    def centre(self) -> tuple[float, float]:
        """Area centroid [m]."""
        return float(np.average(self.x, weights=self.area)), float(np.average(self.y, weights=self.area))


def surface_of(relief: Relief) -> Surface:
    """Flat arrays of all valid cells; raises `TooFewPoints` where none was measured."""
    if not relief.valid.any() or float(relief.area[relief.valid].sum()) <= 0:
        raise TooFewPoints(
            "wall",
            "no measured place that owns any area",
            needed="at least one reading on the wall",
            remedy="Check the outline, the openings and the region",
        )
    across, upward = relief.places
    keep = relief.valid
    u = np.where(np.isfinite(relief.u[keep]), relief.u[keep], 0.0)
    return Surface(across[keep], upward[keep], relief.offset[keep], u, relief.area[keep])
