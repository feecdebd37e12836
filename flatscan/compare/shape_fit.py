"""How one surface lies over another by its own humps and hollows, as far as these fix it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates, minimum_filter

from flatscan.core.geometry import Array, among, robust_scale, tukey_weight
from flatscan.core.model import Relief

# further off than this the outline is wrong, not the shape; worse known than this the shape says nothing
_FARTHEST, _WORST_U = 0.15, 0.010
_ROUNDS = 40
_WIDE = 2.0


@dataclass(frozen=True, eq=False)
class ShapeFit:
    """Later places move by ``shift`` (2,) along and up [m] with standard uncertainties ``u`` (2,).

    A direction that the shape does not fix keeps 0 and stands in ``undetermined`` (along, up).
    """

    shift: Array
    u: Array
    undetermined: tuple[str, ...]


_NOTHING = ShapeFit(np.zeros(2), np.full(2, np.inf), ("along", "up"))


def shape_fit(earlier: Relief, later: Relief) -> ShapeFit:
    """Shift in the wall's plane that lays the later surface on the earlier, both cells of one size.

    Point-to-plane registration (Chen and Medioni, Image and Vision Computing 10, 1992, 145) on the offsets themselves:
    least squares with Tukey's loss in the shift and in offset, turn and lean, which are thrown away. The normal matrix
    tells how well each direction is fixed; neighbours within the smoothing window count as one place.
    """
    if not (earlier.known_between and later.known_between):
        return _NOTHING
    slopes = _slopes(later)
    shift, free, u = np.zeros(2), np.array([True, True]), np.full(2, np.inf)
    for _ in range(_ROUNDS):
        rows, values = _equations(earlier, later, slopes, shift)
        if len(values) < 50:
            return _NOTHING
        step, u = _step(rows, values, free, max(earlier.window, later.window) ** 2, slopes.noise)
        shift = np.clip(shift + step, -_FARTHEST, _FARTHEST)
        lost = free & ~(u < _WORST_U)
        if lost.any():
            # the worse of two goes first: without it the other may be fixed well enough
            free = free & (np.arange(2) != int(np.argmax(np.where(free, u, -1.0))))
            shift = np.where(free, shift, 0.0)
        elif np.abs(step).max() < 1e-5:
            break
    free = free & (np.abs(shift) < _FARTHEST)
    names = tuple(name for name, kept in zip(("along", "up"), free, strict=True) if not kept)
    return ShapeFit(np.where(free, shift, 0.0), np.where(free, u, np.inf), names)


@dataclass(frozen=True, eq=False)
class _Slopes:
    """Slopes of a surface along and up (rows, cols), where they are whole, and the noise variance in each."""

    along: Array
    up: Array
    whole: Array
    noise: float


def _slopes(surface: Relief) -> _Slopes:
    """Derivatives of a Gaussian 2 cells wide, so that single cells' noise does not pass for a shape."""
    z = np.where(surface.valid, surface.offset, 0.0)
    up, along = (
        gaussian_filter(z, _WIDE, order=order, mode="nearest", truncate=3) / surface.step for order in ((1, 0), (0, 1))
    )
    whole = minimum_filter(surface.valid, size=2 * round(3 * _WIDE) + 1, mode="constant", cval=0)
    # sum of squares of the weights of a Gaussian's derivative: 1 / (8 pi wide^4), for independent cells; a smoothed
    # relief has about one of them in its window
    u2 = float(np.mean(surface.u[surface.valid] ** 2)) * surface.window**2
    return _Slopes(along, up, whole.astype(float), u2 / (8 * np.pi * _WIDE**4 * surface.step**2))


def _equations(earlier: Relief, later: Relief, slopes: _Slopes, shift: Array) -> tuple[Array, Array]:
    """Rows (n, 5): slopes along and up, offset, turn, lean; values (n,): how far the later lies off the earlier."""
    across, upward = earlier.places
    at = [among(upward - shift[1], later.y, later.step), among(across - shift[0], later.x, later.step)]
    whole = map_coordinates(slopes.whole, at, order=1, mode="constant") > 1 - 1e-6
    fields = (np.where(later.valid, later.offset, 0.0), slopes.along, slopes.up)
    z, along, up = (map_coordinates(field, at, order=1, mode="constant") for field in fields)
    keep = whole & earlier.valid
    x, y = across[keep], upward[keep]
    # moving the later surface by +s along lowers what is read at a place by s times its slope
    return np.stack([along[keep], up[keep], np.ones_like(x), x, y], axis=1), z[keep] - earlier.offset[keep]


def _step(rows: Array, values: Array, free: Array, per_place: int, noise: float) -> tuple[Array, Array]:
    """Change of the shift (2,) and the u of both directions (2,), infinite where nothing but noise has a slope."""
    keep = np.concatenate([free, [True, True, True]])
    design = rows * keep
    weight, scale, solution = np.ones_like(values), 0.0, np.zeros(5)
    normal = np.eye(5)
    for _ in range(8):
        normal = (design * weight[:, None]).T @ design
        # slopes made of noise carry no information: what noise alone would give is taken off
        normal -= np.diag([noise, noise, 0.0, 0.0, 0.0]) * keep * weight.sum()
        solution = np.linalg.pinv(normal, rcond=1e-12) @ (design.T @ (weight * values))
        off = values - design @ solution
        scale = max(robust_scale(off), 1e-6)
        weight = tukey_weight(off, scale)
    inner = normal[:2, :2] - normal[:2, 2:] @ np.linalg.pinv(normal[2:, 2:]) @ normal[2:, :2]
    u = np.full(2, np.inf)
    for k in np.flatnonzero(free):
        other = 1 - k
        mixed = inner[k, other] ** 2 / inner[other, other] if free[other] and inner[other, other] > 0 else 0.0
        known = inner[k, k] - mixed
        # under three times its own noise it is none
        if known > 3 * noise * np.sqrt(2 * len(values)):
            u[k] = scale * np.sqrt(per_place / known)
    return np.where(np.isfinite(u), solution[:2], 0.0), u
