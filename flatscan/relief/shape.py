"""Reference planes of a relief: best fit, lean, belly, and the humps and hollows that stand off it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array, fit_plane, fit_plane_robust, robust_scale, tukey_weight
from flatscan.core.model import Relief, Wall
from flatscan.core.quantity import COVER

PATCH_OVER = 0.003  # methods/definitions 8: cells over max(3 mm, 2 u)
_MOST_FITTED = 40_000
# of what the same noise once more adds to a largest value: what the noise there is has added, and at most as much again
_ADDED, _TWICE = 1.5, 0.5


@dataclass(frozen=True, eq=False)
class Shape:
    """How a wall stands: ``plane`` (3,) best fit z = c0 + c1 x + c2 y, ``residual`` (rows, cols) from it [m].

    ``lean`` [m per m] is + with the top toward the room, ``lean_height`` the same over the wall's height [m],
    ``u_lean`` [m per m] what the points' own errors put on it; plumb's comes on top. ``belly_along`` and
    ``belly_up`` are the best-fit arc's sagitta [m], + toward the room, None where too few places were read, each with
    its u. ``range`` [m] is from the furthest back to the furthest proud, what noise adds to it taken out, and
    ``range_between`` its 95 % interval (methods/definitions 6).
    """

    plane: Array
    residual: Array
    lean: float
    lean_height: float
    belly_along: float | None
    belly_up: float | None
    range: float
    rms: float
    u_lean: float = 0.0
    u_belly_along: float | None = None
    u_belly_up: float | None = None
    range_between: tuple[float | None, float | None] = (None, None)


@dataclass(frozen=True, slots=True)
class Patch:
    """A connected hump or hollow: peak at x, y, bounding size, signed deviation [m] and area [m2].

    The deviation has out what noise adds to a largest value; ``u`` [m] is its standard uncertainty, None where that is
    not known. ``area_between`` is the 95 % interval of the area (methods/definitions 8).
    """

    kind: str
    x: float
    y: float
    width: float
    height: float
    deviation: float
    area: float
    u: float | None = None
    area_between: tuple[float | None, float | None] = (None, None)


def shape_of(relief: Relief, wall: Wall) -> Shape:
    """Best-fit plane of a relief and what follows from it.

    Cells of a scan are fitted with Tukey's loss so that a hump does not tilt the wall; stations, which are few and
    all meant, by least squares. Both weigh by the area owned. Raises `TooFewPoints` where no plane is fixed.
    """
    x, y = (place[relief.valid] for place in relief.places)
    z, area = relief.offset[relief.valid], relief.area[relief.valid]
    try:
        plane, weight = _scan_plane(x, y, z, area) if relief.known_between else (fit_plane(x, y, z, area)[0], area)
        u_lean = _u_slope(relief, x, y, weight)
    except np.linalg.LinAlgError:
        raise TooFewPoints(
            "wall {wall}",
            "{count} measured places, on one line",
            needed="three that are not on one line",
            remedy="Read more stations, or scan more of the wall",
            wall=wall.number,
            count=len(z),
        ) from None
    across, upward = relief.places
    residual = np.where(relief.valid, relief.offset - (plane[0] + plane[1] * across + plane[2] * upward), np.nan)
    off = residual[relief.valid]
    # a parabola wants three places along it
    some = [len(np.unique(np.round(at, 3))) >= 3 for at in _places_along(relief)]
    bellies = _bellies(x, y, off, area, wall, (some[0], some[1]))
    spread, between = _range(relief, residual)
    return Shape(
        plane=plane,
        residual=residual,
        lean=float(plane[2]),
        lean_height=float(plane[2]) * wall.height,
        belly_along=bellies[0],
        belly_up=bellies[1],
        range=spread,
        rms=float(np.sqrt(np.average(off**2, weights=area))),
        u_lean=u_lean,
        u_belly_along=_u_belly(relief, bellies[0], wall.width),
        u_belly_up=_u_belly(relief, bellies[1], wall.height),
        range_between=between,
    )


def _scan_plane(x: Array, y: Array, z: Array, area: Array) -> tuple[Array, Array]:
    """Robust plane on an even part of the cells, then one weighted step on all of them."""
    part = slice(None, None, max(1, len(z) // _MOST_FITTED))
    plane, _ = fit_plane_robust(x[part], y[part], z[part], area[part], floor=1e-5)
    residual = z - (plane[0] + plane[1] * x + plane[2] * y)
    weight = area * tukey_weight(residual, max(robust_scale(residual), 1e-5))
    return fit_plane(x, y, z, weight)[0], weight


def _u_slope(relief: Relief, x: Array, y: Array, weight: Array) -> float:
    """Standard uncertainty of the fitted slope up: what random and common errors do to the weighted fit.

    The fit is c = C X' W z, so its covariance is C X' W V W X C, for the random part with V = diag(u^2), for the
    common part with the covariance sd^2 exp(-r^2 / 2 length^2) on an even selection of at most 300 places. The
    wall's own humps are not an error of its best-fit plane.
    """
    _, cofactor = fit_plane(x, y, np.zeros_like(x), weight)
    design = np.stack([np.ones_like(x), x, y], axis=1)
    row = (design @ cofactor[2]) * weight
    random = float((row**2 * relief.u[relief.valid] ** 2).sum())
    some = np.linspace(0, len(x) - 1, min(len(x), 300)).astype(int)
    design, px, py = design[some], x[some], y[some]
    _, cofactor = fit_plane(px, py, np.zeros_like(px), weight[some])
    row = (design @ cofactor[2]) * weight[some]
    places = np.stack([px, py], axis=1)
    covariance = relief.common.covariance(places, places)
    return float(np.sqrt(random + max(float(row @ covariance @ row), 0.0)))


def _u_belly(relief: Relief, belly: float | None, span: float) -> float | None:
    """What the common error puts on the sagitta over a span [m]; averaging leaves hardly anything of the random part.

    Of stations, which are few, that of the middle of three is taken as well.
    """
    if belly is None:
        return None
    random = 0.0 if relief.known_between else np.sqrt(1.5) * float(np.nanmedian(relief.u[relief.valid]))
    return float(np.hypot(relief.common.u_gap(np.array(span / 2), np.array(span / 2)), random))


def _range(relief: Relief, residual: Array) -> tuple[float, tuple[float | None, float | None]]:
    """Largest less smallest offset from the plane (rows, cols) [m], and its 95 % interval.

    Both are the largest of many noisy values: what the same noise once more adds, in each half of the points, tells
    how much the noise there is has added (methods/decision 4).
    """
    off = np.where(relief.valid, residual, np.nan)
    high, low = (divmod(int(pick(off)), off.shape[1]) for pick in (np.nanargmax, np.nanargmin))
    found, u = float(off[high] - off[low]), np.hypot(relief.u[high], relief.u[low])
    if not np.isfinite(u):
        return found, (None, None)
    added = 0.0
    if halves := halves_of(relief):
        lifted = [off + half - relief.offset for half in halves]
        added = max(float(np.mean([np.nanmax(half) - np.nanmin(half) for half in lifted])) - found, 0.0)
    apart = float(np.hypot(relief.x[high[1]] - relief.x[low[1]], relief.y[high[0]] - relief.y[low[0]]))
    common = np.sqrt(2) * relief.common.u_gap(np.array(apart / 2), np.array(apart / 2))
    margin = COVER * float(np.hypot(u, common))
    best = max(found - _ADDED * added, 0.0)
    return best, (max(best - _TWICE * added - margin, 0.0), best + margin)


def halves_of(relief: Relief) -> list[Array]:
    """Offsets (rows, cols) [m] of the two halves of the points, none where there are no halves."""
    halves = getattr(relief, "half_a", None), getattr(relief, "half_b", None)
    return [half for half in halves if half is not None]


def _places_along(relief: Relief) -> tuple[Array, Array]:
    """The x and the y [m] that measured places have."""
    return relief.x[relief.valid.any(axis=0)], relief.y[relief.valid.any(axis=1)]


def _bellies(
    x: Array, y: Array, z: Array, area: Array, wall: Wall, bends_in: tuple[bool, bool]
) -> tuple[float | None, float | None]:
    """Sagitta of the best-fit parabola along and up over the wall's size, from one joint least-squares fit."""
    mx, my = (wall.outline.min(axis=0) + wall.outline.max(axis=0)) / 2
    u, v = (x - mx) / (wall.width / 2), (y - my) / (wall.height / 2)
    bend_u, bend_v = bends_in
    columns = [np.ones_like(u), u, v, u * v] + [u**2] * bend_u + [v**2] * bend_v
    # terms of order 1 keep the normal equations well conditioned
    design = np.stack(columns, axis=1)
    weighted = (design * area[:, None]).T
    solution, _, rank, _ = np.linalg.lstsq(weighted @ design, weighted @ z, rcond=1e-12)
    if rank < len(columns):
        return None, None
    # z = -s u^2 + ... rises by s from the ends u = +-1 to the middle
    bends = list(solution[4:])
    along = -float(bends.pop(0)) if bend_u else None
    return along, -float(bends.pop(0)) if bend_v else None
