"""Compiled passes over points: into wall coordinates, into their cell, into its sums, without arrays in between."""

from __future__ import annotations

import numpy as np

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
def find_places(points, numbers, at, axes, corner, cell, bounds, cols, places, offsets, halves):  # type: ignore[no-untyped-def]
    """Cell number, offset and half of the points within bounds left, bottom, right, top, into arrays; returns how many.

    ``numbers`` are those of the first point in the capture, the first and the last in ``points``, and the step.
    """
    start, first, last, every = numbers
    left, bottom, right, top = bounds
    found = 0
    for i in range(first, last, every):
        x, y, z = wall_point(points[i], at, axes)
        if left <= x < right and bottom <= y < top:
            col, row = np.floor((x - corner[0]) / cell + 1e-9), np.floor((y - corner[1]) / cell + 1e-9)
            places[found], offsets[found] = np.int64(row) * cols + np.int64(col), z
            halves[found] = half_of(start + i)
            found += 1
    return found


@compiled
def look_again(place, z, near, calm, beyond):  # type: ignore[no-untyped-def]
    """Count a point of cell ``place`` in ``beyond`` if it lies outside the gate meant for that (see `add_near`)."""
    middle, gate = near[place, 1], near[place, 2]
    # behind a positive gate only points outside it come here
    outside = gate > 0 or abs(z - middle) > -gate
    if gate < 0:
        middle, gate = calm[place, 0], calm[place, 1]
    far = abs(z - middle)
    if far > gate:
        side = 1 if z > middle else 0
        beyond[side, place] += 1
        beyond[2 + side, place] += 1 if far > 1.6 * gate else 0
        if not outside:
            beyond[4, place] += 1
            beyond[5, place] += z


@compiled
def add_near(points, start, every, at, axes, corner, cell, bounds, cols, reach, near, calm, sums, proud, beyond):  # type: ignore[no-untyped-def]
    """Add every so manieth point to ``sums`` (cells, 2, 3): number, sum and sum of squares of offsets, for either half.

    ``near`` (cells, 3) holds a reference, a middle and a gate [m]. Points count within ``reach`` [m] of the reference
    and within the gate of the middle; of those beyond ``reach`` proud, but within 12 of it, ``proud`` (cells, 2) takes
    the number and the sum of offsets. Points outside the gate are counted in ``beyond`` (6, cells): hollow and proud,
    and once more those 1.6 times as far. Where the gate is negative, ``calm`` (cells, 2) holds another middle and gate
    [m] for that; number and sum of offsets of such points that count nevertheless come last. An empty ``calm`` spares
    all that. ``start`` numbers the first point; cells are numbered row by row of ``cols`` from ``corner`` (2,), and
    points beyond ``bounds`` (left, bottom, right, top), which lie within the cells, are not looked at.
    """
    # every loop does one thing: a processor then waits for the memory of several points of a large cloud at once
    places, offsets, halves = np.empty(BATCH, np.int64), np.empty(BATCH), np.empty(BATCH, np.int64)
    inner, outer = np.empty(BATCH, np.int64), np.empty(BATCH, np.int64)
    for first in range(0, len(points), BATCH * every):
        numbers = (start, first, min(first + BATCH * every, len(points)), every)
        found = find_places(points, numbers, at, axes, corner, cell, bounds, cols, places, offsets, halves)
        kept, others = 0, 0
        for i in range(found):
            place, z = places[i], offsets[i]
            off = z - near[place, 0]
            if off > reach and off < 12 * reach:
                proud[place, 0] += 1
                proud[place, 1] += z
            gate = near[place, 2]
            counts = abs(off) <= reach and abs(z - near[place, 1]) <= abs(gate)
            # next to no point is one of those looked at again; a branch here would cost more than they do
            inner[kept], outer[others] = i, i
            kept += 1 if counts else 0
            others += 1 if gate < 0 or not counts else 0
        for k in range(kept):
            i = inner[k]
            place, z, half = places[i], offsets[i], halves[i]
            sums[place, half, 0] += 1
            sums[place, half, 1] += z
            sums[place, half, 2] += z * z
        if len(calm) > 0:
            for k in range(others):
                i = outer[k]
                if abs(offsets[i] - near[places[i], 0]) <= reach:
                    look_again(places[i], offsets[i], near, calm, beyond)


@compiled
def count_near(points, at, axes, corner, unit, bounds, shape, coarse, reach, counts):  # type: ignore[no-untyped-def]
    """Count points within ``reach`` [m] of a surface in ``counts`` (rows, cols), small cells of ``unit`` [m].

    ``coarse`` (rows, cols) [m] holds the surface in cells so many times as wide as ``shape`` (3,) says: rows, columns,
    and how many small cells a coarse one has each way. Points beyond ``bounds`` (left, bottom, right, top) are not
    counted.
    """
    rows, cols, per = shape
    left, bottom, right, top = bounds
    for i in range(len(points)):
        x, y, z = wall_point(points[i], at, axes)
        col, row = np.floor((x - corner[0]) / unit + 1e-9), np.floor((y - corner[1]) / unit + 1e-9)
        if left <= x < right and bottom <= y < top and 0 <= col < cols and 0 <= row < rows:
            r, c = np.int64(row), np.int64(col)
            near = coarse[min(r // per, coarse.shape[0] - 1), min(c // per, coarse.shape[1] - 1)]
            if abs(z - near) <= reach and counts[r, c] < 65535:
                counts[r, c] += 1


@compiled
def pick_points(points, at, axes, corner, cell, shape, wanted, reach, coarse, picked):  # type: ignore[no-untyped-def]
    """Wall coordinates of the points over ``wanted`` (cells,) and within ``reach`` [m] of ``coarse`` (cells,).

    They go into ``picked`` (at least as many as points, 3); returns how many there are.
    """
    rows, cols = shape
    found = 0
    for i in range(len(points)):
        x, y, z = wall_point(points[i], at, axes)
        col, row = np.floor((x - corner[0]) / cell + 1e-9), np.floor((y - corner[1]) / cell + 1e-9)
        if 0 <= col < cols and 0 <= row < rows:
            place = np.int64(row) * cols + np.int64(col)
            if wanted[place] and abs(z - coarse[place]) <= reach:
                picked[found, 0], picked[found, 1], picked[found, 2] = x, y, z
                found += 1
    return found
