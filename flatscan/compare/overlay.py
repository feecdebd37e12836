"""The later survey laid on the places of the earlier one, and what the set-ups put into their difference taken out.

Nothing is filled: a place that one of the two did not measure stays missing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.compare.alignment import Alignment
from flatscan.core.errors import MixedSurveys, TooFewPoints
from flatscan.core.geometry import Array, Mask, robust_scale, tukey_weight
from flatscan.core.model import Relief
from flatscan.core.quantity import share
from flatscan.core.warp import CommonError

# less of the wall in both surveys than this is no comparison
_LEAST_SHARE = 0.05
# a slope is only carried as far as this many times the length it was fitted over
_REACH = 2.5
_SOME = 300
_TRIED, _STARTS, _SEED = 2000, 200, 20_261_125


@dataclass(frozen=True, eq=False)
class Both:
    """Two surveys at the same places: ``base`` is the relief whose places these are, all arrays are of its shape.

    ``first`` and ``second`` are offsets in earlier wall coordinates [m], ``u_first`` and ``u_second`` their random u.
    """

    base: Relief
    first: Array
    second: Array
    u_first: Array
    u_second: Array

    @property
    def change(self) -> Array:
        """Later less earlier, + toward the room [m]."""
        return self.second - self.first

    @property
    def share(self) -> float:
        """Part of the base's net area where both were measured."""
        here = np.isfinite(self.change) & self.base.inside
        return float(self.base.area[here].sum()) / max(self.base.net_area, 1e-12)


def together(earlier: Relief, later: Relief, alignment: Alignment) -> Both:
    """Both reliefs at the earlier one's places, or at the later's where only that one is of stations.

    Cells are read by bilinear interpolation between the measured ones of the four around, stations where one stands
    within 50 mm. Raises `MixedSurveys` where under 5 % of the area is in both.
    """
    if earlier.known_between and not later.known_between:
        back = _inverse(alignment)
        flipped = earlier.laid_on(later, back.turn, back.shift)
        # seen from the later survey's axes: the change is the same, the turn between the axes was taken out
        both = Both(later, flipped[0], later.offset, flipped[1], later.u)
    else:
        values, u = later.laid_on(earlier, alignment.turn, alignment.shift)
        both = Both(earlier, earlier.offset, values, earlier.u, u)
    if both.share < _LEAST_SHARE:
        raise MixedSurveys(
            "the two surveys",
            "{shared:share.1} of the wall was measured in both",
            needed="at least {least:share} in common",
            remedy="Survey the same part of the wall",
            shared=share(both.share),
            least=share(_LEAST_SHARE),
        )
    return both


def _inverse(alignment: Alignment) -> Alignment:
    back = alignment.turn.T
    return Alignment(back, -back @ alignment.shift, alignment.how, alignment.u_place)


@dataclass(frozen=True, eq=False)
class Leveled:
    """A change with the set-up taken out: ``plane`` (3,) = offset, turn, lean removed.

    ``change`` (rows, cols) [m] and its standard uncertainty ``u``, ``u_mean`` [m] that of its area mean.
    ``undetermined`` are the directions the part used does not fix, ``share`` the part of it that was kept as unchanged.
    """

    change: Array
    u: Array
    plane: Array
    u_mean: float
    undetermined: tuple[str, ...]
    share: float


def level(both: Both, commons: tuple[CommonError, CommonError], support: Mask, *, u_lean: float | None) -> Leveled:
    """Fit offset, turn and lean to the change over ``support`` (rows, cols) by Tukey's loss, and take them out.

    A lean is fitted only where the support is tall enough to carry it over the wall, else gravity of both surveys has
    it (``u_lean`` [m per m]). Uncertainty by propagation through the fit, warps as both captures' common errors
    (JCGM 100:2008, 5.2.2). Raises `TooFewPoints` where the support holds nothing that both surveys measured.
    """
    across, upward = both.base.places
    here = np.isfinite(both.change) & both.base.inside
    used = support & here
    if used.sum() < 3:
        raise TooFewPoints(
            "{set:reference}",
            "{places} places measured in both surveys",
            needed="at least three",
            remedy="Give a region that both surveys measured and nobody worked on",
            places=int(used.sum()),
        )
    x, y, d = across[used], upward[used], both.change[used]
    free = _free(x, y, across[here], upward[here])
    plane, weight = _fit(x, y, d, both.base.area[used], free)
    change = both.change - (plane[0] + plane[1] * across + plane[2] * upward)
    u, u_mean = _doubt(both, commons, used, here, weight, free)
    if not free[2]:
        lean = 0.0 if u_lean is None else u_lean
        middle = float(np.average(y, weights=both.base.area[used]))
        u = np.hypot(u, lean * np.abs(upward - middle))
        u_mean = float(np.hypot(u_mean, lean * abs(float(np.average(upward[here])) - middle)))
    unknown = [] if free[1] else ["turn"]
    unknown += ["lean"] if not free[2] and u_lean is None else []
    kept = float((weight > 0.1).mean())
    return Leveled(change, u, plane, u_mean, tuple(unknown), kept)


