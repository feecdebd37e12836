"""Chases and pockets: what fills them flush with the wall around, before any coat, and apart from it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.holes import InPocket, Opening
from flatscan.core.model import Relief
from flatscan.core.quantity import Quantity, cubic_metres
from flatscan.plan.finish import BuildUp
from flatscan.plan.surface import Surface, surface_of

# the wall around a place in a pocket: so many of the nearest stations, or cells, carry a plane there [setting]
_STATIONS, _CELLS = 8, 60


@dataclass(frozen=True, slots=True)
class PocketFill:
    """A pocket at ``place``: mean ``depth`` [m] under the wall around, ``fill`` [m3] flush with it, ``coat`` over it.

    ``area`` [m2] is the pocket's on the wall, ``coat`` [m3] what the coats of the wall's own thickness take over it;
    neither is in the wall's volume. ``depth`` and ``fill`` are None where nothing was read in it. ``likely``: nobody
    named it, only its depth shows it.
    """

    place: Opening
    area: float
    depth: float | None
    fill: Quantity | None
    coat: float
    likely: bool


def pockets_of(relief: Relief, build_up: BuildUp) -> tuple[PocketFill, ...]:
    """What fills each pocket of a wall, from what was read in it to the surface around it (methods/finish-plane 15)."""
    if not relief.pocketed:
        return ()
    around = surface_of(relief)
    nearest = _CELLS if relief.known_between else _STATIONS
    return tuple(_fill(pocket, around, build_up, nearest) for pocket in relief.pocketed)


def _fill(pocket: InPocket, around: Surface, build_up: BuildUp, nearest: int) -> PocketFill:
    place = pocket.place
    middle = np.array([place.left + place.width / 2]), np.array([place.bottom + place.height / 2])
    x, y = (pocket.x, pocket.y) if len(pocket.x) else middle
    level, u_level = level_at(around, x, y, nearest)
    weight = pocket.area if len(pocket.x) and pocket.area.sum() > 0 else np.ones(len(x))
    coat = float(np.average(build_up.plane.at(x, y) - level, weights=weight)) * pocket.size
    if not len(pocket.x):
        return PocketFill(place, pocket.size, None, None, max(coat, 0.0), pocket.likely)
    deep = level - pocket.offset
    depth = max(float(np.average(deep, weights=weight)), 0.0)
    # readings and the wall around them stray each for itself; between readings the depth does as it does at them
    count = len(deep)
    stray = float(np.std(deep, ddof=1)) if count > 1 else 0.5 * depth
    u_depth = math.sqrt((stray**2 + float(np.mean(pocket.u**2 + u_level**2))) / count)
    u = pocket.size * math.hypot(u_depth, depth * pocket.u_width)
    return PocketFill(place, pocket.size, depth, cubic_metres(pocket.size * depth, u), max(coat, 0.0), pocket.likely)


def level_at(around: Surface, x: Array, y: Array, nearest: int) -> tuple[Array, Array]:
    """Height and its u (n,) [m] of the wall around places, had it no pocket there.

    A plane through the ``nearest`` places, weighed by the inverse square of their distance; their mean where they
    stand on one line.
    """
    from scipy.spatial import cKDTree

    count = min(nearest, len(around.x))
    away, at = cKDTree(np.stack([around.x, around.y], axis=1)).query(np.stack([x, y], axis=1), k=count)
    away, at = away.reshape(len(x), count), at.reshape(len(x), count)
    level, u = np.empty(len(x)), np.empty(len(x))
    for row, (far, those) in enumerate(zip(away, at, strict=True)):
        weight = 1 / np.maximum(far, 1e-3) ** 2
        arms = np.stack([np.ones(count), around.x[those] - x[row], around.y[those] - y[row]], axis=1)
        root = np.sqrt(weight)[:, None]
        found, _, rank, _ = np.linalg.lstsq(arms * root, around.z[those] * root[:, 0], rcond=1e-6)
        flat = rank < 3 or count < 4
        level[row] = np.average(around.z[those], weights=weight) if flat else found[0]
        off = around.z[those] - (level[row] if flat else arms @ found)
        u[row] = math.sqrt(float(np.average(off**2, weights=weight)) / max(count - 3, 1))
    return level, u
