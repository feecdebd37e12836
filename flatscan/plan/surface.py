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

    ``uncut`` (n,) [m] is the wall as it was measured within the outlines of humps that are cut, NaN elsewhere, None
    where none is.
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
        return self if self.uncut is None else replace(self, z=np.where(self.cut, self.uncut, self.z), uncut=None)

    @property
    def cut(self) -> Mask:
        """Places (n,) within the outlines of humps that are cut."""
        return np.zeros(self.z.shape, bool) if self.uncut is None else np.isfinite(self.uncut)

    def cut_to(self, z: Array, part: Mask) -> Surface:
        """The same cut back to heights ``z`` (n,) [m] within a ``part`` (n,) of it."""
        return replace(self, z=np.where(part, z, self.z), uncut=np.where(part | self.cut, self.measured.z, np.nan))

    @property
    def centre(self) -> tuple[float, float]:
        """Area centroid [m]."""
        return float(np.average(self.x, weights=self.area)), float(np.average(self.y, weights=self.area))


def as_measured(relief: Relief) -> Array:
    """Offsets (rows, cols) [m] of a relief before anything of it was cut."""
    return relief.offset if relief.uncut is None else np.where(np.isfinite(relief.uncut), relief.uncut, relief.offset)


def surface_of(relief: Relief) -> Surface:
    """Flat arrays of all valid cells; raises `TooFewPoints` where none was measured."""
    if not relief.valid.any() or float(relief.area[relief.valid].sum()) <= 0:
        raise TooFewPoints(
            "wall",
            "no measured place is left on the wall",
            needed="at least one reading on the wall",
            remedy="Check the outline, the openings and the region",
        )
    across, upward = relief.places
    keep = relief.valid
    u = np.where(np.isfinite(relief.u[keep]), relief.u[keep], 0.0)
    uncut = None if relief.uncut is None else relief.uncut[keep]
    return Surface(across[keep], upward[keep], relief.offset[keep], u, relief.area[keep], uncut)
