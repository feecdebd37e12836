"""What stands nearest to a wall in another capture, for those that do not show it."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Wall
from flatscan.wall.planes import find_planes, thin, with_normals

_FACING = np.cos(np.radians(30.0))


def nearest_surface(cloud: Cloud, wall: Wall) -> tuple[float, float] | None:
    """How far off a wall the nearest surface of a cloud that faces its way lies [m], and by what angle [rad].

    The cloud has the wall's own coordinates. None where no surface does.
    """
    middle = wall.frame.to_file(np.array([[wall.width / 2, wall.height / 2, 0.0]]))[0]
    found = []
    for plane in find_planes(with_normals(*thin(cloud.sample))):
        facing = abs(float(plane.normal @ wall.frame.out))
        if facing > _FACING:
            off: Array = (plane.centre - middle) @ wall.frame.out
            found.append((abs(float(off)), float(np.arccos(min(facing, 1.0)))))
    return min(found, default=None)


def points_near(cloud: Cloud, wall: Wall, reach: float) -> int:
    """How many points of a cloud's sample lie within ``reach`` [m] of a wall's plane, on its outline's rectangle."""
    place = wall.frame.to_wall(cloud.sample)
    low, high = wall.outline.min(axis=0), wall.outline.max(axis=0)
    inside = ((place[:, :2] > low) & (place[:, :2] < high)).all(axis=1) & (np.abs(place[:, 2]) < reach)
    return int(inside.sum())
