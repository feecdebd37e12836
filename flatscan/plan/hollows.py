"""Hollows out of a map of gaps: where each begins and ends, what fills it flush, and how surely that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.model import Relief
from flatscan.core.resolution import smoothing_row
from flatscan.plan.humps import off_broad_form

# what is over the limit belongs together where all between is over this share of it
_TOGETHER = 0.75
# a hollow's rim is followed to this share of the limit, or to what four fifths of the rest of the wall show
_RIM, _MOST_RIM, _ORDINARY = 0.1, 0.6, 80
# the surface around a hollow is a plane through its rim, lowered until a quarter of the rim lies under it
_UNDER = 25
# how wide that rim is [m], and how far from a station others tell what is around it
_COLLAR, _AROUND = 0.05, 1.0
# a hump stands off the broad form by more than twice its scatter
_PROUD = 2.0
# noise alone puts so many u under a straightedge (the middle of what it shows on a flat wall, by trial)
_NOISE = 2.0
# where less of the wall than this is in no hollow, nothing tells what a straightedge shows there
_FEW = 0.25
# thinner than this nothing is laid on [m]
_FEATHER = 0.1e-3
# places of a rim and a hollow that a covariance is worked out for
_MOST_PLACES = 150
# where a rim ends is not seen better than this share of the litres on cells; stations see no rim
_OF_CELLS, _OF_STATIONS = 0.03, 0.25


@dataclass(frozen=True, eq=False)
class Hollow:
    """One hollow: its places ``part`` (rows, cols) with its rim, those ``filled``, where it is deepest, its depth [m].

    ``volume`` [m3] fills it flush, ``u`` [m3] is its standard uncertainty, None where the places' own is not known.
    """

    part: Mask
    filled: Mask
    deepest: tuple[int, int]
    depth: float
    volume: float
    u: float | None


def without_proud(relief: Relief) -> Array:
    """Offsets (rows, cols) [m] with all that stands proud of the wall's broad form taken down to its scatter.

    What a straightedge then still finds is not the air beside a hump. A wavy wall scatters more than its crests stand
    off, so its crests stay.
    """
    if not relief.valid.any():
        return relief.offset
    off = off_broad_form(relief)
    most = _PROUD * robust_scale(off[relief.valid])
    return np.where(off > most, relief.offset - (off - most), relief.offset)


def hollows(relief: Relief, gap: Array, limit: float, fill: Array | None = None) -> tuple[Hollow, ...]:
    """Hollows of a relief out of the deepest ``gap`` (rows, cols) [m] of each place, with rims (methods/definitions 9).

    Connected places over the ``limit`` [m] that lie below the surface around them, each followed out over its rim.
    ``fill`` (rows, cols) [m] is what fills each place flush, as told at the places themselves; the gaps without it.
    The deepest gap of all directions is found on lines between the places too, which reach down a slope by half a
    cell: summed over a hollow of a few cells that is too much.
    """
    deep, flush = (np.where(relief.valid, np.nan_to_num(some), 0.0) for some in (gap, gap if fill is None else fill))
    core = _cores(relief, deep, limit)
    lifted = min(_ordinary(relief, deep, core, limit), _NOISE * _usual_u(relief))
    deep, core = deep - lifted, _cores(relief, deep - lifted, limit)
    grown = _with_rims(relief, deep, core, limit)
    above = _ordinary(relief, flush, grown, limit)
    found = []
    for number in range(1, int(core.max(initial=0)) + 1):
        part = grown == number
        if _below_around(relief, part, part & (deep > limit), limit / 2):
            found.append(_hollow(relief, deep, flush - above, part, above))
    return tuple(found)


def _ordinary(relief: Relief, gap: Array, label: NDArray[np.int64], limit: float) -> float:
    """What a straightedge shows under it [m] where there is no hollow: it lies on grains and noise, not between them.

    A hollow is filled flush with the surface around it, which lies that much under the straightedge.
    """
    rest = relief.valid & (label == 0) & (gap < _TOGETHER * limit)
    if not relief.known_between or rest.sum() < _FEW * relief.valid.sum():
        return 0.0
    return float(np.median(gap[rest]))


def _usual_u(relief: Relief) -> float:
    u = relief.u[relief.valid]
    return float(np.nanmedian(u)) if np.isfinite(u).any() else 0.0


def background(relief: Relief, gap: Array, limit: float) -> float:
    """What four fifths of the places that are in no hollow show as gap [m]: noise and texture alone."""
    deep = gap[relief.valid & np.isfinite(gap) & ~(gap > _TOGETHER * limit)]
    return float(np.percentile(deep, _ORDINARY)) if len(deep) else 0.0


def _cores(relief: Relief, deep: Array, limit: float) -> NDArray[np.int64]:
    """Labels of what is over the limit, joined where all between is nearly so."""
    label, count = relief.connected((deep > _TOGETHER * limit) & relief.valid)
    peak = ndimage.maximum(deep, label, np.arange(count + 1)) if count else np.zeros(1)
    kept = [number for number in range(1, count + 1) if peak[number] > limit]
    new = np.zeros(count + 1, dtype=np.int64)
    new[kept] = np.arange(1, len(kept) + 1)
    return new[label]


def _with_rims(relief: Relief, deep: Array, core: NDArray[np.int64], limit: float) -> NDArray[np.int64]:
    """Labels grown from the cores over what lies open to them, then on by as much as the rim still falls."""
    floor = float(np.clip(background(relief, deep, limit), _RIM * limit, _MOST_RIM * limit))
    open_to, count = relief.connected(((deep > floor) & relief.valid) | (core > 0))
    label = core.copy()
    for number in range(1, count + 1):
        here = open_to == number
        cores = core * here
        if (cores > 0).any():
            label[here] = _nearest(relief, cores)[here]
    if not relief.known_between or not (core > 0).any():
        return label
    inner = ndimage.distance_transform_edt(np.pad(label > 0, 1, mode="edge"))[1:-1, 1:-1] * relief.step
    numbers = np.arange(int(core.max()) + 1)
    top, half = ndimage.maximum(deep, label, numbers), ndimage.maximum(inner, label, numbers)
    # as if the rim fell on evenly; further out than it does there is nothing to fill
    reach = np.maximum(half * floor / np.maximum(top - floor, floor), relief.step)
    away, (row, col) = ndimage.distance_transform_edt(label == 0, return_indices=True)
    owner = label[row, col]
    return np.where(relief.valid & (away * relief.step <= reach[owner]), owner, label)


def _nearest(relief: Relief, cores: NDArray[np.int64]) -> NDArray[np.int64]:
    """For every place the number of the nearest core."""
    numbers = np.unique(cores[cores > 0])
    if len(numbers) == 1:
        return np.full(cores.shape, numbers[0])
    if relief.known_between:
        _, (row, col) = ndimage.distance_transform_edt(cores == 0, return_indices=True)
        return np.asarray(cores[row, col])
    across, upward = relief.places
    here = np.nonzero(cores)
    apart = np.hypot(across[..., None] - across[here], upward[..., None] - upward[here])
    return np.asarray(cores[here][apart.argmin(axis=-1)])


def _rim(relief: Relief, part: Mask) -> Mask:
    """What lies around a hollow; its own outermost places where it fills the wall."""
    if relief.known_between:
        wide = max(2, round(_COLLAR / relief.step))
        ring = ndimage.binary_dilation(part, np.ones((3, 3)), iterations=wide) & ~part & relief.valid
        inner = ndimage.binary_erosion(part, np.ones((3, 3)), iterations=wide)
        return ring if ring.sum() >= 6 else part & ~inner
    across, upward = relief.places
    x, y = across[part], upward[part]
    apart = np.hypot(across[..., None] - x, upward[..., None] - y).min(axis=-1)
    return relief.valid & ~part & (apart <= _AROUND)


def _through(relief: Relief, rim: Mask, at: Mask) -> tuple[Array, Array]:
    """Weights (n,) on the rim's places of the mean, over ``at``, of the plane through them; and design (n, 3)."""
    across, upward = relief.places
    middle = np.array([0.0, across[rim].mean(), upward[rim].mean()])
    design, wanted = (
        np.stack([np.ones(int(where.sum())), across[where], upward[where]], axis=1) - middle for where in (rim, at)
    )
    return wanted.mean(axis=0) @ np.linalg.pinv(design, rcond=1e-3), design


