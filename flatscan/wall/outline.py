"""The outline of a wall's surface: a rectangle, cut by slanting edges where the points show them."""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull

from flatscan.core.geometry import Array, Mask, polygon_area
from flatscan.wall.occupancy import Occupancy

SLANT = np.radians(3.0)
LEAST_SLANT = 0.3
SUPPORT = 0.6
CUT_SHARE = 0.015


def rectangle(edges: Array) -> Array:
    """Corners (4, 2), counter-clockwise from the lower left, of left, bottom, right, top."""
    left, bottom, right, top = edges
    return np.array([[left, bottom], [right, bottom], [right, top], [left, top]])


def slanting_edges(grid: Occupancy, occupied: Mask) -> list[tuple[Array, Array]]:
    """Edges of the surface's convex hull that slant and have points all along: (point, outward normal) each."""
    row, column = np.nonzero(occupied)
    places = np.stack([grid.x[column], grid.y[row]], axis=1)
    hull = ConvexHull(places)
    ring = places[hull.vertices]
    found = []
    for start, stop in _straight_runs(ring, 1.5 * grid.cell):
        step = stop - start
        length = float(np.hypot(*step))
        angle = abs(np.arctan2(abs(step[1]), abs(step[0])))
        if length < LEAST_SLANT or min(angle, np.pi / 2 - angle) < SLANT:
            continue
        outward = np.array([step[1], -step[0]]) / length
        along = (places - start) @ step / length
        near = (places - start) @ outward > -2.5 * grid.cell
        cells = np.unique(np.floor(along[near & (along >= 0) & (along <= length)] / (2 * grid.cell)))
        if len(cells) >= SUPPORT * length / (2 * grid.cell):
            found.append((start + outward * grid.cell / 2, outward))
    return found


def _straight_runs(ring: Array, slack: float) -> list[tuple[Array, Array]]:
    """The hull's edges with vertices that lie within ``slack`` of a longer straight side left out."""
    keep = list(range(len(ring)))
    changed = True
    while changed and len(keep) > 3:
        changed = False
        gaps = [_off_chord(ring[keep[i - 1]], ring[keep[i]], ring[keep[(i + 1) % len(keep)]]) for i in range(len(keep))]
        least = int(np.argmin(gaps))
        if gaps[least] < slack:
            keep.pop(least)
            changed = True
    corners = ring[keep]
    return list(zip(corners, np.roll(corners, -1, axis=0), strict=True))


def _off_chord(before: Array, at: Array, after: Array) -> float:
    chord = after - before
    arm = at - before
    return float(abs(chord[0] * arm[1] - chord[1] * arm[0]) / max(np.hypot(*chord), 1e-12))


def clip(corners: Array, point: Array, outward: Array) -> Array:
    """The polygon (k, 2) on the inner side of the line through ``point`` (Sutherland-Hodgman)."""
    kept: list[Array] = []
    side = (corners - point) @ outward
    for i in range(len(corners)):
        j = (i + 1) % len(corners)
        if side[i] <= 0:
            kept.append(corners[i])
        if (side[i] < 0 < side[j]) or (side[j] < 0 < side[i]):
            share = side[i] / (side[i] - side[j])
            kept.append(corners[i] + share * (corners[j] - corners[i]))
    return np.array(kept)


def outline_polygon(grid: Occupancy, occupied: Mask, edges: Array, fixed: Mask) -> Array:
    """Outline (k, 2) [m] counter-clockwise, from the edges left, bottom, right, top (4,) in the grid's coordinates.

    A rectangle unless slanting edges with points all along them (a gable, a stair) cut off more than 1.5 % of it;
    then edges that are not ``fixed`` (4,) by an adjoining surface reach as far as the points do.
    """
    slants = slanting_edges(grid, occupied)
    if not slants:
        return rectangle(edges)
    row, column = np.nonzero(occupied)
    places = np.stack([grid.x[column], grid.y[row]], axis=1)
    reach = np.concatenate([places.min(axis=0) - grid.cell / 2, places.max(axis=0) + grid.cell / 2])
    further = (reach - edges) * np.array([-1, -1, 1, 1]) > 4 * grid.cell
    whole = np.where(further & ~fixed, reach, edges)
    corners = rectangle(whole)
    for point, outward in slants:
        corners = clip(corners, point, outward)
    corners = without_stubs(corners, 4 * grid.cell)
    area = float(np.prod(whole[2:] - whole[:2]))
    return corners if area - polygon_area(corners) > CUT_SHARE * area else rectangle(edges)


def without_stubs(corners: Array, least: float) -> Array:
    """The polygon with sides shorter than ``least`` [m] replaced by the point where their neighbours meet."""
    while len(corners) > 4:
        sides = np.roll(corners, -1, axis=0) - corners
        lengths = np.hypot(*sides.T)
        short = int(np.argmin(lengths))
        before, after = sides[short - 1], sides[(short + 1) % len(corners)]
        turn = before[0] * after[1] - before[1] * after[0]
        if lengths[short] >= least or abs(turn) < 1e-6 * np.hypot(*before) * np.hypot(*after):
            break
        start, far = corners[short - 1], corners[(short + 1) % len(corners)]
        share = ((far - start)[0] * after[1] - (far - start)[1] * after[0]) / turn
        corners = corners.copy()
        corners[short] = start + share * before
        corners = np.delete(corners, (short + 1) % len(corners), axis=0)
    return corners


def left_out(corners: Array, strips: Array) -> Array:
    """The outline less strips [m] along its left, bottom, right and top extremes (4,)."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    for axis in (0, 1):
        away = np.eye(2)[axis]
        if strips[axis] > 0:
            corners = clip(corners, low + strips[axis], -away)
        if strips[axis + 2] > 0:
            corners = clip(corners, high - strips[axis + 2], away)
    return corners
