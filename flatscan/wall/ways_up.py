"""Which file axes may be up, and what speaks for each: `ways_up`.

Points are given for what is known of buildings: rooms are 2 to 6 m high and mostly 2.2 to 2.8, facades are wider than
high, a room has a floor and a ceiling, a door is about 2 m high and stands on the floor; a format's own convention
counts less than these together. What the points are is an engineering estimate; that two ways within one point of each
other are asked for, and never chosen between, is what matters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array, unit
from flatscan.core.model import Cloud
from flatscan.wall.courses import has_level_joints
from flatscan.wall.planes import Candidate, Thinned

# the axis that lies in a surface's plane within 3 degrees; a wall stands within 5 degrees of it
SQUARE, UPRIGHT = np.sin(np.radians(3.0)), np.sin(np.radians(5.0))
# how far floor and ceiling are apart; further only where that is less than the walls are wide
STOREY = (1.9, 8.0)
# least height, points: from rooms of today over old ones to halls; a wall over 6 m that is higher than wide is none
_HEIGHTS = ((0.0, 0.25), (2.0, 1.0), (2.2, 2.5), (2.8, 2.0), (3.2, 1.0), (4.5, 0.75), (6.0, 0.5))
HIGH, _TOWER = 6.0, -1.0
_PAIR, _ONE_END, _CONVENTION, _ONLY, _DOOR = 2.0, 0.5, 1.5, 1.0, 2.0
# most files have z up, and most rooms are lower than they are long and wide; what is nearly all floor is seldom a wall;
# what was found of a building is level or upright
_Z, _LOWEST, _LYING, _FITTING, _JOINTS = 0.5, 0.5, -1.5, 2.0, 1.0
_LEAST_STANDING = 0.25
# a wall whose points fill less of its own width and height is scattered pieces of other things
_FILLED = 0.2
# a way with fewer points is none: a wall higher than wide in an otherwise square building has as many
LEAD, CLEAR_LEAD, LEAST = 1.0, 2.0, 1.0
_DOOR_HIGH, _DOOR_WIDE, _SILL = (1.8, 2.3), (0.6, 2.2), 0.4


@dataclass(frozen=True, eq=False)
class Level:
    """A direction with the extreme planes square to it: low and high end (None: not found), and the area of walls."""

    axis: Array
    low: Candidate | None
    high: Candidate | None
    walls: float

    @property
    def apart(self) -> float | None:
        """Distance of the two ends [m], None where one was not found."""
        if self.low is None or self.high is None:
            return None
        return float(np.dot(self.high.centre - self.low.centre, self.axis))


@dataclass(frozen=True, eq=False)
class WayUp:
    """A file axis that may be up, the size [m] of the largest wall it makes, and what speaks for it.

    ``level`` are its floor and ceiling, where they are that far apart as such are.
    """

    axis: Array
    width: float
    height: float
    level: Level | None
    convention: bool
    only: bool
    door: bool
    points: float

    @property
    def told(self) -> bool:
        """Whether anything speaks for it that can do so alone: a hole like a door may be a shadow."""
        return self.level is not None or self.convention or self.only


def ways_up(cloud: Cloud, thinned: Thinned, planes: list[Candidate], level: list[Level]) -> list[WayUp]:
    """The file axes that some surface stands upright to, what speaks most for first."""
    ways = [_way(cloud, thinned, planes, level, axis) for axis in np.eye(3)]
    return sorted((way for way in ways if way is not None), key=lambda way: -way.points)


def _way(cloud: Cloud, thinned: Thinned, planes: list[Candidate], level: list[Level], axis: Array) -> WayUp | None:
    """What speaks for one file axis, None where no wall stands upright to it."""
    walls = [plane for plane in planes if abs(np.dot(plane.normal, axis)) < UPRIGHT]
    by_format = cloud.up is not None and abs(np.dot(unit(cloud.up), axis)) > 1 - SQUARE
    # the wall is what the capture is of: a lintel's underside is upright to some axis too
    if not walls or (not by_format and walls[0].area < 0.1 * planes[0].area):
        return None
    wall = max(walls, key=lambda plane: plane.area)
    width, height = size_of(thinned, wall, axis)
    if wall.area < _FILLED * width * height:
        return None
    found = next((one for one in level if abs(np.dot(one.axis, axis)) > 1 - SQUARE and _is_storey(one, width)), None)
    only = only_axes(planes)
    lone = len(only) == 1 and bool(only[0] @ axis)
    door = any(has_door(thinned, plane, axis) for plane in walls[:6])
    shape = _for_shape(width, height if found is None or found.apart is None else found.apart)
    lying = sum(plane.area for plane in walls) < _LEAST_STANDING * max(plane.area for plane in planes)
    told = (
        (by_format, _CONVENTION),
        (lone, _ONLY),
        (door, _DOOR),
        (has_level_joints(thinned, wall, axis), _JOINTS),
        (cloud.up is None and bool(axis[2]), _Z),
        (lying, _LYING),
    )
    points = shape + sum(value for holds, value in told if holds) + _FITTING * _fitting(planes, axis)
    if shape > 0 and found is not None:
        points += _for_level(planes, found, level)
    return WayUp(axis, width, height, found, by_format, lone, door, points)


def _for_level(planes: list[Candidate], found: Level, level: list[Level]) -> float:
    """Points for what lies square to an axis: a storey, or one end of it; and for the closest of several pairs."""
    apart = [one.apart for one in level if one.apart is not None and one.apart >= STOREY[0]]
    lowest = len(apart) > 1 and found.apart == min(apart)
    return (_PAIR if _has_storey(planes, found) else _ONE_END) + (_LOWEST if lowest else 0.0)


def only_axes(planes: list[Candidate]) -> list[Array]:
    """The file axes that lie in the plane of every large surface, within 3 degrees."""
    large = [plane for plane in planes if plane.area > 0.25 * planes[0].area]
    return [axis for axis in np.eye(3) if all(abs(np.dot(plane.normal, axis)) < SQUARE for plane in large)]


def size_of(thinned: Thinned, plane: Candidate, up: Array) -> tuple[float, float]:
    """Width and height [m] of a surface that stands upright, but for its last stray points."""
    points = thinned.points[plane.members]
    spans = [np.quantile(points @ way, (0.005, 0.995)) for way in (unit(np.cross(up, plane.normal)), up)]
    return float(np.ptp(spans[0])), float(np.ptp(spans[1]))


def _is_storey(level: Level, width: float) -> bool:
    """Whether two ends are as far apart as floor and ceiling are; one end alone may be either."""
    if level.apart is None:
        return True
    return STOREY[0] <= level.apart <= STOREY[1] or STOREY[1] < level.apart < width


def _for_shape(width: float, height: float) -> float:
    if height > HIGH and height > width:
        return _TOWER
    return next(points for least, points in reversed(_HEIGHTS) if height >= least)


def _fitting(planes: list[Candidate], up: Array) -> float:
    """Share of the area found that lies level or stands upright, 1 in a building that is square to ``up``."""
    fits = [
        abs(plane.normal @ up) < UPRIGHT or np.linalg.norm(np.cross(plane.normal, up)) < UPRIGHT for plane in planes
    ]
    areas = np.array([plane.area for plane in planes])
    return float(areas[fits].sum() / areas.sum())


def _has_storey(planes: list[Candidate], level: Level) -> bool:
    """Whether two large level surfaces lie a storey apart, others between the ends of a high building among them."""
    if level.apart is None:
        return False
    square = [plane for plane in planes if np.linalg.norm(np.cross(plane.normal, level.axis)) < SQUARE]
    large = [plane for plane in square if plane.area > _LEAST_STANDING * max(one.area for one in square)]
    steps = np.diff(np.sort([float(plane.centre @ level.axis) for plane in large]))
    return bool(level.apart <= STOREY[1] or ((steps >= STOREY[0]) & (steps <= HIGH)).any())


def has_door(thinned: Thinned, plane: Candidate, up: Array) -> bool:
    """Whether a hole as wide and high as a door stands on the surface's lower or upper edge, with wall beside it."""
    points = thinned.points[plane.members]
    cell = max(0.1, 2 * thinned.spacing)
    if cell > 0.25:
        return False
    across, upward = points @ unit(np.cross(up, plane.normal)), points @ up
    low, high = np.quantile(upward, (0.002, 0.998))
    if high - low < _DOOR_HIGH[0]:
        return False
    column = np.floor((across - across.min()) / cell).astype(np.int64)
    for above in (upward - low, high - upward):
        first = np.full(column.max() + 1, np.inf)
        np.minimum.at(first, column, np.maximum(above, 0.0))
        if _doorway(first, cell):
            return True
    return False


def _doorway(first: Array, cell: float) -> bool:
    """Whether columns whose wall begins at a door's height stand between columns whose wall begins at the floor."""
    open_here = (first > _DOOR_HIGH[0]) & (first < _DOOR_HIGH[1])
    ends = np.flatnonzero(np.diff(np.concatenate([[0], open_here.astype(np.int8), [0]])))
    for start, stop in ends.reshape(-1, 2):
        wide = (stop - start) * cell
        beside = [first[max(start - 3, 0) : start], first[stop : stop + 3]]
        walled = all(len(side) and side.min() < _SILL for side in beside)
        if _DOOR_WIDE[0] <= wide <= _DOOR_WIDE[1] and walled:
            return True
    return False
