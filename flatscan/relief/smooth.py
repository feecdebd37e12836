"""Local quadratic smoothing: the smallest window that is enough, what it may hide, and scatter it does not lower."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.model import Counts, Relief
from flatscan.core.reliefs import Grid
from flatscan.core.resolution import smoothing_row
from flatscan.relief.runs import stand_out

WIDEST = 0.220  # a 500 mm window passed a 280 mm wide hump 66 % of the time (methods/uncertainty 5)
_FEWEST = 10
_NAMED = 3
# for the plateau: blocks of so many cells each way, how many of them, in the middle of the wall
_BLOCK = 3
_LEAST_BLOCKS = 200
_SIDE = 200
# the expected ratio is known to a few per cent; below this much more it is chance, not a plateau
_CLEAR = 1.25


def quadratic_gain(window: int) -> float:
    """Factor on the standard deviation of white noise by a ``window`` x ``window`` product of local quadratics.

    g = 3 (3 m^2 - 7) / (4 m (m^2 - 4)) (methods/uncertainty 4); 1 for a window of 1.
    """
    return 1.0 if window == 1 else 3 * (3 * window**2 - 7) / (4 * window * (window**2 - 4))


def windows(cell: float) -> tuple[int, ...]:
    """Windows that may be used on cells of that size: 1, then odd widths from 5 up to 220 mm."""
    return (1, *range(5, int(WIDEST / cell + 1e-9) + 1, 2))


def typical_u(relief: Relief) -> float:
    """Root mean square of the random u over the measured cells [m], 0 where none was measured."""
    return float(np.sqrt(np.mean(relief.u[relief.valid] ** 2))) if relief.valid.any() else 0.0


def choose_window(relief: Relief, limit: float) -> int:
    """Smallest window in cells with u(gap) = sqrt(1.5) g u <= limit / 15; the widest allowed where none reaches it."""
    if not isinstance(relief, Grid):
        return 1
    u = float(np.sqrt(max(typical_u(relief) ** 2 - relief.u_floor**2, 0.0)))
    allowed = windows(relief.cell)
    for window in allowed:
        if np.sqrt(1.5) * quadratic_gain(window) * u <= limit / 15:
            return window
    return allowed[-1]


def smooth(relief: Relief, window: int) -> Relief:
    """Relief with each cell replaced by the local quadratic through the ``window`` x ``window`` cells around it.

    Cells that were not measured stay so and lend nothing. ``u`` follows from the weights; both halves are smoothed
    alike; ``hidden`` counts places where the residuals say that something narrow was flattened.
    """
    if not isinstance(relief, Grid):
        return relief
    if window == 1:
        return _with_narrow(relief, relief, np.zeros(relief.valid.shape, bool))
    alone = np.sqrt(np.clip(relief.u**2 - relief.u_floor**2, 0.0, None))
    halves = [half for half in (relief.half_a, relief.half_b) if half is not None]
    if all(np.array_equal(np.isfinite(half), relief.valid) for half in halves):
        smoothed, u = local_quadratic([relief.offset, *halves], alone, relief.valid, window)
    else:
        smoothed, u = local_quadratic([relief.offset], alone, relief.valid, window)
        for half in halves:
            smoothed += local_quadratic([half], alone, relief.valid & np.isfinite(half), window)[0]
    half_a, half_b = [*smoothed[1:], None, None][:2]
    made = replace(
        relief,
        offset=smoothed[0],
        u=np.hypot(u, relief.u_floor),
        half_a=half_a,
        half_b=half_b,
        window=window,
    )
    nothing = np.zeros(relief.valid.shape, bool)
    flattened = nothing if relief.looked_over == window else hidden_cells(relief, smoothed[0])
    return _with_narrow(made, relief, flattened)


def _with_narrow(smoothed: Grid, relief: Grid, flattened: Mask) -> Grid:
    """The smoothed relief with the heights known of narrow things beside it, and the rest counted as hidden.

    ``relief`` is as measured, ``flattened`` (rows, cols) where its means say that the smoothing took something off.
    """
    narrow = relief.narrow
    if narrow is None:
        return _hiding(smoothed, flattened) if flattened.any() else smoothed
    known = relief.valid & np.isfinite(narrow.rise)
    # beside what is known nothing else is hidden: the alarm was of the whole
    places, _ = smoothed.connected(relief.valid & (flattened | narrow.found))
    explained = np.isin(places, np.unique(places[known]))
    now = replace(narrow, rise=relief.offset + narrow.rise - smoothed.offset)
    return _hiding(replace(smoothed, narrow=now), (places > 0) & ~explained)


def with_heights(relief: Relief) -> Relief:
    """The relief with each cell that holds something narrow as far off as that stands: what a straightedge rests on.

    Planes, volumes and maps take the cells' means: the bit of plaster that a nib holds moves none of them.
    """
    if not isinstance(relief, Grid) or relief.narrow is None:
        return relief
    known = relief.valid & np.isfinite(relief.narrow.rise)
    offset = np.where(known, relief.offset + np.where(known, relief.narrow.rise, 0.0), relief.offset)
    return replace(relief, offset=offset, u=np.where(known, relief.narrow.u, relief.u))


def _hiding(relief: Grid, hidden: Mask) -> Grid:
    """The relief with the cells that may hide something counted, and the middles of their three largest places."""
    labels, number = relief.connected(hidden)
    if not number:
        return relief
    sizes = np.bincount(labels.ravel(), minlength=number + 1)[1:]
    largest = np.argsort(-sizes, kind="stable")[:_NAMED] + 1
    middles = ndimage.center_of_mass(hidden, labels, largest)
    places = tuple((float(relief.x[round(col)]), float(relief.y[round(row)])) for row, col in middles)
    return replace(relief, hidden=int(hidden.sum()), hidden_at=places)


def local_quadratic(fields: Sequence[Array], u: Array, valid: Mask, window: int) -> tuple[list[Array], Array]:
    """Smoothed fields and the u of the first, all (rows, cols), NaN where ``valid`` is not set.

    Full windows take the separable Savitzky-Golay kernel; near gaps and edges the normal equations are solved for the
    cells there are (weighted local quadratic regression, Cleveland 1979). A cell with too few neighbours keeps its
    own value.
    """
    inner = _whole_windows(valid, window)
    fitted = [_in_whole_windows(values, valid, inner, window) for values in fields]
    variance = np.full(valid.shape, np.nan)
    spread = _across_and_up(np.where(valid, u**2, 0.0), smoothing_row(window) ** 2)
    variance[inner] = spread[inner]
    rim = valid & ~inner
    _fit_rim(fields, u**2, valid, np.argwhere(rim), window, fitted, variance)
    return fitted, np.sqrt(variance)


def inner_quadratic(values: Array, valid: Mask, window: int) -> tuple[Array, Mask]:
    """The same where the whole window is measured: smoothed values (rows, cols), NaN elsewhere, and where that is."""
    inner = _whole_windows(valid, window)
    return _in_whole_windows(values, valid, inner, window), inner


def _whole_windows(valid: Mask, window: int) -> Mask:
    """Where all cells of the window are measured."""
    full = ndimage.uniform_filter(valid.astype(float), window, mode="constant") > 1 - 0.5 / window**2
    return np.asarray(full & valid)


def _in_whole_windows(values: Array, valid: Mask, inner: Mask, window: int) -> Array:
    smoothed = _across_and_up(np.where(valid, values, 0.0), smoothing_row(window))
    return np.where(inner, smoothed, np.nan)


def _across_and_up(field: Array, kernel: Array) -> Array:
    across = ndimage.correlate1d(field, kernel, axis=1, mode="constant")
    both: Array = ndimage.correlate1d(across, kernel, axis=0, mode="constant")
    return both


def _fit_rim(
    fields: Sequence[Array],
    squares: Array,
    valid: Mask,
    places: Counts,
    window: int,
    fitted: Sequence[Array],
    variance: Array,
) -> None:
    """Fill ``fitted`` and ``variance`` at ``places`` (n, 2) whose windows are not full."""
    reach = window // 2

    def around(field: Array) -> Array:
        padded = np.pad(np.where(valid, field, 0.0), reach)
        return np.lib.stride_tricks.sliding_window_view(padded, (window, window))

    seen, heights, s = around(valid.astype(float)), [around(values) for values in fields], around(squares)
    step = (np.arange(window) - reach) / max(reach, 1)
    across, upward = (grid.ravel() for grid in np.meshgrid(step, step))
    one = np.ones_like(across)
    design = np.stack([one, across, upward, across**2, across * upward, upward**2], axis=1)
    products = (design[:, :, None] * design[:, None, :]).reshape(len(design), -1)
    for start in range(0, len(places), 4096):
        row, col = places[start : start + 4096].T
        # along straight edges most windows are alike
        alike, first, which = np.unique(
            np.packbits(seen[row, col].reshape(len(row), -1) > 0, axis=1),
            axis=0,
            return_index=True,
            return_inverse=True,
        )
        mask = seen[row[first], col[first]].reshape(len(alike), -1)
        normal = (mask @ products).reshape(-1, 6, 6)
        solid = (mask.sum(axis=1) >= _FEWEST) & (np.linalg.eigvalsh(normal)[:, 0] > 1e-3)
        normal[~solid] = np.eye(6)
        weights = ((np.linalg.inv(normal)[:, 0, :] @ design.T) * mask)[which.ravel()]
        solid = solid[which.ravel()]
        for z, values, smooth_one in zip(heights, fields, fitted, strict=True):
            near = z[row, col].reshape(len(row), -1)
            smooth_one[row, col] = np.where(solid, np.einsum("nk,nk->n", weights, near), values[row, col])
        spread = np.einsum("nk,nk->n", weights**2, s[row, col].reshape(len(row), -1))
        variance[row, col] = np.where(solid, spread, squares[row, col])


def hidden_places(relief: Relief, fitted: Array, *, false_alarm: float = 0.01) -> Array:
    """Places (n, 2) as x, y [m] of `hidden_cells`."""
    row, col = np.nonzero(hidden_cells(relief, fitted, false_alarm=false_alarm))
    return np.stack([relief.x[col], relief.y[row]], axis=1)


def hidden_cells(relief: Relief, fitted: Array, *, false_alarm: float = 0.01) -> Mask:
    """Cells (rows, cols) where means over squares and lines of cells stand off the smoothed surface beyond chance.

    A clean wall raises an alarm in 1 % of surveys (methods/uncertainty 13).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        deviate = (relief.offset - fitted) / np.maximum(relief.u, 1e-15)
    return stand_out(np.where(relief.valid, np.nan_to_num(deviate), 0.0), relief.valid, false_alarm)


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
    bare = replace(relief, half_a=None, half_b=None, why=None, narrow=None)
    return replace(bare, x=relief.x[cols], y=relief.y[rows], **fields)


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
