"""The measured places of a wall as flat arrays: what a finish plane is laid over."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Relief


@dataclass(frozen=True, eq=False)
class Surface:
    """The measured cells or stations of a relief as flat arrays: place, offset, random u and owned area.

    ``uncut`` (n,) [m] is the wall as it was measured where humps of it are cut, None where none is.
    """

    x: Array
    y: Array
    z: Array
    u: Array
    area: Array
    uncut: Array | None = None

    @property
    def measured(self) -> Surface:
        """The same before anything was cut."""
        return self if self.uncut is None else replace(self, z=self.uncut, uncut=None)

    @property
    def cut(self) -> Mask:
        """Places (n,) that were cut back."""
        return np.zeros(self.z.shape, bool) if self.uncut is None else np.asarray(self.z < self.uncut)

    def cut_to(self, z: Array) -> Surface:
        """The same cut back to heights ``z`` (n,) [m]."""
        return replace(self, z=z, uncut=self.measured.z)

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
    uncut = None if relief.uncut is None else relief.uncut[keep]
    return Surface(across[keep], upward[keep], relief.offset[keep], u, relief.area[keep], uncut)