def _free(x: Array, y: Array, across: Array, upward: Array) -> Mask:
    """Which of offset, turn and lean the support carries over the wall."""
    wide, tall = float(np.ptp(x)), float(np.ptp(y))
    turn = wide * _REACH >= float(np.ptp(across)) and wide > 0
    lean = tall * _REACH >= float(np.ptp(upward)) and tall > 0
    if turn and lean and np.linalg.matrix_rank(np.cov(x, y), tol=1e-6) < 2:
        # places on one slanting line carry one slope only, and gravity knows the lean better
        lean = False
    return np.array([True, turn, lean])


def _design(x: Array, y: Array) -> Array:
    return np.stack([np.ones_like(x), x, y], axis=1)


def _rows(x: Array, y: Array, weight: Array, free: Mask) -> Array:
    """The (3, n) matrix of the weighted least-squares fit of the free ones of offset, turn and lean."""
    root = np.sqrt(weight)
    return np.asarray(np.linalg.pinv(_design(x, y) * free * root[:, None]) * root, np.float64)


def _fit(x: Array, y: Array, d: Array, area: Array, free: Mask) -> tuple[Array, Array]:
    """Plane (3,) by Tukey's loss from a least-median start, and the final weights (n,) of 0 to 1 beside the area's."""
    plane = _start(x, y, d, free)
    weight = np.ones_like(d)
    for _ in range(30):
        off = d - _design(x, y) @ plane
        weight = tukey_weight(off, max(robust_scale(off), 1e-5))
        before, plane = plane, _rows(x, y, area * weight, free) @ d
        if np.allclose(plane, before, rtol=0, atol=1e-9):
            break
    return plane, weight


def _start(x: Array, y: Array, d: Array, free: Mask) -> Array:
    """Plane of least median of absolute deviations out of planes through three places each (Rousseeuw 1984, LMedS).

    It holds with up to half of the support changed, also where all of the change lies to one side.
    """
    some = np.linspace(0, len(x) - 1, min(len(x), _TRIED)).astype(int)
    design, values = _design(x[some], y[some]) * free, d[some]
    rng = np.random.default_rng(_SEED)
    best = np.linalg.pinv(design) @ values
    least = float(np.median(np.abs(values - design @ best)))
    for triple in rng.integers(0, len(some), (_STARTS, 3)):
        plane = np.linalg.pinv(design[triple], rcond=1e-6) @ values[triple]
        middle = float(np.median(np.abs(values - design @ plane)))
        if middle < least:
            best, least = plane, middle
    return np.asarray(best, np.float64)


def _doubt(
    both: Both, commons: tuple[CommonError, CommonError], used: Mask, here: Mask, weight: Array, free: Mask
) -> tuple[Array, float]:
    """u of the leveled change at every place, and of its area mean."""
    across, upward = both.base.places
    random = both.u_first**2 + both.u_second**2
    rows = _rows(across[used], upward[used], both.base.area[used] * weight, free)
    fit = (rows * random[used]) @ rows.T
    pick = np.linspace(0, int(used.sum()) - 1, min(int(used.sum()), _SOME)).astype(int)
    px, py = across[used][pick], upward[used][pick]
    # the same fit on an even selection: what a slowly varying error does to it needs no more
    part = _rows(px, py, (both.base.area[used] * weight)[pick], free)
    seen = np.stack([px, py], axis=1)
    for common in commons:
        fit = fit + part @ common.covariance(seen, seen) @ part.T
    x, y = across[here], upward[here]
    design, places = _design(x, y), np.stack([x, y], axis=1)
    variance = random[here] + np.einsum("ni,ij,nj->n", design, fit, design)
    for common in commons:
        cross = common.covariance(places, seen) @ part.T
        variance += own_variance(common, places) - 2 * np.einsum("ni,ni->n", design, cross)
    u = np.full(across.shape, np.nan)
    u[here] = np.sqrt(np.maximum(variance, random[here]))
    return u, _mean_doubt(both, commons, here, fit, part, seen)


def own_variance(common: CommonError, places: Array) -> Array:
    """Variance (n,) [m2] of a common error at places (n, 2)."""
    if common.stationary:
        return np.full(len(places), common.sd**2)
    blocks = [places[start : start + 256] for start in range(0, len(places), 256)]
    return np.concatenate([np.diag(common.covariance(block, block)) for block in blocks])


def _mean_doubt(
    both: Both, commons: tuple[CommonError, CommonError], here: Mask, fit: Array, part: Array, seen: Array
) -> float:
    """u of the area mean of the leveled change."""
    across, upward = both.base.places
    x, y, area = across[here], upward[here], both.base.area[here]
    part_of_area = area / area.sum()
    random = float((part_of_area**2 * (both.u_first**2 + both.u_second**2)[here]).sum())
    middle = np.array([1.0, part_of_area @ x, part_of_area @ y])
    some = np.linspace(0, len(x) - 1, min(len(x), _SOME)).astype(int)
    places, weight = np.stack([x[some], y[some]], axis=1), area[some] / area[some].sum()
    shared = float(middle @ fit @ middle)
    for common in commons:
        shared += float(weight @ common.covariance(places, places) @ weight)
        shared -= 2 * float(weight @ common.covariance(places, seen) @ part.T @ middle)
    return float(np.sqrt(random + max(shared, 0.0)))
