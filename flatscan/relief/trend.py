"""What of a scan's error is no warp: how the laser stood to it, and steps where two sweeps of it do not meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array


@dataclass(frozen=True, slots=True, eq=False)
class Seam:
    """A straight line across a wall where its two sides stand apart: through ``at`` (2,) [m], across it ``way`` (2,).

    ``jump`` [m] is how much further toward the room the scan shows the side that ``way`` points to; ``wide`` [m] how
    far on either side of the line cells may belong to either.
    """

    at: Array
    way: Array
    jump: float
    wide: float

    def off(self, at: Array) -> Array:
        """How far (m,) [m] places ``at`` (m, 2) lie beyond the line."""
        return np.asarray((np.asarray(at, float) - self.at) @ self.way)


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """A plane about ``centre`` (2,) and a step at each of ``seams``: prior mean and sd (3 + seams,) of coefficients."""

    centre: Array
    means: Array
    sds: Array
    seams: tuple[Seam, ...] = ()

    def terms(self, at: Array) -> Array:
        """Columns (m, 3 + seams) of a plane's offset, turn, lean and of half a step either way at ``at`` (m, 2)."""
        sides = [np.where(seam.off(at) > 0, 0.5, -0.5) for seam in self.seams]
        return np.column_stack([np.ones(len(at)), np.asarray(at, float) - self.centre, *sides])


def plane(box: Array, sds: Array, seams: tuple[Seam, ...] = ()) -> Trend:
    """The trend of a wall whose ``box`` (4,) is left, bottom, right, top: prior sd (3,) of offset, turn and lean.

    A step that the scan shows is all the scan's or all the wall's, the one as likely as the other: so much is its mean
    and so much its standard deviation.
    """
    centre = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
    half = np.array([seam.jump for seam in seams]) / 2
    means = np.concatenate([np.zeros(3), half])
    return Trend(centre, means, np.concatenate([np.asarray(sds, float), abs(half)]), seams)
