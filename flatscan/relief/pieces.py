"""Pieces of a wall's relief that stand proud of the surface around them: where something may hang before the wall."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask, fit_quadratic_robust, quadratic_terms, robust_scale
from flatscan.relief.sums import Sums

# windows of the running median that follows the wall [m], and the blocks it is taken over
_WINDOWS = ((0.5, 0.05), (1.2, 0.10))
# nothing thinner is looked for [m]
THINNEST = 0.0025
# noise, as a multiple of the scatter of means over 3 x 3 cells and of single cells
_SURE, _SURE_ALONE = 4.5, 6.0
# within a cell: so many times the spread of the cells around, and at least so much [m]
_RAGGED, _RAGGED_LEAST = 2.2, 0.002
_LARGEST = 0.16
_MOST_PIECES = 150
# further off the wall [m] is furniture
FURTHEST = 0.15
EIGHT = np.ones((3, 3), dtype=bool)
FEWEST = 3
Window = tuple[slice, slice]


@dataclass(frozen=True, eq=False)
class Cells:
    """What is known of each cell (rows, cols), of size ``cell`` [m].

    ``z`` is the mean offset [m], that of the points far proud where they are the most, NaN where there are too few;
    ``before`` [m] is that of the points far proud;
    ``spread`` the standard deviation within the cell [m], ``noise`` the scatter of single points [m], ``u`` the random
    uncertainty of the mean. ``far`` marks cells where most points stand far proud, ``veiled`` those where a fifth does,
    ``inside`` those on the wall.
    """

    z: Array
    before: Array
    spread: Array
    count: Array
    far: Mask
    veiled: Mask
    inside: Mask
    cell: float

    @classmethod
    def of(cls, sums: Sums, proud: Array, inside: Mask, cell: float) -> Cells:
        """From the sums of points near the wall and the number and sum (rows, cols, 2) of those far proud of it."""
        n, off = sums.n, proud[..., 0]
        far = inside & (off > n) & (off >= 3)
        mean = np.divide(proud[..., 1], off, out=np.full(n.shape, np.nan), where=off > 0)
        z = np.where(far, mean, sums.mean())
        squares = np.clip(sums.zz - sums.z**2 / np.maximum(n, 1), 0.0, None)
        spread = np.sqrt(np.divide(squares, n - 1, out=np.full(n.shape, np.nan), where=n > 1.5))
        return cls(
            np.where(inside & (far | (n > 0)), z, np.nan),
            mean,
            spread,
            n + off,
            far,
            inside & (off > 0.2 * n) & (off >= 2),
            inside,
            cell,
        )

    @cached_property
    def known(self) -> Mask:
        """Cells with an offset."""
        return np.isfinite(self.z)

    @cached_property
    def split(self) -> Mask:
        """Cells whose points scatter far more than those of the wall around them, or stand far proud."""
        seen = np.where(self.inside, self.spread, np.nan)
        usual = _running_median(seen, max(1, round(0.10 / self.cell)), 0.7, self.cell)
        over = np.nan_to_num(self.spread) > np.maximum(_RAGGED * np.nan_to_num(usual), _RAGGED_LEAST)
        return self.veiled | (over & self.inside)


def proud_pieces(cells: Cells, taken: Mask) -> Iterator[tuple[Window, Mask]]:
    """Connected cells that stand proud, by each of several surfaces drawn through the rest of the wall, large first.

    Each as a window of the relief and a mask in it. ``taken`` cells are known not to be wall and do not count. The
    same piece may come more than once.
    """
    use = cells.known & ~taken
    most, found = _LARGEST * float(cells.inside.sum()), []
    for rank, surface in enumerate(_surfaces(cells, use & ~cells.far)):
        labels, number = ndimage.label(_standing_out(np.where(use, cells.z - surface, np.nan), cells, use), EIGHT)
        sizes = np.bincount(labels.ravel(), minlength=number + 1)
        for label, window in enumerate(ndimage.find_objects(labels), 1):
            if FEWEST <= sizes[label] <= most:
                found.append((int(sizes[label]), window, labels[window] == label))
        if rank and not found:
            # at the corners of a sheet the narrow median is the wall's, and what has none the quadratic shows
            break
    found.sort(key=lambda one: -one[0])
    yield from ((window, mask) for _, window, mask in found[:_MOST_PIECES])


def _surfaces(cells: Cells, use: Mask) -> Iterator[Array]:
    """Offsets (rows, cols) [m] of surfaces that follow the wall but not what stands on it."""
    z = np.where(use, cells.z, np.nan)
    narrow, wide = ((window, max(1, round(block / cells.cell))) for window, block in _WINDOWS)
    yield _running_median(z, narrow[1], narrow[0], cells.cell)
    yield _quadratic(z, max(1, round(0.1 / cells.cell)))
    yield _running_median(z, wide[1], wide[0], cells.cell)


def _block_means(z: Array, size: int) -> Array:
    known = np.isfinite(z)
    n, total = (Sums.block_sum(values, size) for values in (known.astype(float), np.where(known, z, 0.0)))
    return np.divide(total, n, out=np.full(n.shape, np.nan), where=n > 0.3 * size**2)


def _running_median(z: Array, size: int, window: float, cell: float) -> Array:
    blocks = _block_means(z, size)
    if not np.isfinite(blocks).any():
        return np.full(z.shape, np.nan)
    nearest = ndimage.distance_transform_edt(~np.isfinite(blocks), return_distances=False, return_indices=True)
    wide = max(3, round(window / (size * cell)) | 1)
    smooth = ndimage.median_filter(blocks[tuple(nearest)], wide, mode="reflect")
    return _between(smooth, size, z.shape)


def _between(blocks: Array, size: int, shape: tuple[int, int]) -> Array:
    """Bilinear between the blocks' middles, at every cell."""
    rows, cols = (
        np.clip((np.arange(n) + 0.5) / size - 0.5, 0, m - 1) for n, m in zip(shape, blocks.shape, strict=True)
    )
    low, left = rows.astype(int), cols.astype(int)
    up, across = (rows - low)[:, None], cols - left
    top, right = np.minimum(low + 1, blocks.shape[0] - 1), np.minimum(left + 1, blocks.shape[1] - 1)
    lines = blocks[low] * (1 - up) + blocks[top] * up
    values: Array = lines[:, left] * (1 - across) + lines[:, right] * across
    return values


