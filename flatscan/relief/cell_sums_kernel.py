"""Compiled passes over points: into wall coordinates, into their cell, into its sums, without arrays in between."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array
from flatscan.core.kernels import compiled

# Fibonacci hashing of a point's number: scatters neighbours evenly over two halves, needs no state and no order
HALVES = np.uint64(0x9E3779B97F4A7C15)
BATCH = 512


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
def find_places(points, numbers, at, axes, corner, cell, shape, places, offsets, halves):  # type: ignore[no-untyped-def]
    """Cell number, offset and half of the points that lie over a cell, into arrays; returns how many do.

    ``numbers`` are those of the first point in the capture, the first and the last in ``points``, and the step.
    """
    start, first, last, every = numbers
    rows, cols = shape
    found = 0
    for i in range(first, last, every):
        x, y, z = wall_point(points[i], at, axes)
        col, row = np.floor((x - corner[0]) / cell + 1e-9), np.floor((y - corner[1]) / cell + 1e-9)
        if 0 <= col < cols and 0 <= row < rows:
            places[found], offsets[found] = np.int64(row) * cols + np.int64(col), z
            halves[found] = half_of(start + i)
            found += 1
    return found


@compiled
def add_near(points, start, every, at, axes, corner, cell, shape, reach, gates, records, proud):  # type: ignore[no-untyped-def]
    """Add every so manieth point to ``records``: number, sum and sum of squares of offsets, for either half.

    ``gates`` and ``records`` are the two faces of `new_records`. Points count within ``reach`` [m] of a cell's
    reference and within the gate of its middle; those beyond ``reach`` proud, but within 12 of it, are counted in
    ``proud`` (cells,). ``start`` numbers the first point.
    """
    # every loop does one thing: a processor then waits for the memory of several points of a large cloud at once
    places, offsets, halves = np.empty(BATCH, np.int64), np.empty(BATCH), np.empty(BATCH, np.int64)
    for first in range(0, len(points), BATCH * every):
        numbers = (start, first, min(first + BATCH * every, len(points)), every)
        found = find_places(points, numbers, at, axes, corner, cell, shape, places, offsets, halves)
        kept = 0
        for i in range(found):
            place, z = places[i], offsets[i]
            off = z - gates[place, 0]
            if off > reach and off < 12 * reach:
                proud[place] += 1
            places[kept], offsets[kept], halves[kept] = place, z, halves[i]
            kept += 1 if abs(off) <= reach and abs(z - gates[place, 1]) <= gates[place, 2] else 0
        for i in range(kept):
            place, z, first_of_half = places[i], offsets[i], 2 + 3 * halves[i]
            records[place, first_of_half] += 1
            records[place, first_of_half + 1] += z
            records[place, first_of_half + 2] += z * z


def new_records(reference: Array, middle: Array, gate: Array) -> tuple[NDArray[np.float32], Array]:
    """Gates (cells, 16) and records (cells, 8) of so many cells, two faces of one array, and the sums still 0.

    All that belongs to a cell fills one line of a processor's cache, so a point costs one wait for memory: reference,
    middle and gate [m] (cells,) in single precision, then number, sum and sum of squares for one half and the other.
    """
    raw = np.zeros(8 * (len(reference) + 1))
    line = (-raw.ctypes.data // 8) % 8
    records = raw[line : line + 8 * len(reference)].reshape(-1, 8)
    gates = records.view(np.float32)
    for column, values in enumerate((reference, middle, gate)):
        gates[:, column] = values
    return gates, records


def load() -> None:
    """Load the compiled pass, or compile it, before it is needed."""
    nowhere, one = np.zeros(3), np.zeros(1)
    gates, records = new_records(one, one, one)
    add_near(np.empty((0, 3)), 0, 1, nowhere, np.eye(3), np.zeros(2), 1.0, (1, 1), 1.0, gates, records, one)
