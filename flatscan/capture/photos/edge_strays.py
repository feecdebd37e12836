"""Points at the wall's own edges that are none of it: what a window of pixels sees there is half the wall beside it."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array, Mask

# squares in which it is asked where anything was measured [m]
_SQUARE = 0.01
# holes up to so many squares wide are no edge; a coarse window of pixels reaches so far over one [m]
_HOLE, _REACH = 5, 0.025
# a point there is of the wall where it lies this near to what the wall is like further in [m]
_NEAR = 0.003
_SMOOTH = 5
_ROUNDS = 3


def on_the_wall(points: Array) -> Mask:
    """Which of the points (n, 3) [m] are no strays: by an edge of what was measured those that are as high as inside.

    Corners, reveals and edges of openings are where two surfaces meet within one window, and matching shows neither.
    """
    kept = np.ones(len(points), bool)
    # what lies outside may have held on to what lies inside
    for _ in range(_ROUNDS):
        left = _kept(points[kept])
        if left.all():
            break
        kept[kept] = left
    return kept


def _kept(points: Array) -> Mask:
    """One round of `on_the_wall`."""
    from scipy import ndimage

    if not len(points):
        return np.zeros(0, bool)
    low = points[:, :2].min(axis=0) - (_HOLE + 1) * _SQUARE
    col, row = np.floor((points[:, :2] - low) / _SQUARE).astype(int).T
    shape = int(row.max()) + _HOLE + 2, int(col.max()) + _HOLE + 2
    count, total = np.zeros(shape), np.zeros(shape)
    np.add.at(count, (row, col), 1)
    np.add.at(total, (row, col), points[:, 2])
    measured = count > 0
    hole = np.ones((_HOLE, _HOLE), bool)
    whole = ndimage.binary_opening(ndimage.binary_closing(measured, hole), hole)
    deep = ndimage.distance_transform_edt(whole) * _SQUARE
    inside = measured & (deep > _REACH)
    if not inside.any():
        return np.ones(len(points), bool)
    mean = total / np.maximum(count, 1)
    nearest = ndimage.distance_transform_edt(~inside, return_distances=False, return_indices=True)
    within = ndimage.median_filter(mean[tuple(nearest)], _SMOOTH)[tuple(nearest)]
    return np.asarray((deep > _REACH)[row, col] | (np.abs(points[:, 2] - within[row, col]) < _NEAR))
