"""What a doubt of the cameras does to the heights measured with them, all over the wall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatscan.capture.photos.bundle import Bundle, Placed
from flatscan.capture.photos.dense_heights import SHARES_APART, DenseHeights
from flatscan.capture.photos.flattened import Floats
from flatscan.core.geometry import Array, Mask

# pixels are asked for places this far to each side, for what a place moves them by [m]
_STEP = 0.01
# fewer squares of pairs tell nothing of how far these differ
_FEWEST = 50
# squares with fewer than this share of the usual points are no more than strays at the wall's edge [setting]
_PART_HELD = 0.1
# the median of the square of a normal deviate
_MEDIAN_SQUARE = 0.4549


@dataclass(frozen=True, eq=False)
class HeightModes:
    """Changes of heights (modes, rows, cols) [m] at ``x`` (cols,), ``y`` (rows,) [m], one sd of each doubt.

    ``widened`` is by how much they were, because pairs differ by more than the doubts let expect; 1 where they do not.
    """

    x: Array
    y: Array
    fields: Array
    widened: float


def height_modes(bundle: Bundle, numbers: Sequence[int], dense: DenseHeights, rest: float) -> HeightModes:
    """What each of the bundle's modes does to the heights: pairs intersect elsewhere, and weigh what they weigh.

    ``numbers`` are the bundle's photos that ``dense`` numbers from 0 on, ``rest`` [m] is what matching is off by in
    whole squares. A pair whose rays meet the wall D further apart finds a place higher by D d / d^2, d being how far
    apart what it shows moves as the place rises.
    """
    rows, cols = dense.shares.shape[1:]
    x = np.asarray(dense.ground.left + (np.arange(cols) + 0.5) * SHARES_APART, np.float64)
    y = np.asarray(dense.ground.bottom + (np.arange(rows) + 0.5) * SHARES_APART, np.float64)
    across, upward = np.meshgrid(x, y)
    places = np.column_stack([across.ravel(), upward.ravel(), _heights(dense, x, y).ravel()])
    fields = np.zeros((len(bundle.modes), rows, cols))
    foretold = np.zeros(dense.shares.shape)
    weights = np.where(_held(dense), _smooth(dense.shares), 0.0)
    apart = _apart([bundle.photos[number] for number in numbers], dense, places)
    for k, mode in enumerate(bundle.modes):
        moved = [_moved(bundle.photos[number], mode[number], places) for number in numbers]
        higher = np.zeros(dense.shares.shape)
        for pair, d, found in zip(dense.pairs, apart, higher, strict=True):
            shift = moved[pair.one] - moved[pair.two]
            found[:] = ((shift * d).sum(axis=1) / (d**2).sum(axis=1)).reshape(rows, cols)
        fields[k] = _mean(higher, weights)
        foretold += np.nan_to_num(higher - fields[k]) ** 2
    widened = _widened(dense, foretold, rest)
    return HeightModes(x, y, _filled(widened * fields), widened)


def _held(dense: DenseHeights) -> Mask:
    """Squares (rows, cols) that hold points of the wall: what was tried beyond its edges says nothing of it."""
    rows, cols = dense.shares.shape[1:]
    col = ((dense.points[:, 0] - dense.ground.left) / SHARES_APART).astype(int)
    row = ((dense.points[:, 1] - dense.ground.bottom) / SHARES_APART).astype(int)
    many = np.bincount(row * cols + col, minlength=rows * cols).reshape(rows, cols)
    return np.asarray(many > (_PART_HELD * np.median(many[many > 0]) if many.any() else 0))


def _mean(higher: Array, weights: Array) -> Array:
    """Weighted mean (rows, cols) of those pairs that see a place, NaN where none does."""
    seen = np.isfinite(higher) & (weights > 0)
    total = np.where(seen, weights, 0.0).sum(axis=0)
    mean = np.where(seen, weights * higher, 0.0).sum(axis=0) / np.where(total > 0, total, 1.0)
    return np.where(total > 0, mean, np.nan)


def _widened(dense: DenseHeights, foretold: Array, rest: float) -> float:
    """How much more than doubts foretell (pairs, rows, cols) [m2] pairs are off what they agree on, at least 1."""
    known = dense.own < 4 * np.median(dense.own[dense.own < 1]) if (dense.own < 1).any() else np.zeros(0, bool)
    if known.sum() < _FEWEST:
        return 1.0
    # medians: at the edges, where single pairs measure, doubts and strays are many times as large
    shown = float(np.median(dense.apart[known].astype(np.float64) ** 2)) / _MEDIAN_SQUARE
    shown -= float(np.median(dense.own[known])) + rest**2
    expected = float(np.median(foretold[known])) / _MEDIAN_SQUARE
    return float(np.sqrt(max(1.0, shown / expected))) if expected > 0 else 1.0


def _apart(photos: Sequence[Placed], dense: DenseHeights, places: Array) -> list[Array]:
    """How far apart (n, 2) [m per m] what each pair shows of places moves as they rise."""
    rates = [_rates(photo, places) for photo in photos]
    return [rates[pair.one] - rates[pair.two] for pair in dense.pairs]


def _heights(dense: DenseHeights, x: Array, y: Array) -> Array:
    coarse = dense.ground.coarser(2)
    col = np.clip(((x - coarse.left) / coarse.step).astype(int), 0, coarse.cols - 1)
    row = np.clip(((y - coarse.bottom) / coarse.step).astype(int), 0, coarse.rows - 1)
    return np.asarray(dense.surface[np.ix_(row, col)], np.float64)


def _rates(photo: Placed, places: Array) -> Array:
    """How far (n, 2) what a photo shows of places moves on the plane as they rise [m per m]."""
    z = photo.centre[2]
    return np.asarray((places[:, :2] - photo.centre[:2]) * (z / (z - places[:, 2:]) ** 2))


def _moved(photo: Placed, other: Placed, places: Array) -> Array:
    """Where (n, 2) [m], off the places, rays through their pixels meet the wall once the photo is placed otherwise."""
    seen = other.seen(places)
    along, upward = (other.seen(places + step) - seen for step in (np.eye(3)[:2] * _STEP))
    jacobian = np.stack([along, upward], axis=-1) / _STEP
    off = photo.seen(places) - seen
    known = np.isfinite(off).all(axis=1) & np.isfinite(jacobian).all(axis=(1, 2))
    moved = np.full(off.shape, np.nan)
    moved[known] = np.linalg.solve(jacobian[known], off[known][..., None])[..., 0]
    return moved


def _smooth(shares: Floats) -> Array:
    """What pairs have in places and those beside them: single places have what texture happens to be there."""
    # each mean by itself: a running sum leaves rounding where all is nought, and shares of nothing but rounding
    wide = np.pad(np.asarray(shares, np.float64), ((0, 0), (1, 1), (1, 1)), mode="edge")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(wide, (3, 3), axis=(1, 2)).mean(axis=(-2, -1)))


def _filled(fields: Array) -> Array:
    """Fields with what is not known taken from the nearest place that is."""
    from scipy import ndimage

    if not len(fields) or np.isfinite(fields).all():
        return fields
    unknown = ~np.isfinite(fields).all(axis=0)
    if unknown.all():
        return np.zeros_like(fields)
    nearest = ndimage.distance_transform_edt(unknown, return_distances=False, return_indices=True)
    return np.asarray(fields[(slice(None), *nearest)])
