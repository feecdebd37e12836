"""Compiled counting of points in the grid cells over a wall, without arrays in between."""

from __future__ import annotations

import numpy as np

from flatscan.core.kernels import compiled

# columns of the counts
SURFACE, CLOSE, REVEAL, BEHIND, FRONT, SEEN_THROUGH = range(6)
LAYERS = 6


@compiled
def count_over(points, first, every, at, axes, lean, corner, cell, shape, depths, counts, total):  # type: ignore[no-untyped-def]
    """Add every so manieth point from ``first`` on to ``counts`` (cells, 6) and offsets on the surface to ``total``.

    ``at`` (3,) and the rows of ``axes`` (3, 3) are the wall's frame, ``lean`` its slope; ``depths`` [m] are half the
    slab of the surface, half that of what lies close, from where a reveal begins, how deep it goes, how far before
    and how far behind the wall points count at all.
    """
    slab, close, reveal_from, reveal, before, beyond = depths
    rows, cols = shape
    for i in range(first, len(points), every):
        a, b, c = points[i, 0] - at[0], points[i, 1] - at[1], points[i, 2] - at[2]
        y = a * axes[1, 0] + b * axes[1, 1] + c * axes[1, 2]
        off = a * axes[2, 0] + b * axes[2, 1] + c * axes[2, 2] - lean * y
        if not -beyond < off < before:
            continue
        x = a * axes[0, 0] + b * axes[0, 1] + c * axes[0, 2]
        col, row = np.floor((x - corner[0]) / cell), np.floor((y - corner[1]) / cell)
        if not (0 <= col < cols and 0 <= row < rows):
            continue
        place = np.int64(row) * cols + np.int64(col)
        if abs(off) < slab:
            counts[place, SURFACE] += 1
            total[place] += off
        if abs(off) < close:
            counts[place, CLOSE] += 1
        if -reveal < off <= -reveal_from:
            counts[place, REVEAL] += 1
        if off <= -slab:
            counts[place, BEHIND] += 1
        if off >= slab:
            counts[place, FRONT] += 1
