"""How far points scatter where cells hold too few to show it themselves."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import Note, note
from flatscan.core.warp import CommonError

# a plane is fitted to the cells this far to each side, where it has this many to spare beyond its three terms
_REACH, _SPARE = 3, 5


def known_spread(
    mean: Array, within: Array, number: Array, measured: Mask, common: CommonError
) -> tuple[Array, tuple[Note, ...]]:
    """Spread of single points (rows, cols) [m], and what must be said where points themselves do not show it.

    ``within`` is what cells of two points and more show, NaN where none is near. There the spread is what is left of
    the cells' means over a plane through those around, times the root of their points: the wall's own form within 3
    cells is in it, which errs to the safe side. Where a plane has too few to spare, all cells make one; where there
    are hardly more than three in all, the sd of the capture's common error stands in.
    """
    unknown = measured & ~np.isfinite(within)
    if not unknown.any():
        return within, ()
    root = np.sqrt(float(np.median(number[measured])))
    left = _left_of_plane(mean, measured)
    spread = np.where(unknown, left * root, within)
    still = measured & ~np.isfinite(spread)
    if still.any():
        overall = _left_of_all(mean, measured)
        spread = np.where(still, (overall if overall is not None else common.sd) * root, spread)
        if overall is None:
            return spread, (note("relief.u-of-type"),)
    return spread, (note("relief.u-of-neighbours"),) if 2 * unknown.sum() > measured.sum() else ()


def _left_of_plane(mean: Array, measured: Mask) -> Array:
    """Standard deviation (rows, cols) [m] of cells about the plane through those within 3 cells; NaN with too few."""
    up, along = np.mgrid[: mean.shape[0], : mean.shape[1]].astype(float)
    z = np.where(measured, mean - np.median(mean[measured]), 0.0)
    here, size = measured.astype(float), 2 * _REACH + 1

    def total(values: Array) -> Array:
        sums: Array = ndimage.uniform_filter(values * here, size, mode="constant") * size**2
        return sums

    n = total(here)
    # moments about the place itself: terms stay small, and the plane's height there is its constant
    sx, sy = total(along) - n * along, total(up) - n * up
    sxx = total(along**2) - 2 * along * total(along) + n * along**2
    syy = total(up**2) - 2 * up * total(up) + n * up**2
    sxy = total(along * up) - along * total(up) - up * total(along) + n * along * up
    sz, szz = total(z), total(z**2)
    sxz, syz = total(along * z) - along * sz, total(up * z) - up * sz
    normal = np.stack([np.stack(row, -1) for row in ((n, sx, sy), (sx, sxx, sxy), (sy, sxy, syy))], -2)
    right = np.stack([sz, sxz, syz], -1)
    solid = (n >= 3 + _SPARE) & (np.linalg.eigvalsh(normal)[..., 0] > 0.5)
    normal[~solid] = np.eye(3)
    fitted = np.linalg.solve(normal, right[..., None])[..., 0]
    left = np.clip(szz - (fitted * right).sum(-1), 0.0, None)
    return np.where(solid, np.sqrt(left / np.maximum(n - 3, 1)), np.nan)


def _left_of_all(mean: Array, measured: Mask) -> float | None:
    """Standard deviation [m] of all cells about their plane, None with fewer than five or all on one line."""
    row, col = np.nonzero(measured)
    design = np.stack([np.ones(len(row)), row, col], axis=1).astype(float)
    if len(row) < 5 or np.linalg.matrix_rank(design) < 3:
        return None
    _, left, _, _ = np.linalg.lstsq(design, mean[measured], rcond=None)
    return float(np.sqrt(left[0] / (len(row) - 3)))
