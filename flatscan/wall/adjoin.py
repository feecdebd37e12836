"""What adjoins a wall: other walls, floor and ceiling fix its edges where the points alone would smear them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array, unit
from flatscan.wall.candidates import Candidate, Thinned
from flatscan.wall.fit import Fit

REACH = 0.3
SIDES = ("left", "bottom", "right", "top")
_NOT_PARALLEL = np.sin(np.radians(30.0))
MOVED = 0.15
NARROW = 0.6


@dataclass(frozen=True, slots=True)
class Edge:
    """One of a wall's four edges: ``place`` [m] along or up, and the index of the surface that adjoins there."""

    place: float
    plane: int | None = None


def adjoining_edges(fit: Fit, edges: Array, planes: list[Candidate], thinned: Thinned) -> tuple[Edge, ...]:
    """Left, bottom, right and top edge, each put where the wall meets the surface found there, if one is.

    ``edges`` (4,) [m] are those of the points in the fit's coordinates. A surface counts when its own points come
    within 300 mm of the line where the two meet and that line is within 150 mm of the points' edge (or outside it by
    up to 600 mm: what stands before a corner hides the wall there, not the walls that meet in it).
    """
    found = [Edge(float(place)) for place in edges]
    middle = (edges[:2] + edges[2:]) / 2
    for number, plane in enumerate(planes):
        if plane is fit.plane:
            continue
        line = _meeting_line(fit, plane)
        if line is None:
            continue
        axis, slope, start = line
        place = start + slope * middle[1 - axis]
        side = axis if abs(place - edges[axis]) < abs(place - edges[axis + 2]) else axis + 2
        outward = (place - edges[side]) * (1 if side > 1 else -1)
        if not -MOVED < outward < NARROW or not _reaches(fit, plane, thinned, edges, axis, place, slope):
            continue
        other = found[side]
        # a pipe or a cupboard's side is flat too: of surfaces much unlike in size the larger one bounds the wall
        ratio = 1.0 if other.plane is None else plane.area / planes[other.plane].area
        nearer = abs(place - edges[side]) < abs(other.place - edges[side])
        if other.plane is None or ratio > 4 or (nearer and ratio > 0.25):
            found[side] = Edge(float(place), number)
    return tuple(found)


def _meeting_line(fit: Fit, plane: Candidate) -> tuple[int, float, float] | None:
    """Where a plane cuts the wall: (axis 0 along or 1 up, slope, start): place = start + slope x the other axis."""
    frame = fit.frame
    up = unit(frame.up + fit.lean * frame.out)
    across = np.array([plane.normal @ frame.along, plane.normal @ up])
    size = float(np.hypot(*across))
    if size < _NOT_PARALLEL:
        return None
    axis = int(np.argmax(np.abs(across)))
    if abs(across[1 - axis]) > 0.35 * abs(across[axis]):
        return None
    offset = float((plane.centre - frame.at) @ plane.normal)
    return axis, float(-across[1 - axis] / across[axis]), offset / float(across[axis])


def _reaches(fit: Fit, plane: Candidate, thinned: Thinned, edges: Array, axis: int, place: float, slope: float) -> bool:
    """Whether the plane's own points come to the line over a good part of it: a third of the edge, or 600 mm."""
    points = fit.local(thinned.points[plane.members])
    other = 1 - axis
    line = place + slope * (points[:, other] - (edges[other] + edges[other + 2]) / 2)
    near = (np.abs(points[:, axis] - line) < REACH) & (np.abs(points[:, 2]) < REACH)
    near &= (points[:, other] > edges[other] - 0.05) & (points[:, other] < edges[other + 2] + 0.05)
    covered = len(np.unique(np.floor(points[near, other] / 0.1))) * 0.1
    return bool(covered > min(0.6, (edges[other + 2] - edges[other]) / 3))
