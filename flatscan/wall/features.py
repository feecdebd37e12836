"""What is on a wall and is not its surface: leaves and frames set back, sockets and switches, a skirting at its foot.

A plate is told from a hump by its flat top and sharp, straight sides, and from a proud brick by its size: 77 to
160 mm both ways, which covers single and double wall plates but no stretcher's or header's face with its 65 mm of
height (common practice; sizes from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask, fit_quadratic, fit_quadratic_robust, quadratic_terms, robust_scale
from flatscan.core.model import Opening
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.wall.fit import Fit
from flatscan.wall.occupancy import Occupancy

RECESS = 0.015
BLOCK = 0.05
LEAST_SIDE, MOST_SIDE = 0.077, 0.160
LEAST_PROUD, MOST_PROUD = 0.004, 0.020
FINE = 0.0125
FULL = 0.9
FLAT, FLAT_TOP = 0.25, 0.10
ROW = 0.02
STEP = 0.004
SKIRTING_PROUD = 0.045
LOWEST, HIGHEST = 0.04, 0.30
SPREAD = 0.5


def sheet(grid: Occupancy, occupied: Mask) -> Array:
    """Smooth reference offset [m] at every cell: a robust quadratic, which follows a belly but no door leaf."""
    block = max(1, round(BLOCK / grid.cell))
    x, y, z = _blocks(grid, occupied, block)
    across, upward = np.meshgrid(grid.x, grid.y)
    centre, size = np.array([x.mean(), y.mean()]), max(float(np.ptp(x)), float(np.ptp(y)), 1e-6)
    terms = fit_quadratic_robust(quadratic_terms((x - centre[0]) / size, (y - centre[1]) / size), z)
    flat = quadratic_terms((across.ravel() - centre[0]) / size, (upward.ravel() - centre[1]) / size)
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
    if min(wide, tall) <= 0:
        return None
    filled = float(np.clip(local / proud, 0, 1)[local > proud / 4].sum()) * grid.cell**2 / (wide * tall)
    loose = FLAT * proud + 2 * noise
    fits = min(wide, tall) >= LEAST_SIDE and max(wide, tall) <= MOST_SIDE and filled > FULL
    flat = _drop(local, ndimage.binary_erosion(local > proud / 2, iterations=2)) < FLAT_TOP * proud
    if not (fits and flat and float(np.quantile(np.abs(around - np.median(around)), 0.9)) < loose):
        return None
    place = (grid.left + columns.start * grid.cell + left, grid.bottom + rows.start * grid.cell + bottom)
    evidence = note("wall.plate", proud=metres(proud))
    return Plate(Opening(float(place[0]), float(place[1]), wide, tall, evidence), proud)


def _drop(local: Array, top: Mask) -> float:
    """How far a quadratic through the top falls from its middle to its sides [m]: a hump's does, a plate's does not."""
    row, column = np.nonzero(top)
    if len(row) < 9:
        return float("inf")
    x, y = ((index - index.mean()) / max(float(np.ptp(index)) / 2, 1.0) for index in (column, row))
    terms = fit_quadratic(quadratic_terms(x, y), local[top])
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


@dataclass(frozen=True, slots=True)
class Skirting:
    """How far it stands proud, and where its top lies, up in the fit's coordinates [m]."""

    thickness: float
    top: float


def find_skirting(points: Array, fit: Fit) -> Skirting | None:
    """The skirting of a wall among ``points`` (n, 3), or None.

    Rows of 20 mm up from the foot: all of them at least 4 mm proud up to a step within 40 mm, 40 to 300 mm above the
    foot, along at least half of the wall. A wall that bellies out at its foot has no such step.
    """
    close = np.abs((points - fit.frame.at) @ fit.frame.out) < 0.4
    place = fit.local(points[close])
    place = place[(place[:, 0] > fit.low[0]) & (place[:, 0] < fit.high[0])]
    place = place[np.abs(place[:, 2]) < SKIRTING_PROUD + 0.015]
    place = place[np.abs(place[:, 1] - fit.low[1]) < HIGHEST + 0.15]
    if len(place) < 50:
        return None
    foot = float(np.quantile(place[:, 1], 0.002))
    row = np.floor((place[:, 1] - foot) / ROW).astype(int)
    rows = int(np.ceil((HIGHEST + 0.1) / ROW))
    columns = np.floor(place[:, 0] / 0.2)
    wide = (fit.high[0] - fit.low[0]) / 0.2
    middle = np.full(rows, np.nan)
    for i in range(rows):
        here = row == i
        if here.sum() >= 8 and len(np.unique(columns[here])) > SPREAD * wide:
            middle[i] = np.median(place[here, 2])
    return _step(middle, foot)


def _step(middle: Array, foot: float) -> Skirting | None:
    """The first row from which the wall lies back, if every row below stands proud of it."""
    for k in range(int(LOWEST / ROW), int(HIGHEST / ROW)):
        above = middle[k + 1 : k + 5]
        if np.isfinite(above).sum() < 2:
            continue
        # the lowest row holds the floor's edge, the row of the step a part of either
        below = middle[1:k]
        below = below[np.isfinite(below)]
        thickness = float(np.median(below) - np.nanmedian(above)) if len(below) else 0.0
        proud = len(below) > 0 and (below - np.nanmedian(above)).min() > max(STEP, 0.6 * thickness)
        if proud and thickness > STEP and np.nanmax(np.abs(above - np.nanmedian(above))) < 0.3 * thickness:
            return Skirting(thickness, foot + (k + 1) * ROW)
    return None
