"""All points of a capture over a few small squares of a wall, picked while they stream by."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.independence import Patches
from flatscan.core.model import Cloud, Wall
from flatscan.relief.footprint import extent

# squares along and up, and how many points each should hold
_ALONG, _UP, _POINTS = 4, 3, 1000
# nor narrower [m], nor wider than this part of the distance to the next
_LEAST, _MOST = 0.03, 0.6
# no more points of one chunk than these go into the squares, nor over so many as wanted of all
_OVER = 4
# a square counts that holds so many points, in so many of its sixteen parts
_FEWEST, _PARTS, _FILLED = 60, 4, 15

# weights that bring equal rows together, and hardly any others
_ANY_ORDER = np.array([1.0, np.sqrt(2.0), np.sqrt(3.0)])


@dataclass(eq=False)
class Picking:
    """The squares of a wall, and the points picked out of every chunk; `patches` are they all, whatever their order."""

    wall: Wall
    lattice: Array
    density: float
    step: float
    raster: float
    taken: dict[int, Array] = field(default_factory=dict)

    @classmethod
    def over(cls, wall: Wall, density: float, cloud: Cloud) -> Picking:
        """Squares spread evenly over a wall of so many points a m2: their places follow from its size alone."""
        x0, y0, width, height = extent(wall)
        along, up = width / (_ALONG + 1), height / (_UP + 1)
        side = min(max(np.sqrt(_POINTS / max(density, 1.0)), _LEAST), _MOST * min(along, up))
        lattice = np.array(
            [[x0 + along - side / 2, along, side, _ALONG], [y0 + up - side / 2, up, side, _UP]], dtype=float
        )
        # rounding along the wall, or a raster, places points; rounding across it says how exact heights are
        along_it = max(float(np.linalg.norm(way * cloud.u_step)) for way in (wall.frame.along, wall.frame.up))
        across = float(np.linalg.norm(wall.frame.out * cloud.u_step))
        return cls(wall, lattice, density, np.sqrt(12) * across, np.sqrt(12) * along_it)

    def room(self, most: int) -> Array:
        """Room for what is picked out of a chunk of so many points."""
        return np.empty((min(most, _OVER * _ALONG * _UP * _POINTS), 3))

    def keep(self, start: int, picked: Array) -> None:
        """Keep the points (n, 3) picked out of the chunk that begins with point ``start``."""
        self.taken[start] = picked.copy()

    def patches(self, reach: float) -> Patches:
        """The squares that are well filled, of points within ``reach`` [m] of each one's median, exact repeats once."""
        points = np.concatenate([self.taken[start] for start in sorted(self.taken)] or [np.empty((0, 3))])
        (x0, along, side, _), (y0, up, _, _) = self.lattice
        number = np.floor((points[:, 0] - x0) / along).astype(int) + _ALONG * np.floor((points[:, 1] - y0) / up).astype(
            int
        )
        squares = [self._filled(points[number == one], reach) for one in range(_ALONG * _UP)]
        kept = [one for one in squares if one is not None]
        edges = np.concatenate([[0], np.cumsum([len(one) for one in kept])]).astype(int)
        return Patches(
            np.concatenate(kept or [np.empty((0, 3))]), tuple(edges.tolist()), float(side), self.step, self.raster
        )

    def _filled(self, points: Array, reach: float) -> Array | None:
        if len(points) < _FEWEST:
            return None
        points = points[np.abs(points[:, 2] - np.median(points[:, 2])) <= reach]
        if len(points) < _FEWEST:
            # half of an even number lie on one surface and half on another, with the middle between
            return None
        # a row that is there twice was counted once before, or is allowed for in the capture's own share
        points = points[np.argsort(points @ _ANY_ORDER, kind="stable")]
        points = points[np.append(True, np.any(points[1:] != points[:-1], axis=1))]
        (x0, along, side, _), (y0, up, _, _) = self.lattice
        col = np.clip((np.mod(points[:, 0] - x0, along) / side * _PARTS).astype(int), 0, _PARTS - 1)
        row = np.clip((np.mod(points[:, 1] - y0, up) / side * _PARTS).astype(int), 0, _PARTS - 1)
        filled = len(np.unique(row * _PARTS + col)) >= _FILLED
        return points if filled and len(points) >= _FEWEST else None
