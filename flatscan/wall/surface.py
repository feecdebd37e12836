"""Which cells are the wall's own surface: near a smooth sheet through it, neither recessed nor fixed on top."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.wall.occupancy import Occupancy
from flatscan.wall.quadratic import robust, terms_at

RECESS = 0.015
BLOCK = 0.05


def sheet(grid: Occupancy, occupied: Mask) -> Array:
    """Smooth reference offset [m] at every cell: a robust quadratic, which follows a belly but no door leaf."""
    block = max(1, round(BLOCK / grid.cell))
    x, y, z = _blocks(grid, occupied, block)
    across, upward = np.meshgrid(grid.x, grid.y)
    centre, size = np.array([x.mean(), y.mean()]), max(float(np.ptp(x)), float(np.ptp(y)), 1e-6)
    terms = robust(terms_at((x - centre[0]) / size, (y - centre[1]) / size), z)
    flat = terms_at((across.ravel() - centre[0]) / size, (upward.ravel() - centre[1]) / size)
    reference: Array = (flat @ terms).reshape(across.shape)
    return reference


def _blocks(grid: Occupancy, occupied: Mask, block: int) -> tuple[Array, Array, Array]:
    """Mean place and offset of the occupied cells in square blocks of cells."""
    row, column = np.nonzero(occupied)
    _, number = np.unique((row // block) * grid.surface.shape[1] + column // block, return_inverse=True)
    count = np.bincount(number)
    values = (grid.x[column], grid.y[row], grid.rise[row, column])
    return tuple(np.bincount(number, value) / count for value in values)  # type: ignore[return-value]


def recessed(grid: Occupancy, occupied: Mask) -> Mask:
    """Occupied cells that lie at least 15 mm behind the sheet (and five scatters): door leaves, frames, niches."""
    off = grid.rise - sheet(grid, occupied)
    scatter = robust_scale(off[occupied]) if occupied.any() else 0.0
    result: Mask = occupied & (np.nan_to_num(off) < -max(RECESS, 5 * scatter))
    return result
