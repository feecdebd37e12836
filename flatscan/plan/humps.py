"""Narrow humps: what stands off the wall's broad form and could be cut without touching a bulge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse

from flatscan.core.geometry import Array, Mask, fit_plane_robust, fit_quadratic_robust, quadratic_terms, robust_scale
from flatscan.core.model import Relief, Wall

_EIGHT = np.ones((3, 3), dtype=int)
# cells used to fit the broad form: a regular thinning keeps the fit quick and the same every time
_FIT_CELLS = 4_000


@dataclass(frozen=True, slots=True)
class HumpOptions:
    """Sizes in metres: what counts as broad, the least workable patch, and how far an opening's head stays clear.

    ``over`` is how far a hump must stand off to be one (or 2 u if that is more) and ``skirt`` where it ends.
    ``core`` is the share of its height that marks its core and ``foot`` how far its foot may reach beyond that.
    ``large`` [m2] is more than a hump takes up, ``trend`` how far around it the wall is looked at, and ``breaks`` the
    share of its height by which a hump at the wall's edge must stand over where the wall beside it leads.
    """

    broad: float = 0.600
    workable: float = 0.100
    head_clear: float = 0.150
    over: float = 0.003
    skirt: float = 0.001
    core: float = 0.25
    foot: float = 0.080
    large: float = 0.400
    trend: float = 0.300
    breaks: float = 0.67


@dataclass(frozen=True, eq=False)
class Humps:
    """``label`` (rows, cols): 0 none, k hump k. ``stand_off`` [m] from the broad form. ``left`` are too small to work.

    ``broad`` are humps over the broad limit across, ``large`` those that take up more area than a hump does,
    ``leaning`` what only goes on where the wall beside it leads: a corner or an edge that leans out, no hump.
    ``barred`` marks cells near an opening's head.
    """

    label: NDArray[np.int64]
    stand_off: Array
    left: frozenset[int]
    broad: frozenset[int]
    barred: Mask
    large: frozenset[int] = frozenset()
    leaning: frozenset[int] = frozenset()


def off_broad_form(relief: Relief) -> Array:
    """Offset less the wall's broad form [m]: a robust plane, or a quadratic where that halves the scatter.

    The quadratic takes out a belly; the share it must halve keeps a few stations from being fitted to death.
    """
    across, upward = relief.places
    keep = relief.valid
    x, y, z = across[keep], upward[keep], relief.offset[keep]
    residual = z - np.median(z)
    step = max(1, len(z) // _FIT_CELLS)
    some = slice(None, None, step)
    x0, y0 = (x - x.mean()), (y - y.mean())
    try:
        plane, _ = fit_plane_robust(x0[some], y0[some], z[some])
        residual = z - (plane[0] + plane[1] * x0 + plane[2] * y0)
    except np.linalg.LinAlgError:
        pass
    size = max(float(np.ptp(x)), float(np.ptp(y)), 1e-9)
    terms = quadratic_terms(x0 / size, y0 / size)
    if len(z[some]) >= 12 and np.linalg.matrix_rank(terms[some]) == 6:
        curved = z - terms @ fit_quadratic_robust(terms[some], z[some], floor=1e-4, rounds=30)
        if robust_scale(curved) < 0.5 * robust_scale(residual):
            residual = curved
    off = np.full(relief.offset.shape, np.nan)
    off[keep] = residual
    return off


def above_opening(off: Array, cells: int) -> Array:
    """Grey top-hat: how far each cell stands over the opening by a square of ``cells`` (scipy.ndimage filters).

    The opening keeps all that is at least the square wide, so the top-hat keeps only what is narrower. Windows are
    centred on measured cells only: one centred off the wall would see a corner nib as wide as itself. The median
    over the wall is taken off, since the opening of noise lies under its mean.
    """
    known = np.isfinite(off)
    eroded = ndimage.minimum_filter(np.where(known, off, np.inf), size=cells, mode="constant", cval=np.inf)
    opened = ndimage.maximum_filter(np.where(known, eroded, -np.inf), size=cells, mode="constant", cval=-np.inf)
    hat = np.where(known, off - opened, np.nan)
    return hat - np.nanmedian(hat)


def barred_cells(relief: Relief, wall: Wall, clear: float) -> Mask:
    """Cells within ``clear`` [m] of an opening's head: above it, beside it, and under its line at both ends."""
    across, upward = relief.places
    barred = np.zeros(relief.offset.shape, dtype=bool)
    for hole in wall.openings:
        beside = (across >= hole.left - clear) & (across <= hole.right + clear)
        barred |= beside & (np.abs(upward - hole.top) <= clear)
    return barred


