"""Sockets and switches: small flat plates on the wall that are not its surface.

A plate is told from a hump by its flat top and sharp, straight sides, and from a proud brick by its size: 77 to
160 mm both ways, which covers single and double wall plates but no stretcher's or header's face with its 65 mm of
height (common practice; sizes from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.model import Opening
from flatscan.wall.occupancy import Occupancy
from flatscan.wall.quadratic import solve, terms_at
from flatscan.wall.surface import sheet

LEAST_SIDE, MOST_SIDE = 0.077, 0.160
LEAST_PROUD, MOST_PROUD = 0.004, 0.020
FINE = 0.0125
FULL = 0.9
FLAT, FLAT_TOP = 0.25, 0.10


@dataclass(frozen=True, slots=True)
class Plate:
    """Where a plate sits, as an opening of the surface, and how far it stands proud [m]."""

    place: Opening
    proud: float


def find_plates(grid: Occupancy, occupied: Mask) -> tuple[Plate, ...]:
    """Plates on a wall whose points are dense enough to show one (cells of 12.5 mm or finer), else none."""
    if grid.cell > FINE or not occupied.any():
        return ()
    off = _averaged(grid, np.where(occupied, grid.rise - sheet(grid, occupied), 0.0), occupied)
    known = np.isfinite(off)
    noise = robust_scale(off[known])
    raised = known & (np.nan_to_num(off) > max(LEAST_PROUD, 4 * noise))
    labels, _ = ndimage.label(raised)
    found = []
    for part in ndimage.find_objects(labels):
        plate = _plate(grid, off, part, noise)
        if plate is not None:
            found.append(plate)
    return tuple(found)


def _averaged(grid: Occupancy, off: Array, occupied: Mask) -> Array:
    """Offsets averaged over 3 x 3 cells by their points; NaN where those hold none."""
    count = ndimage.uniform_filter(np.where(occupied, grid.surface, 0).astype(float), 3, mode="constant")
    total = ndimage.uniform_filter(np.where(occupied, grid.surface * off, 0.0), 3, mode="constant")
    return np.divide(total, count, out=np.full(off.shape, np.nan), where=count > 0.05)


def _plate(grid: Occupancy, off: Array, part: tuple[slice, slice], noise: float) -> Plate | None:
    """The plate in and about a raised part, if it is one: its sides lie where it stands half as proud as inside."""
    size = [(side.stop - side.start) * grid.cell for side in part]
    if min(size) < LEAST_SIDE / 2 or max(size) > 1.5 * MOST_SIDE:
        return None
    reach = round(0.04 / grid.cell)
    rows, columns = (slice(max(side.start - reach, 0), side.stop + reach) for side in part)
    window = off[rows, columns]
    inner = np.zeros(window.shape, dtype=bool)
    inner[reach // 2 : -(reach // 2) or None, reach // 2 : -(reach // 2) or None] = True
    around = window[~inner & np.isfinite(window)]
    if around.size < 8:
        return None
    local = np.nan_to_num(window - np.median(around))
    top = local[ndimage.binary_erosion(local > LEAST_PROUD, iterations=2)]
    proud = float(np.median(top)) if top.size else 0.0
    if not LEAST_PROUD < proud < MOST_PROUD:
        return None
    left, wide = _extent(local / proud, grid.cell)
    bottom, tall = _extent(local.T / proud, grid.cell)
    filled = float(np.clip(local / proud, 0, 1)[local > proud / 4].sum()) * grid.cell**2 / (wide * tall)
    loose = FLAT * proud + 2 * noise
    fits = min(wide, tall) >= LEAST_SIDE and max(wide, tall) <= MOST_SIDE and filled > FULL
    flat = _drop(local, ndimage.binary_erosion(local > proud / 2, iterations=2)) < FLAT_TOP * proud
    if not (fits and flat and float(np.quantile(np.abs(around - np.median(around)), 0.9)) < loose):
        return None
    place = (grid.left + columns.start * grid.cell + left, grid.bottom + rows.start * grid.cell + bottom)
    words = f"a flat plate {proud * 1000:.0f} mm proud, taken as a socket or switch"
    return Plate(Opening(float(place[0]), float(place[1]), wide, tall, words), proud)


def _drop(local: Array, top: Mask) -> float:
    """How far a quadratic through the top falls from its middle to its sides [m]: a hump's does, a plate's does not."""
    row, column = np.nonzero(top)
    if len(row) < 9:
        return float("inf")
    x, y = ((index - index.mean()) / max(float(np.ptp(index)) / 2, 1.0) for index in (column, row))
    terms = solve(terms_at(x, y), local[top])
    return float(-(terms[3] + terms[5]) / 2)


def _extent(share: Array, cell: float) -> tuple[float, float]:
    """Start and length [m] of the raised part across the columns, by the mean over its middle rows."""
    rows = np.flatnonzero((share > 0.5).any(axis=1))
    third = max(1, len(rows) // 3)
    profile = np.clip(share[rows[0] + third : rows[-1] + 1 - third].mean(axis=0), 0, 1)
    profile = np.where(profile > 0.25, profile, 0.0)
    length = float(profile.sum()) * cell
    middle = float((profile * (np.arange(len(profile)) + 0.5)).sum() / max(profile.sum(), 1e-9)) * cell
    return middle - length / 2, length
