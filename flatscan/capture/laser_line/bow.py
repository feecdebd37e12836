"""How straight a laser's own fan is, from a line thrown square on the wall."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array

_FEWEST = 50
# the bend of a fan is smooth: a polynomial of this degree over its angle
_DEGREE = 4


@dataclass(frozen=True, eq=False)
class Bow:
    """Sideways bend of a fan per metre of level distance, a polynomial in the slope of its rays."""

    coefficients: Array
    low: float
    high: float
    axis: int

    def at(self, seen: Array, pivot: Array) -> Array:
        """Sideways stand-off (n,) [m] of the light seen at places (n, 2) for a laser at ``pivot`` (3,)."""
        across = np.hypot(np.median(seen[:, self.axis]) - pivot[self.axis], pivot[2])
        slope = np.clip((seen[:, 1 - self.axis] - pivot[1 - self.axis]) / across, self.low, self.high)
        made: Array = np.polynomial.polynomial.polyval(slope, self.coefficients) * across
        return made


def bow_of(seen: Array, pivot: Array, *, level: bool, where: Path) -> Bow:
    """The bend that light thrown square on the wall, seen at places (n, 2), shows; its tilt and place are the set-up's.

    Light square to the wall does not move with the wall's heights, so what is not straight is the fan (METHODS 5).
    """
    axis = 1 if level else 0
    if len(seen) < _FEWEST:
        raise ReadError(
            where, f"{len(seen)} places on the line for straightness", needed=f"at least {_FEWEST}",
            remedy="Photograph the whole line",
        )  # fmt: skip
    slope = (seen[:, 1 - axis] - pivot[1 - axis]) / pivot[2]
    sideways = seen[:, axis] / pivot[2]
    coefficients = np.polynomial.polynomial.polyfit(slope, sideways, _DEGREE)
    ends = float(slope.min()), float(slope.max())
    bend = np.asarray(coefficients, float).copy()
    # level and tilt are taken out over the part of the fan that was seen
    line = np.polynomial.polynomial.polyfit(slope, np.polynomial.polynomial.polyval(slope, bend), 1)
    bend[:2] -= line
    return Bow(bend, *ends, axis)