def _joined(label: NDArray[np.int64], small: list[int], reach: int) -> NDArray[np.int64]:
    """Small patches take the number of the nearest other patch within ``reach`` cells."""
    label = label.copy()
    for number in small:
        near = ndimage.binary_dilation(label == number, _EIGHT, iterations=reach) & (label > 0) & (label != number)
        if near.any():
            label[label == number] = int(np.bincount(label[near]).argmax())
    return label


def _extent(relief: Relief, part: Mask) -> tuple[float, float]:
    """Bounding width and height of a patch [m]; cells count whole, stations by their centres."""
    return relief.size_of(*np.nonzero(part))


def _across(relief: Relief, part: Mask) -> float:
    """How far it is across a patch at its broadest [m]: the largest square in it, or the lesser span of stations."""
    if not relief.known_between:
        return min(_extent(relief, part))
    padded = np.pad(part, 1)
    inner = ndimage.distance_transform_cdt(padded, metric="chessboard")
    return float((2 * int(inner.max()) - 1) * relief.step)


def under_humps(off: Array, mask: Mask) -> Array:
    """``off`` with the masked cells replaced by the harmonic surface through the cells around them.

    Laplace's equation on the cells (5-point stencil, no flow over the wall's edge), solved by scipy.sparse: what the
    wall would be without the hump. Cells enclosed by nothing measured become 0.
    """
    from scipy.sparse.linalg import spsolve

    number = np.full(off.shape, -1)
    number[mask] = np.arange(int(mask.sum()))
    diagonal, right = np.full(int(mask.sum()), 1e-9), np.zeros(int(mask.sum()))
    entries: list[tuple[Array, Array]] = []
    known = np.isfinite(off)
    for rows, columns in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        beside, value = np.roll(number, (rows, columns), (0, 1)), np.roll(off, (rows, columns), (0, 1))
        there = mask & np.roll(known, (rows, columns), (0, 1)) & _inner(off.shape, rows, columns)
        here = number[there]
        np.add.at(diagonal, here, 1.0)
        free = beside[there] < 0
        np.add.at(right, here[free], value[there][free])
        entries.append((here[~free], beside[there][~free]))
    at = np.concatenate([pair[0] for pair in entries]), np.concatenate([pair[1] for pair in entries])
    matrix = sparse.csc_matrix((np.full(len(at[0]), -1.0), at), shape=(len(right), len(right)))
    filled = off.copy()
    filled[mask] = spsolve(matrix + sparse.diags(diagonal, format="csc"), right)
    return filled


def _inner(shape: tuple[int, ...], rows: int, columns: int) -> Mask:
    """Cells whose neighbour at this shift did not wrap round the edge."""
    inner = np.ones(shape, dtype=bool)
    if rows:
        inner[0 if rows > 0 else -1] = False
    if columns:
        inner[:, 0 if columns > 0 else -1] = False
    return inner


def _cores(relief: Relief, hat: Array, u: Array, options: HumpOptions) -> NDArray[np.int64]:
    """Labels of connected patches of the top-hat that hold a recognised hump, cut at a share of their own height.

    The crown of a bulge lies a little over its opening too; a share of the height keeps it out of a nib's core.
    """
    height = np.nan_to_num(hat, nan=-np.inf)
    label, count = relief.connected(height > np.maximum(options.skirt, 2 * u))
    kept = np.unique(label[(height > np.maximum(options.over, 2 * u)) & (label > 0)])
    peak = ndimage.maximum(np.nan_to_num(hat, nan=0.0), label, np.arange(count + 1))
    return np.where(np.isin(label, kept) & (height > options.core * peak[label]), label, 0).astype(np.int64)


def _with_feet(
    off: Array, core: NDArray[np.int64], u: Array, reach: int, options: HumpOptions
) -> tuple[Array, NDArray[np.int64]]:
    """Stand-off from the wall under each hump, and labels grown from the cores to where that ends."""
    label = core
    for _ in range(reach):
        # the larger number wins where two feet meet; which one makes no difference to what is cut
        label = np.where(label > 0, label, ndimage.grey_dilation(label, footprint=_EIGHT))
    around = (label > 0) & np.isfinite(off)
    stand = np.where(np.isfinite(off), 0.0, np.nan)
    stand[around] = (off - under_humps(off, around))[around]
    high = np.nan_to_num(stand, nan=-np.inf) > np.maximum(options.skirt, 2 * u)
    return stand, np.where(high & around, label, 0).astype(np.int64)


