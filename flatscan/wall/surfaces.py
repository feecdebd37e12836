"""What is drawn as a wall: each upright surface found, or each level of one that has several."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Cloud
from flatscan.wall.facing import Facing, decide_facing
from flatscan.wall.fit import Fit, fit_wall
from flatscan.wall.levels import Levels, find_levels
from flatscan.wall.occupancy import Occupancy
from flatscan.wall.orientation import is_upright
from flatscan.wall.planes import Candidate, Thinned, levels_beside


@dataclass(frozen=True, slots=True)
class Within:
    """The lines [m] along ``axis`` (0 along, 1 up) a part lies between, in its fit's axes; None: the wall's edge."""

    axis: int
    low: float | None
    high: float | None

    @property
    def at_line(self) -> tuple[float | None, ...]:
        """Where the left, bottom, right and top edge lie on such a line [m], None where they do not."""
        ends = [self.low if side == self.axis else None for side in (0, 1)]
        return (*ends, *(self.high if side == self.axis else None for side in (0, 1)))

    def cut(self, grid: Occupancy) -> Occupancy:
        """The grid without what lies beyond the lines."""
        place = (grid.x, grid.y)[self.axis]
        keep = np.ones(len(place), bool) if self.low is None else place > self.low
        keep &= True if self.high is None else place < self.high
        mask = keep[None, :] if self.axis == 0 else keep[:, None]
        names = ("surface", "close", "reveal", "behind", "front", "through")
        layers: dict[str, Any] = {name: np.where(mask, getattr(grid, name), 0) for name in names}
        return replace(grid, rise=np.where(mask, grid.rise, np.nan), **layers)


@dataclass(frozen=True, eq=False)
class Surface:
    """One wall's surface: its fit, the side it faces and, where it is one level of a wall, which of them."""

    fit: Fit
    face: Facing
    levels: Levels | None = None
    within: Within | None = None


def surfaces_of(
    cloud: Cloud,
    thinned: Thinned,
    planes: list[Candidate],
    standing: list[Candidate],
    up: Array,
    seen_from: Array | None,
    *,
    levels: bool = True,
) -> tuple[list[Surface], list[Candidate]]:
    """The surfaces of all walls, parts of one wall behind each other, and ``planes`` with parts in their wholes' place.

    Without ``levels`` no wall is parted.
    """

    def facing(plane: Candidate) -> Facing:
        # another level of the same wall, before or behind it, does not tell where the room is
        levels = [other for other, _ in levels_beside(thinned, plane, planes)]
        others = [one for one in planes if not any(one is other for other in levels)]
        return decide_facing(cloud, thinned, others, plane, up, seen_from, standing)

    upright = [plane for plane in planes if is_upright(plane, up)]
    found, gone, new = list[Surface](), list[Candidate](), list[Candidate]()
    for plane in standing:
        if any(plane is one for one in gone):
            continue
        face = facing(plane)
        fit = fit_wall(cloud.sample, thinned, plane, up, face.sign)
        # a surface that stands by itself already is no level of a smaller one
        told = [*gone, *(surface.fit.plane for surface in found)]
        left = [one for one in upright if not any(one is other for other in told)]
        parted = find_levels(cloud.sample, thinned, fit, face, left, facing) if levels else None
        if parted is None:
            found.append(Surface(fit, face))
            continue
        gone += parted.taken
        new += [part.plane for part in parted.parts]
        found += _parts(cloud, thinned, face, up, parted)
    return found, [one for one in planes if not any(one is other for other in gone)] + new


def _parts(cloud: Cloud, thinned: Thinned, face: Facing, up: Array, levels: Levels) -> list[Surface]:
    surfaces = []
    for part in levels.parts:
        fit = fit_wall(cloud.sample, thinned, part.plane, up, face.sign)
        low, high = (None if line is None else levels.line_in(line, fit) for line in (part.before, part.after))
        surfaces.append(Surface(fit, face, levels, Within(levels.axis, low, high)))
    return surfaces
