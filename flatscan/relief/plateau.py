"""Scatter that neighbouring cells share: what averaging over blocks of cells does not remove (METHODS 3b)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.reliefs import Grid
from flatscan.relief.smooth import inner_quadratic, windows

_BLOCK = 3
_LEAST_BLOCKS = 200
_SIDE = 200
# the expected ratio is known to a few per cent; below this much more it is chance, not a plateau
_CLEAR = 1.25


def with_plateau(relief: Grid) -> Grid:
    """Relief whose ``u`` holds the plateau of its block means as a floor that smoothing does not lower.

    Independent scatter falls as 1 / k^2 in the variance of k x k block means. The residuals from the widest local
    quadratic are compared, robustly so that single features do not count, with white noise of the same ``u`` put
    through the same smoother: what is left over in 3 x 3 means is taken as shared by neighbours. Scatter shared over
    so many cells that the smoother follows it cannot be told from the wall's form and is the common part's business;
    the wall's own fine texture is in the floor too, which errs to the safe side. Too small a wall, or cells too large
    to smooth, stay as they are.
    """
    allowed = windows(relief.cell)
    if allowed[-1] == 1 or relief.valid.sum() < _LEAST_BLOCKS * _BLOCK**2:
        return relief
    part = _middle(relief)
    noise = np.random.default_rng(0).normal(size=part.offset.shape) * np.where(part.valid, part.u, np.nan)
    measured = _block_variance(part.offset, part, allowed[-1])
    expected = _block_variance(noise, part, allowed[-1])
    if measured is None or expected is None or measured <= _CLEAR * expected:
        return relief
    floor = float(np.sqrt(measured - expected))
    return replace(relief, u=np.hypot(relief.u, floor), u_floor=floor)


def _middle(relief: Grid) -> Grid:
    """The middle 200 x 200 cells, which show the plateau as well as a large wall's half a million do."""
    rows, cols = (slice(max(0, (n - _SIDE) // 2), max(0, (n - _SIDE) // 2) + _SIDE) for n in relief.offset.shape)
    fields = {name: getattr(relief, name)[rows, cols] for name in ("offset", "u", "count", "inside", "area")}
    return replace(relief, x=relief.x[cols], y=relief.y[rows], half_a=None, half_b=None, **fields)


def _block_variance(values: Array, relief: Grid, window: int) -> float | None:
    """Robust variance of 3 x 3 block means of what a local quadratic leaves; None with too few whole blocks."""
    fitted, inner = inner_quadratic(values, relief.valid & np.isfinite(values), window)
    means = _whole_blocks(values - fitted, inner)
    return robust_scale(means) ** 2 if len(means) >= _LEAST_BLOCKS else None


def _whole_blocks(values: Array, valid: Mask) -> Array:
    """Means (n,) of the blocks of 3 x 3 cells that are measured throughout."""
    rows, cols = (n // _BLOCK for n in values.shape)
    cut = np.where(valid, values, np.nan)[: rows * _BLOCK, : cols * _BLOCK]
    means = cut.reshape(rows, _BLOCK, cols, _BLOCK).mean(axis=(1, 3)).ravel()
    return means[np.isfinite(means)]
