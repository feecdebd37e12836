"""Which cells lie on a wall, and the area each owns."""

from __future__ import annotations

import numpy as np

from flatscan.core import geometry
from flatscan.core.geometry import Array, Mask, in_polygon, polygon_area
from flatscan.core.model import Opening, Wall

# mixed pixels smear the edge of an opening over some 20 mm (methods/walls 8: shrink the mask at edges)
COLLAR = 0.020
_FINE = 4  # a sloping edge is followed to a quarter of a cell


def footprint(wall: Wall, cell: float) -> tuple[Mask, Array]:
    """Cells at least half on the outline less openings (rows, cols), and the area each owns [m2].

    The areas sum to the net area of the whole wall: slivers of cells less than half inside, strips left out of the
    measured outline along corners, and a collar round each opening, where a scanner's beam is split between the wall
    and what lies behind it, go to the others in proportion.
    """
    shares = _outline_share(wall, cell)
    for opening in wall.openings:
        shares = np.clip(shares - _opening_share(wall, opening, cell), 0.0, None)
    inside = shares >= 0.5
    area = np.where(inside, shares, 0.0) * cell**2
    return inside, area * (_net_area(wall) / area.sum()) if area.sum() > 0 else area


def _net_area(wall: Wall) -> float:
    """Area of the whole wall less the part of each opening that lies within its bounds [m2]."""
    whole = wall.outline if wall.full is None else wall.full
    (left, bottom), (right, top) = whole.min(axis=0), whole.max(axis=0)
    cut = sum(
        max(0.0, min(hole.right, right) - max(hole.left, left))
        * max(0.0, min(hole.top, top) - max(hole.bottom, bottom))
        for hole in wall.openings
    )
    return max(wall.gross_area - float(cut), 0.0)


def extent(wall: Wall) -> tuple[float, float, float, float]:
    """Left, bottom, width and height of the part of the wall that is measured [m]."""
    (left, bottom), (width, height) = wall.outline.min(axis=0), np.ptp(wall.outline, axis=0)
    return float(left), float(bottom), float(width), float(height)


def _outline_share(wall: Wall, cell: float) -> Array:
    corners = wall.outline
    _, _, width, height = extent(wall)
    box: Array = (
        np.outer(geometry.overlap(height, cell, 0.0, height), geometry.overlap(width, cell, 0.0, width)) / cell**2
    )
    if np.isclose(polygon_area(corners), width * height, rtol=1e-9):
        return box
    rows, cols = box.shape
    step = cell / _FINE
    across, upward = np.meshgrid((np.arange(cols * _FINE) + 0.5) * step, (np.arange(rows * _FINE) + 0.5) * step)
    low = corners.min(axis=0)
    fine = in_polygon(across + low[0], upward + low[1], corners)
    return fine.reshape(rows, _FINE, cols, _FINE).mean(axis=(1, 3))


def _opening_share(wall: Wall, opening: Opening, cell: float) -> Array:
    x0, y0, width, height = extent(wall)
    low, high = opening.bottom - y0 - COLLAR, opening.top - y0 + COLLAR
    up = geometry.overlap(height, cell, low, high)
    along = geometry.overlap(width, cell, opening.left - x0 - COLLAR, opening.right - x0 + COLLAR)
    return np.outer(up, along) / cell**2
