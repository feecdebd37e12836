"""Printed targets on a measured wall: they are paper and no wall, and at their rims matching shows neither."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array, Mask

# white that printed targets have around their black square, as a share of its side [setting], and what is left out
# beyond the paper: a coarse window of pixels reaches so far over its rim [m]
_WHITE = 0.25
AROUND = 0.020


def off_papers(points: Array, targets: Array) -> Mask:
    """Which points (n, 3) [m] lie on none of the targets' papers, nor within `AROUND` of one.

    ``targets`` (k, 4, 3) [m] are the corners of black squares, from top left clockwise as printed.
    """
    kept = np.ones(len(points), bool)
    for corners in targets:
        middle = corners[:, :2].mean(axis=0)
        # along and up the square, by the mean of both sides
        along = (corners[1] + corners[2] - corners[0] - corners[3])[:2] / 2
        upward = (corners[0] + corners[1] - corners[2] - corners[3])[:2] / 2
        off = points[:, :2] - middle
        on = np.ones(len(points), bool)
        for way in (along, upward):
            side = float(np.hypot(*way))
            on &= np.abs(off @ way) < side * ((0.5 + _WHITE) * side + AROUND)
        kept &= ~on
    return kept
