"""How far a wall's highest spot usually tops its mean, told by how rough the capture shows it to be in the small."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array

# modes of the shared error with less of its variance than this share of the first's are none of its form
LEADING = 0.02
# brick and block take 12 to 13 mm in all (methods/trade 3), 5 of them cover; how far walls differ is common practice
_USUAL, _USUAL_SD = 0.0075, 0.0053
# a wall that stands so far off the form that errors may have [m] takes what is usual, one that stands off more takes so
# many times as much more; errors of other shapes than stated add so many times what the stated do (by trial)
_VISIBLE, _BY_ROUGHNESS, _OTHER_SHAPES = 0.0041, 1.6, 2.2
# errors of this size [m] leave half of the difference between walls to be seen; the roughness tells so much of it
_HALF, _TELLS = 0.0010, 0.75


@dataclass(frozen=True, slots=True)
class Roughness:
    """How far the highest place stands off the form that errors may have [m], and how much of that errors make."""

    high: float = 0.0
    by_error: float = math.inf

    @property
    def usual(self) -> tuple[float, float]:
        """What walls as rough take over the cover on the average, and how far single walls are off that (sd) [m].

        A regression on what is seen, weaker the more of it errors make (regression dilution).
        """
        if not math.isfinite(self.by_error):
            return _USUAL, _USUAL_SD
        reliable = 1 / (1 + (self.by_error / _HALF) ** 2)
        visible = math.sqrt(max(self.high**2 - self.by_error**2, 0.0)) - _OTHER_SHAPES * self.by_error
        mean = _USUAL + _BY_ROUGHNESS * reliable * (visible - _VISIBLE)
        return max(mean, 0.0), _USUAL_SD * math.sqrt(1 - _TELLS * reliable)


def roughness_of(covariance: Array, tilt: Array, heights: tuple[Array, Array], shared: Array) -> Roughness:
    """How rough a calmed wall is beside the form that its errors may have.

    ``heights`` are tops and means (squares,) [m]. The form is what the leading modes of the error's ``covariance``
    (squares, squares), a lean by ``tilt`` (squares,) and an offset make of the means; ``shared`` (draws, squares) are
    drawn errors, of which something stands beside that form as well.
    """
    if not covariance.any():
        return Roughness()
    values, modes = np.linalg.eigh(covariance)
    basis = np.column_stack([modes[:, values > LEADING * float(values[-1])], tilt, np.ones(len(tilt))])
    basis, _ = np.linalg.qr(basis)
    tops, means = heights
    form = (basis * (basis * means[:, None]).sum(axis=0)).sum(axis=1)
    left = shared - (shared @ basis) @ basis.T
    # to a micrometre: no more is known, and sums in a matrix product hang on the number of threads
    high, by_error = round(float((tops - form).max()), 6), round(float(left.max(axis=1).mean()), 6)
    return Roughness(max(high, 0.0), by_error)