def find_humps(relief: Relief, wall: Wall, options: HumpOptions | None = None) -> Humps:
    """Connected patches (8 neighbours) that stand off the broad form by more than 3 mm or 2 u, skirts included.

    Patches under the workable size are joined to one within that distance, or marked ``left``. Readings are never
    under it: how large a hump at one station is was not measured.
    """
    options = options or HumpOptions()
    off = off_broad_form(relief)
    u = np.where(np.isfinite(relief.u), relief.u, 0.0)
    left: frozenset[int] = frozenset()
    if not relief.known_between:
        stand, label = off, _cores(relief, off, u, options)
    else:
        hat = above_opening(off, max(3, 2 * round(options.broad / relief.step / 2) + 1))
        core = _cores(relief, hat, u, options)
        stand, label = _with_feet(off, core, u, max(1, round(options.foot / relief.step)), options)
        label = _joined(label, _small(relief, label, options), max(1, round(options.workable / relief.step)))
        left = frozenset(_small(relief, label, options))
    numbers = [int(n) for n in np.unique(label[label > 0])]
    broad = frozenset(n for n in numbers if _across(relief, label == n) > options.broad + 1e-9)
    large = frozenset(n for n in numbers if _is_large(relief, label == n, options))
    leaning = frozenset(n for n in numbers if _leads_on(relief, off, stand, label, n, options))
    barred = barred_cells(relief, wall, options.head_clear)
    return Humps(label, stand, left, broad, barred, large, leaning)


def _is_large(relief: Relief, part: Mask, options: HumpOptions) -> bool:
    """Whether a patch takes up more than a hump does; how much of its area one station's hump takes was not read."""
    if not relief.known_between and part.sum() == 1:
        return False
    return float(relief.area[part].sum()) > options.large


def _leads_on(
    relief: Relief, off: Array, stand: Array, label: NDArray[np.int64], number: int, options: HumpOptions
) -> bool:
    """Whether a patch at the wall's edge only goes on where the wall beside it leads.

    A hump breaks off the plane through the wall beside it; a corner that leans out lies on it.
    """
    part = label == number
    beside = _beside_edge(relief, part, label, options) if relief.known_between else _stations_beside(relief, off, part)
    if beside is None or beside.sum() < 5:
        return False
    across, upward = relief.places
    top = np.unravel_index(int(np.argmax(np.where(part, stand, -np.inf))), off.shape)
    x, y = across[beside] - across[top], upward[beside] - upward[top]
    led, *_ = np.linalg.lstsq(np.stack([np.ones_like(x), x, y], axis=1), off[beside], rcond=1e-3)
    return bool(off[top] - led[0] < options.breaks * stand[top])


def _beside_edge(relief: Relief, part: Mask, label: NDArray[np.int64], options: HumpOptions) -> Mask | None:
    """The wall around a patch that touches the wall's edge, None where it does not."""
    edge = ndimage.binary_dilation(np.pad(~relief.valid, 1, constant_values=True), _EIGHT)[1:-1, 1:-1]
    if not (part & edge).any():
        return None
    around = ndimage.binary_dilation(part, _EIGHT, iterations=max(2, round(options.trend / relief.step)))
    return np.asarray(around & relief.valid & (label == 0))


def _stations_beside(relief: Relief, off: Array, part: Mask) -> Mask | None:
    """The five stations nearest to the highest of a patch, None where that is not an outermost one."""
    across, upward = relief.places
    top = np.unravel_index(int(np.argmax(np.where(part, off, -np.inf))), off.shape)
    x, y = across[relief.valid], upward[relief.valid]
    outermost = across[top] in (x.min(), x.max()) or upward[top] in (y.min(), y.max())
    if not outermost or len(x) < 6:
        return None
    away = np.where(relief.valid, np.hypot(across - across[top], upward - upward[top]), np.inf)
    away[top] = np.inf
    return np.asarray(away <= np.sort(away, axis=None)[4])


def _small(relief: Relief, label: NDArray[np.int64], options: HumpOptions) -> list[int]:
    numbers = [int(n) for n in np.unique(label[label > 0])]
    return [n for n in numbers if max(_extent(relief, label == n)) < options.workable - 1e-9]
