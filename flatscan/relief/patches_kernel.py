"""Compiled: a pass over points that adds them up and picks those over a few small squares of the wall."""

from __future__ import annotations

import numpy as np

from flatscan.core.kernels import compiled
from flatscan.relief.cell_sums_kernel import BATCH, add_near

# so many points stay near the processor from one use to the next
STRETCH = 4096


@compiled
def pick_in_squares(points, at, axes, lattice, picked):  # type: ignore[no-untyped-def]
    """Wall coordinates of the points over the squares of a lattice, into ``picked``; how many (no more than fit).

    ``at`` (3,) and the rows of ``axes`` (3, 3) are the wall's frame. ``lattice`` (2, 4) holds along and up: where the
    first square begins, from one square to the next, their width [m], and how many there are.
    """
    found = 0
    x0, pitch_x, wide_x, many_x = lattice[0]
    y0, pitch_y, wide_y, many_y = lattice[1]
    by_x, part_x = 1 / pitch_x, wide_x / pitch_x
    by_y, part_y = 1 / pitch_y, wide_y / pitch_y
    # along, as parts of the distance from square to square
    one, two, three = axes[0, 0] * by_x, axes[0, 1] * by_x, axes[0, 2] * by_x
    first = at[0] * one + at[1] * two + at[2] * three + x0 * by_x
    beyond = np.empty(BATCH)
    for start in range(0, len(points), BATCH):
        number = min(BATCH, len(points) - start)
        # every loop does one thing: most points are told by where they lie along alone
        for k in range(number):
            i = start + k
            t = points[i, 0] * one + points[i, 1] * two + points[i, 2] * three - first
            beyond[k] = t - np.floor(t)
        for k in range(number):
            if beyond[k] < part_x:
                a, b, c = points[start + k, 0] - at[0], points[start + k, 1] - at[1], points[start + k, 2] - at[2]
                x = a * axes[0, 0] + b * axes[0, 1] + c * axes[0, 2]
                y = a * axes[1, 0] + b * axes[1, 1] + c * axes[1, 2]
                s, t = (x - x0) * by_x, (y - y0) * by_y
                if 0 <= s < many_x and 0 <= t < many_y and t - np.floor(t) < part_y and found < len(picked):
                    picked[found, 0], picked[found, 1] = x, y
                    picked[found, 2] = a * axes[2, 0] + b * axes[2, 1] + c * axes[2, 2]
                    found += 1
    return found


@compiled
def add_and_pick(points, start, at, axes, cells, reach, near, calm, sums, proud, beyond, lattice, picked):  # type: ignore[no-untyped-def]
    """`add_near` of every point and `pick_in_squares`, stretch by stretch; returns how many were picked.

    ``cells`` are the corner, size and bounds of the cells and their number of columns.
    """
    corner, cell, bounds, cols = cells
    found = 0
    for first in range(0, len(points), STRETCH):
        some = points[first : first + STRETCH]
        add_near(some, start + first, 1, at, axes, corner, cell, bounds, cols, reach, near, calm, sums, proud, beyond)
        found += pick_in_squares(some, at, axes, lattice, picked[found:])
    return found
