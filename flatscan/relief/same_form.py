"""Whether two reliefs of a wall differ by more than chance: two set-ups always do, parts of one scan never."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Frame, robust_scale
from flatscan.core.model import Counts
from flatscan.core.reliefs import Grid

# blocks [m], terms of their difference's form, and how large chance leaves it (chi square)
_BLOCK, _LEAST_SHARE, _FEWEST_BLOCKS = 0.25, 0.5, 24
_TERMS, _LEVEL = 10, 3
_SMOOTHED = 0.06
_CHANCE_IN_PLACE, _CHANCE_MOVED, _CHANCE_BLOCKS = 25.0, 17.0, 3.0
# what the difference must be able to show for that: form [m] that no two set-ups have less of between them
_SHOWS_IN_PLACE, _SHOWS_MOVED = 1.0e-4, 3.0e-5

# a relief as measured and its wall's frame in the file
Placed = tuple[Grid, Frame]


def nothing_apart(one: Placed, other: Placed) -> float | None:
    """Scatter [m] of the two reliefs' difference over blocks, where chance alone explains it; None where it does not.

    Two set-ups differ in where they put the wall and in how they bend it. Halves of one scan do in neither. Where a
    copy was moved as a whole, what is left over a plane still tells, if the points are good enough to show a bend.
    """
    difference = _difference(one, other)
    if difference is None:
        return None
    x, y, d, u, slopes = difference
    # laid a little off along the wall, the one differs by so much of the other's slopes
    terms = _polynomials(x, y)
    slopes = slopes - terms[:, :_LEVEL] @ np.linalg.lstsq(terms[:, :_LEVEL], slopes, rcond=None)[0]
    terms = np.column_stack([terms, slopes])
    cofactor = np.linalg.inv((terms / u[:, None]).T @ (terms / u[:, None]))
    fitted = cofactor @ (terms.T @ (d / u**2))
    left = d - terms @ fitted
    free = len(d) - terms.shape[1]
    if np.sum((left / u) ** 2) > free + _CHANCE_BLOCKS * np.sqrt(2 * free):
        return None
    shown = np.sqrt(np.trace(cofactor[:_TERMS, :_TERMS]) / _TERMS)
    in_place, moved = (
        float(fitted[some] @ np.linalg.solve(cofactor[some, some], fitted[some]))
        for some in (slice(_TERMS), slice(_LEVEL, _TERMS))
    )
    same = in_place < _CHANCE_IN_PLACE and shown < _SHOWS_IN_PLACE
    same |= moved < _CHANCE_MOVED and shown < _SHOWS_MOVED
    return float(np.std(d - terms[:, :_LEVEL] @ fitted[:_LEVEL])) if same else None


def _polynomials(x: Array, y: Array) -> Array:
    """Products of Legendre polynomials up to the third order in both together (n, 10), the plane's three first."""
    legendre = [np.polynomial.Legendre.basis(k) for k in range(4)]
    over = [2 * (v - v.min()) / max(float(np.ptp(v)), 1e-9) - 1 for v in (x, y)]
    orders = sorted(((i, j) for i in range(4) for j in range(4 - i)), key=sum)
    # scaled so that a term of 1 has a root mean square of 1 over the wall
    return np.stack(
        [np.sqrt((2 * i + 1) * (2 * j + 1)) * legendre[i](over[0]) * legendre[j](over[1]) for i, j in orders], 1
    )


def _difference(one: Placed, other: Placed) -> tuple[Array, Array, Array, Array, Array] | None:
    """Difference of two reliefs over blocks as the files place them: x, y, difference and its u (n,) [m].

    Also the first one's slopes along and up (n, 2).

    Where the files place the walls elsewhere they are laid over each other by their outlines and a plane.
    """
    (relief, frame), (second, other_frame) = one, other
    row, col = np.nonzero(second.valid)
    at = np.column_stack([second.x[col], second.y[row], second.offset[row, col]])
    placed = frame.to_wall(other_frame.to_file(at))
    if abs(np.median(placed[:, 2]) - np.median(at[:, 2])) > 0.05 or np.abs(placed - at).max() > 0.2:
        placed = at
    index = [np.round((placed[:, k] - axis[0]) / relief.cell).astype(int) for k, axis in ((1, relief.y), (0, relief.x))]
    here = (index[0] >= 0) & (index[0] < len(relief.y)) & (index[1] >= 0) & (index[1] < len(relief.x))
    across = index[0][here], index[1][here]
    d = placed[here, 2] - relief.offset[across]
    known = np.isfinite(d)
    d, placed = d[known], placed[here][known]
    noise = np.sqrt(_white(second, row[here][known], col[here][known], d))
    block = np.floor(placed[:, 0] / _BLOCK).astype(int) * 10_000 + np.floor(placed[:, 1] / _BLOCK).astype(int)
    _, which, count = np.unique(block, return_inverse=True, return_counts=True)
    which = which.ravel()
    full = count > _LEAST_SHARE * (_BLOCK / relief.cell) ** 2
    if full.sum() < _FEWEST_BLOCKS:
        return None
    values = (placed[:, 0], placed[:, 1], d, *(slope[across][known] for slope in _slopes(relief)))
    x, y, mean, *slopes = (np.bincount(which, weights=v)[full] / count[full] for v in values)
    return x, y, mean, noise / np.sqrt(count[full]), np.stack(slopes, axis=1)


def _slopes(relief: Grid) -> tuple[Array, Array]:
    """Slopes along and up (rows, cols) of the relief as smoothed over some 150 mm."""
    wide = _SMOOTHED / relief.cell
    known = ndimage.gaussian_filter(relief.valid.astype(float), wide)
    level = np.where(relief.valid, relief.offset - np.nanmedian(relief.offset), 0.0)
    smooth = ndimage.gaussian_filter(level, wide) / np.maximum(known, 1e-6)
    up, along = np.gradient(smooth, relief.cell)
    return along, up


def _white(relief: Grid, row: Counts, col: Counts, d: Array) -> float:
    """Variance [m2] of the part of a difference that changes from cell to cell, from second differences along."""
    field = np.full(relief.offset.shape, np.nan)
    field[row, col] = d
    second = (field[:, :-2] + field[:, 2:] - 2 * field[:, 1:-1]).ravel()
    return max(robust_scale(second[np.isfinite(second)]) ** 2 / 6, 1e-18)
