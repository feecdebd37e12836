"""Four marked points whose sides and both diagonals were taped."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flatscan.core.errors import BadTable
from flatscan.core.geometry import Array
from flatscan.core.units import to_mm

# six tapes for five unknowns: the one left over tells whether a tape was misread
_MOST_MISFIT = 0.005


def rectangle_corners(file: Path, lengths: Array) -> Array:
    """Corners (4, 2) [m] from bottom left, counter-clockwise, the bottom side along x; least squares over all tapes.

    ``lengths`` (6,) [m] are bottom, right, top, left, and the diagonals from bottom left to top right and from bottom
    right to top left. Raises `BadTable` where they cannot belong to one flat quadrilateral.
    """
    from scipy.optimize import least_squares

    ends = np.array([[0, 1], [1, 2], [2, 3], [3, 0], [0, 2], [1, 3]])
    if not (lengths > 0.05).all():
        raise BadTable(
            file, "[rectangle] a side under 50 mm", needed="sides and both diagonals", remedy="Correct the set-up file"
        )

    def corners(unknown: Array) -> Array:
        return np.array([[0, 0], [unknown[0], 0], unknown[1:3], unknown[3:5]])

    def misfit(unknown: Array) -> Array:
        at = corners(unknown)
        return np.hypot(*(at[ends[:, 0]] - at[ends[:, 1]]).T) - lengths

    found = least_squares(misfit, [lengths[0], lengths[0], lengths[1], 0.0, lengths[3]])
    if np.abs(found.fun).max() > _MOST_MISFIT:
        raise BadTable(
            file, f"[rectangle] its sides and diagonals miss each other by {to_mm(np.abs(found.fun).max()):.0f} mm",
            needed=f"six lengths that close within {to_mm(_MOST_MISFIT):.0f} mm", remedy="Tape both diagonals again",
        )  # fmt: skip
    return corners(np.asarray(found.x))
