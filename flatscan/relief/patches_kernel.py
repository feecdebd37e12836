"""Compiled: picking all points over a few small squares of a wall out of millions."""

from __future__ import annotations

import numpy as np

from flatscan.core.kernels import compiled


@compiled
def pick_in_squares(points, at, axes, lattice, picked):  # type: ignore[no-untyped-def]
    """Wall coordinates of the points over the squares of a lattice, into ``picked``; how many (no more than fit).

    ``at`` (3,) and the rows of ``axes`` (3, 3) are the wall's frame. ``lattice`` (2, 4) holds along and up: where the
    first square begins, from one square to the next, their width [m], and how many there are.
    """
    found = 0
    x0, pitch_x, wide_x, many_x = lattice[0]
    y0, pitch_y, wide_y, many_y = lattice[1]
    for i in range(len(points)):
        a, b, c = points[i, 0] - at[0], points[i, 1] - at[1], points[i, 2] - at[2]
        # most points are told by where they lie along alone
        x = a * axes[0, 0] + b * axes[0, 1] + c * axes[0, 2]
        t = (x - x0) / pitch_x
        if t < 0 or t >= many_x or (t - np.floor(t)) * pitch_x >= wide_x:
            continue
        y = a * axes[1, 0] + b * axes[1, 1] + c * axes[1, 2]
        t = (y - y0) / pitch_y
        if t < 0 or t >= many_y or (t - np.floor(t)) * pitch_y >= wide_y:
            continue
        if found < len(picked):
            picked[found, 0], picked[found, 1] = x, y
            picked[found, 2] = a * axes[2, 0] + b * axes[2, 1] + c * axes[2, 2]
            found += 1
    return found
