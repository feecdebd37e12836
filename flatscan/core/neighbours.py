"""Which of a few freely placed stations stand beside each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array

Pairs = NDArray[np.int64]
# corners of regions this near each other, in spacings, are one: places are typed to a millimetre, tables are not exact
_ONE_CORNER = 0.02


def neighbour_pairs(x: Array, y: Array) -> Pairs:
    """Pairs (m, 2) of places (n,) whose own regions touch, also at a corner: rows of indices i < j, each pair once.

    A place's region is what lies nearer to it than to any other (Voronoi), within a box half a spacing beyond the
    outermost places. On a full table these are the eight around each station; on a line the one before and the one
    after. Of two equal places one has no neighbours.
    """
    from scipy.spatial import Delaunay

    count = len(x)
    if count < 2:
        return np.empty((0, 2), dtype=np.int64)
    places = np.stack([x, y], axis=1).astype(np.float64)
    spacing = _spacing(places)
    # places mirrored in the box's sides cut the regions off there: no region reaches over the side
    low, high = places.min(axis=0) - spacing / 2, places.max(axis=0) + spacing / 2
    mirrored = [places]
    for axis in (0, 1):
        for side in (low[axis], high[axis]):
            other = places.copy()
            other[:, axis] = 2 * side - other[:, axis]
            mirrored.append(other)
    drawn = Delaunay(np.concatenate(mirrored))
    pairs = [drawn.simplices[:, ends] for ends in ([0, 1], [1, 2], [2, 0])]
    pairs.append(_at_one_corner(drawn.points, drawn.simplices, drawn.neighbors, _ONE_CORNER * spacing))
    every = np.concatenate(pairs)
    own = np.sort(every[(every < count).all(axis=1)], axis=1)
    return np.unique(own, axis=0).astype(np.int64)


def _spacing(places: Array) -> float:
    """Median distance [m] of a place to its nearest one."""
    from scipy.spatial import cKDTree

    away = cKDTree(places).query(places, k=2)[0][:, 1]
    apart = away[away > 0]
    return float(np.median(apart)) if apart.size else 1.0


def _at_one_corner(points: Array, triangles: Pairs, beside: Pairs, near: float) -> Pairs:
    """Pairs of the far corners of adjoining triangles whose circles' centres fall together within ``near`` [m].

    The centres are corners of regions; four places on one circle have one in common, whichever diagonal was drawn.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    centres = _circle_centres(points[triangles])
    first, side = np.nonzero(beside >= 0)
    second = beside[first, side]
    same = np.hypot(*(centres[first] - centres[second]).T) <= near
    ends = (first[same], second[same])
    joined = coo_array((np.ones(len(ends[0])), ends), shape=(len(triangles),) * 2)
    number, corner = connected_components(joined, directed=False)
    shared = np.flatnonzero(np.bincount(corner, minlength=number) > 1)
    found = [np.empty((0, 2), dtype=np.int64)]
    for which in shared:
        around = np.unique(triangles[corner == which])
        one, other = np.triu_indices(len(around), 1)
        found.append(np.stack([around[one], around[other]], axis=1))
    return np.concatenate(found)


def _circle_centres(corners: Array) -> Array:
    """Centres (n, 2) of the circles through triangles (n, 3, 2); NaN for one without area."""
    start = corners[:, 0]
    (ax, ay), (bx, by) = (corners[:, 1] - start).T, (corners[:, 2] - start).T
    twice = 2 * (ax * by - ay * bx)
    square_a, square_b = ax**2 + ay**2, bx**2 + by**2
    with np.errstate(divide="ignore", invalid="ignore"):
        away = np.stack([by * square_a - ay * square_b, ax * square_b - bx * square_a], axis=1) / twice[:, None]
    return start + np.where(np.isfinite(away), away, np.nan)
