"""Earthwork volumes of regular grids and prismoids: second opinions beside the station rule."""

from __future__ import annotations

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array


def grid_volume(corners: Array, dx: float, dy: float) -> float:
    """Volume under heights (rows, cols) [m] at the corners of rectangles dx by dy [m]: A/4 (S1 + 2 S2 + 4 S4).

    S1 sums the corners of the whole grid, S2 its other edge points, S4 its inner points (surveyors' grid formula).
    Raises `BadValue` for less than two rows and columns.
    """
    corners = np.asarray(corners, float)
    if corners.ndim != 2 or min(corners.shape) < 2:
        raise BadValue(
            "grid volume",
            f"heights of shape {corners.shape}",
            needed="at least 2 by 2 corner heights",
            remedy="Give a full grid",
        )
    weight = np.ones_like(corners)
    weight[1:-1, :] *= 2
    weight[:, 1:-1] *= 2
    return float(dx * dy / 4 * (weight * corners).sum())


def prismoid(first: float, middle: float, last: float, length: float) -> float:
    """Volume [m3] of a prismoid from its end and middle areas [m2]: L/6 (A1 + 4 Am + A2)."""
    return length / 6 * (first + 4 * middle + last)


def end_area(first: float, last: float, length: float) -> float:
    """Volume [m3] by the mean of the end areas [m2]: L/2 (A1 + A2)."""
    return length / 2 * (first + last)