def _quadratic(z: Array, size: int) -> Array:
    blocks = _block_means(z, size)
    row, col = np.nonzero(np.isfinite(blocks))
    if len(row) < 12:
        return np.full(z.shape, np.nan)
    scale = max(blocks.shape)
    terms = fit_quadratic_robust(quadratic_terms(col / scale, row / scale), blocks[row, col])
    at = [(np.arange(n) + 0.5) / size - 0.5 for n in z.shape]
    across, upward = np.meshgrid(at[1] / scale, at[0] / scale)
    fitted: Array = (quadratic_terms(across.ravel(), upward.ravel()) @ terms).reshape(z.shape)
    return fitted


def _standing_out(rise: Array, cells: Cells, use: Mask) -> Mask:
    """Cells that stand proud beyond chance, or whose points lie at more than one depth."""
    known = np.isfinite(rise)
    mean = box_mean(rise, known, 3)
    if not known.any():
        return known
    # some thousands of cells tell their scatter as well as all do
    every = max(1, int(known.sum()) // 20_000)
    least = max(THINNEST, _SURE * robust_scale(mean[known][::every]))
    alone = max(THINNEST, _SURE_ALONE * robust_scale(rise[known][::every]))
    # where nothing is known nothing is larger than anything
    risen = np.where(known, rise, 0.0)
    found = known & ((mean > least) | (risen > alone)) & (risen > least / 2)
    split = use & (cells.veiled | cells.split & (risen > 0.2 * THINNEST))
    found |= ndimage.binary_closing(split, EIGHT) & use if split.any() else split
    return found & (risen < FURTHEST)


def box_mean(values: Array, known: Mask, size: int) -> Array:
    """Means over ``size`` x ``size`` cells of those that are known; NaN where none is."""
    weight = ndimage.uniform_filter(known.astype(float), size, mode="constant")
    total = ndimage.uniform_filter(np.where(known, values, 0.0), size, mode="constant")
    return np.divide(total, weight, out=np.full(values.shape, np.nan), where=weight > 0.5 / size**2)