def _below_around(relief: Relief, part: Mask, core: Mask, least: float) -> bool:
    """Whether a core lies below the surface around its hollow: by more than ``least`` [m]."""
    rim = _rim(relief, part)
    if rim.sum() < 3:
        return True
    weights, design = _through(relief, rim, core)
    z = relief.offset[rim]
    left = z - design @ (np.linalg.pinv(design, rcond=1e-3) @ z)
    around = float(weights @ z) + float(np.percentile(left, _UNDER))
    return around - float(relief.offset[core].mean()) > least


def _hollow(relief: Relief, deep: Array, fill: Array, part: Mask, above: float) -> Hollow:
    flat = int(np.argmax(np.where(part, deep, -np.inf)))
    row, col = (int(index) for index in np.unravel_index(flat, deep.shape))
    area = relief.area[part]
    volume = float((fill[part] * area).sum())
    u = _u_volume(relief, part, above)
    share = _OF_CELLS if relief.known_between else _OF_STATIONS
    return Hollow(
        part,
        part & (fill > _FEATHER),
        (row, col),
        float(deep[row, col]),
        volume,
        None if u is None else math.hypot(u, share * volume),
    )


def _u_volume(relief: Relief, part: Mask, above: float) -> float | None:
    """Standard uncertainty [m3] of what fills a hollow up to a plane through its rim, and of what grains took off.

    Places of the hollow count with their area, those of the rim with what they move the plane by: the covariance of
    the common error between all of them, and the random part, which smoothing makes neighbours share.
    """
    rim = _rim(relief, part)
    if not rim.any():
        rim = part
    u = relief.u
    if not np.isfinite(u[part | rim]).all():
        return None
    whole = float(relief.area[part].sum())
    weights, _ = _through(relief, rim, part)
    alike = 1.0 / float((smoothing_row(relief.window) ** 2).sum()) ** 2
    random = alike * float(((relief.area[part] * u[part]) ** 2).sum() + ((whole * weights * u[rim]) ** 2).sum())
    common = _common(relief, rim, part) * whole**2
    return math.sqrt(max(random + common, 0.0) + (above * whole / 3) ** 2)


def _common(relief: Relief, rim: Mask, part: Mask) -> float:
    """Variance [m2] that the common error puts on a hollow's mean depth under the plane through its rim."""
    some = [_thinned(mask) for mask in (rim, part)]
    weights, _ = _through(relief, some[0], some[1])
    across, upward = relief.places
    places = np.concatenate([np.stack([across[mask], upward[mask]], axis=1) for mask in some])
    inside = int(some[1].sum())
    weight = np.concatenate([weights, np.full(inside, -1.0 / inside)])
    return float(weight @ relief.common.covariance(places, places) @ weight)


def _thinned(mask: Mask) -> Mask:
    """Every so manieth place of a mask, so that few enough are left."""
    at = np.flatnonzero(mask)
    thin = np.zeros(mask.size, dtype=bool)
    thin[at[:: max(1, math.ceil(len(at) / _MOST_PLACES))]] = True
    return thin.reshape(mask.shape)
