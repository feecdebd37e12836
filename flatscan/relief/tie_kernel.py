"""Compiled: what a tie asks of every cell of a wall, steps along lines, strips beside a seam, the error taken out."""

from __future__ import annotations

import numpy as np

from flatscan.core.kernels import compiled

# cells that lie exactly between two bands or parts, but for rounding, belong to the one beyond
_ROUNDING = 1e-9


@compiled
def band_sums(at, z, middle, way, starts, sizes, count, total):  # type: ignore[no-untyped-def]
    """Add up the cells at places ``at`` (n, 2) with values ``z`` (n,) in parts along a line and bands across it.

    ``way`` (2,) points across, through ``middle`` (2,). ``starts`` (2,) [m] are where the first part and the first band
    begin and ``sizes`` (2,) how long and wide they are. ``count`` and ``total`` (parts, bands) are added to.
    """
    mx, my, wx, wy = middle[0], middle[1], way[0], way[1]
    for i in range(len(z)):
        x, y = at[i, 0] - mx, at[i, 1] - my
        part = int(np.floor((y * wx - x * wy - starts[0]) / sizes[0] + _ROUNDING))
        band = int(np.floor((x * wx + y * wy - starts[1]) / sizes[1] + _ROUNDING))
        count[part, band] += 1.0
        total[part, band] += z[i]


@compiled
def strip_moments(at, z, seam, way, reach, sides, heights):  # type: ignore[no-untyped-def]
    """Sums over the cells within ``reach`` [m] of a line of powers of how far beyond it (over reach) and along it [m].

    ``at`` (n, 2) and ``z`` (n,) are the cells, ``seam`` (2,) a place on the line, ``way`` (2,) points across it.
    ``sides`` (2, a, b) takes the sums of s^a t^b before and beyond the line, ``heights`` (2, c, d) those of z s^c t^d.
    Returns the largest size of t.
    """
    ax, ay, wx, wy = seam[0], seam[1], way[0], way[1]
    of_s, of_t = sides.shape[1], sides.shape[2]
    powers = np.empty(of_t)
    furthest = 0.0
    for i in range(len(z)):
        x, y = at[i, 0] - ax, at[i, 1] - ay
        s = (x * wx + y * wy) / reach
        if abs(s) > 1.0:
            continue
        t = y * wx - x * wy
        furthest = max(furthest, abs(t))
        powers[0] = 1.0
        for b in range(1, of_t):
            powers[b] = powers[b - 1] * t
        side = 1 if s > 0 else 0
        by_s = 1.0
        for a in range(of_s):
            for b in range(of_t):
                sides[side, a, b] += by_s * powers[b]
            by_s *= s
        by_s = z[i]
        for c in range(heights.shape[1]):
            for d in range(heights.shape[2]):
                heights[side, c, d] += by_s * powers[d]
            by_s *= s
    return furthest


@compiled
def add_by_distance(at, places, table, step, total):  # type: ignore[no-untyped-def]
    """Add to ``total`` (m,) at places ``at`` (m, 2) what every one of ``places`` (n, 2) has by its distance.

    ``table`` (n, k) holds that at every ``step`` [m] from 0 on, straight between; no place is further than the last.
    """
    for i in range(len(at)):
        x, y, here = at[i, 0], at[i, 1], 0.0
        for j in range(len(places)):
            one, two = x - places[j, 0], y - places[j, 1]
            far = np.sqrt(one * one + two * two) / step
            below = min(int(far), table.shape[1] - 2)
            low = table[j, below]
            here += low + (table[j, below + 1] - low) * (far - below)
        total[i] += here
