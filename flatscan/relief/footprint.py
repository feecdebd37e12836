"""Which cells lie on a wall, the area each owns, and which of them cannot be measured, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatscan.core import geometry
from flatscan.core.geometry import Array, Mask, disjoint, in_polygon, polygon_area
from flatscan.core.model import Opening, Wall
from flatscan.core.reliefs import Why

# mixed pixels smear the edge of an opening over some 20 mm (methods/walls 8: shrink the mask at edges)
COLLAR = 0.020
_FINE = 4  # a sloping edge is followed to a quarter of a cell


@dataclass(frozen=True, eq=False)
class Footprint:
    """The cells of a wall (rows, cols): on it or not, the area each owns [m2], and by `Why` what may be measured."""

    inside: Mask
    area: Array
    why: NDArray[np.int8]


def footprint(wall: Wall, cell: float) -> Footprint:
    """Cells of the whole wall at least half on it, without openings, pockets and parts left out.

    A cell counts less what it loses to one.

    The areas sum to the net area: slivers of cells less than half inside go to the others in proportion. A cell of
    which less than half lies clear of the strips left out along corners and of the skirting, or of a collar round
    each opening, where a scanner's beam is split between the wall and what lies behind it, is on the wall and owns
    its area, but is not measured.
    """
    net, kept = _outline_share(wall, wall.whole, cell), _outline_share(wall, wall.outline, cell)
    clear = kept
    for hole in wall.cut_out:
        net = np.clip(net - _opening_share(wall, hole, cell, 0.0), 0.0, None)
        # where the wall is only not plastered it goes on behind the line: nothing is smeared there
        collar = 0.0 if hole in wall.skips else COLLAR
        clear = np.clip(clear - _opening_share(wall, hole, cell, collar), 0.0, None)
    inside = net >= 0.5
    area = np.where(inside, net, 0.0) * cell**2
    area = area * (_net_area(wall) / area.sum()) if area.sum() > 0 else area
    why = np.where(clear < 0.5, Why.COLLAR, Why.MEASURED)
    why[kept < 0.5] = Why.STRIP
    y = extent(wall)[1] + geometry.centres(wall.height, cell)
    why[(kept < 0.5) & (y < wall.whole[:, 1].min() + wall.skirting)[:, None]] = Why.SKIRTING
    return Footprint(inside, area, np.where(inside, why, Why.MEASURED).astype(np.int8))


def _net_area(wall: Wall) -> float:
    """Area of the whole wall less what openings, pockets and parts left out take of it within its bounds [m2]."""
    (left, bottom), (right, top) = wall.whole.min(axis=0), wall.whole.max(axis=0)
    on = [
        (max(hole.left, left), max(hole.bottom, bottom), min(hole.right, right), min(hole.top, top))
        for hole in wall.cut_out
    ]
    cut = sum(
        (x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in disjoint([box for box in on if box[0] < box[2] and box[1] < box[3]])
    )
    return max(wall.gross_area - float(cut), 0.0)


def extent(wall: Wall) -> tuple[float, float, float, float]:
    """Left, bottom, width and height of the whole wall, strips included [m]."""
    (left, bottom), (width, height) = wall.whole.min(axis=0), np.ptp(wall.whole, axis=0)
    return float(left), float(bottom), float(width), float(height)


def _outline_share(wall: Wall, corners: Array, cell: float) -> Array:
    """Share (rows, cols) of each of the whole wall's cells that lies in the polygon ``corners`` (k, 2)."""
    x0, y0, width, height = extent(wall)
    (left, bottom), (right, top) = corners.min(axis=0), corners.max(axis=0)
    up = geometry.overlap(height, cell, bottom - y0, top - y0)
    box: Array = np.outer(up, geometry.overlap(width, cell, left - x0, right - x0)) / cell**2
    if np.isclose(polygon_area(corners), (right - left) * (top - bottom), rtol=1e-9):
        return box
    rows, cols = box.shape
    step = cell / _FINE
    across, upward = np.meshgrid((np.arange(cols * _FINE) + 0.5) * step, (np.arange(rows * _FINE) + 0.5) * step)
    fine = in_polygon(across + x0, upward + y0, corners)
    return fine.reshape(rows, _FINE, cols, _FINE).mean(axis=(1, 3))


def opening_area(wall: Wall, opening: Opening, cell: float, rim: float = 0.0) -> Array:
    """Area (rows, cols) [m2] of an opening, less a ``rim`` [m], in each of the wall's cells."""
    share = np.minimum(_opening_share(wall, opening, cell, -rim), _outline_share(wall, wall.whole, cell))
    return share * cell**2


def _opening_share(wall: Wall, opening: Opening, cell: float, collar: float) -> Array:
    x0, y0, width, height = extent(wall)
    low, high = opening.bottom - y0 - collar, opening.top - y0 + collar
    up = geometry.overlap(height, cell, low, high)
    along = geometry.overlap(width, cell, opening.left - x0 - collar, opening.right - x0 + collar)
    return np.outer(up, along) / cell**2
