"""Compiled passes over points: into wall coordinates, into their cell, into its sums, without arrays in between."""

from __future__ import annotations

import numpy as np

from flatscan.jit import compiled

# Fibonacci hashing of a point's number: scatters neighbours evenly over two halves, needs no state and no order
HALVES = np.uint64(0x9E3779B97F4A7C15)


@compiled
def half_of(number):  # type: ignore[no-untyped-def]
    """Random half, 0 or 1, that point ``number`` belongs to for good."""
    return np.int64((np.uint64(number) * HALVES) >> np.uint64(63))


@compiled
def wall_point(point, at, axes):  # type: ignore[no-untyped-def]
    """Coordinates x, y, z of one point along the rows of ``axes`` (3, 3) from ``at`` (3,)."""
    a, b, c = point[0] - at[0], point[1] - at[1], point[2] - at[2]
    return (
        a * axes[0, 0] + b * axes[0, 1] + c * axes[0, 2],
        a * axes[1, 0] + b * axes[1, 1] + c * axes[1, 2],
        a * axes[2, 0] + b * axes[2, 1] + c * axes[2, 2],
    )


@compiled
def add_near(points, start, at, axes, corner, cell, shape, reference, reach, middle, gate, sums, proud):  # type: ignore[no-untyped-def]
    """Add points to ``sums`` (3, 2, cells): number, sum and sum of squares of offsets, for either half.

    Points count within ``reach`` [m] of ``reference`` (cells,) and ``gate`` (cells,) of ``middle`` (cells,); those
    beyond ``reach`` proud, but within 12 of it, are counted in ``proud`` (cells,). ``start`` numbers the first point.
    """
    rows, cols = shape
    for i in range(len(points)):
        x, y, z = wall_point(points[i], at, axes)
        col, row = np.floor((x - corner[0]) / cell + 1e-9), np.floor((y - corner[1]) / cell + 1e-9)
        if not (0 <= col < cols and 0 <= row < rows):
            continue
        place = np.int64(row) * cols + np.int64(col)
        off = z - reference[place]
        if off > reach and off < 12 * reach:
            proud[place] += 1
        if abs(off) <= reach and abs(z - middle[place]) <= gate[place]:
            half = half_of(start + i)
            sums[0, half, place] += 1
            sums[1, half, place] += z
            sums[2, half, place] += z * z
