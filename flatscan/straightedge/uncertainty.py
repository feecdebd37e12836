"""Uncertainty of three-point gaps: supports, smoothing, the common warp (methods/uncertainty 11)."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.special import ndtr, ndtri

from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.warp import CommonError


def confidence_of(k: float) -> float:
    """One-sided confidence of a coverage factor for a normal error; 1.645 gives 95 %."""
    return float(ndtr(k))


def half_factor(k: float) -> float:
    """Coverage factor for each of two one-sided tests that share the error probability of ``k`` (1.645 -> 1.96).

    So of both ends of a two-sided interval at the confidence of ``k``.
    """
    return float(-ndtri((1 - confidence_of(k)) / 2))


@lru_cache(maxsize=64)
def smoothing_correlation(window: int) -> tuple[float, ...]:
    """Correlation, at lags 0, 1, 2 ... cells, of noise smoothed by a local quadratic over ``window`` cells.

    Autocorrelation of the Savitzky-Golay weights (Anal. Chem. 36, 1964, 1627); 0 beyond the last lag given.
    """
    if window <= 2:
        return (1.0,)
    at = np.arange(window) - (window - 1) / 2
    weights = np.linalg.pinv(np.stack([at**0, at, at**2], axis=1))[0]
    full = np.correlate(weights, weights, mode="full")[window - 1 :]
    return tuple(float(value) for value in full / full[0])


def _correlation(window: int, lag: Array, cos: float, sin: float) -> Array:
    """Correlation at ``lag`` cells along a direction; the smoother is separable, linear between whole lags."""
    table = np.append(np.array(smoothing_correlation(window)), 0.0)
    whole = np.arange(table.size)
    return np.asarray(np.interp(np.abs(lag * cos), whole, table) * np.interp(np.abs(lag * sin), whole, table))


@lru_cache(maxsize=256)
def variance_ceiling(window: int, samples: int) -> float:
    """Largest variance of a gap in units of the cells' variance, over all three-point gaps in so many samples.

    Never below 2, the limit of unsmoothed cells with the gap read beside a contact.
    """
    ceiling = 2.0
    if window <= 2 or samples < 3:
        return ceiling
    arms = np.arange(1.0, 2 * window + 1)
    p, q = np.meshgrid(arms, np.append(arms, float(max(samples, 2 * window + 1))))
    left = q / (p + q)
    for angle in (0.0, math.pi / 8, math.pi / 4):
        near, far, both = (_correlation(window, lag, math.cos(angle), math.sin(angle)) for lag in (p, q, p + q))
        three = left**2 + (1 - left) ** 2 + 1 - 2 * left * near - 2 * (1 - left) * far
        three += 2 * left * (1 - left) * both
        # variance is convex in the cells' own u, so unequal u can only bring in the case of one contact without error
        two = 1 + left**2 - 2 * left * near
        ceiling = max(ceiling, float(three.max()), float(two.max()))
    return ceiling


def random_u(u: Array, lags: tuple[float, float], window: int, cos: float, sin: float) -> float:
    """Random standard uncertainty of a gap from its three supports.

    ``u`` (3,) belongs to the left contact, the place of the gap and the right contact; ``lags`` are the distances in
    cells to the left and the right contact. l^2 u_a^2 + (1 - l)^2 u_b^2 + u_c^2 and the covariances that smoothing
    brings (methods/uncertainty 11).
    """
    near, far = lags
    share = far / (near + far)
    weight = np.array([share, -1.0, 1 - share]) * u
    at = np.array([-near, 0.0, far])
    correlation = _correlation(window, at[:, None] - at[None, :], cos, sin)
    np.fill_diagonal(correlation, 1.0)
    return math.sqrt(max(float(weight @ correlation @ weight), 0.0))


def variance_bound(
    common: CommonError, window: int, samples: int, x: Array, y: Array, least_u: float
) -> tuple[float, Array, Array]:
    """Number b, products p q (n,) [m2] and d [m2] with u^2 <= b (l u_a^2 + (1 - l) u_b^2 + u_c^2) + d for every gap.

    ``samples`` is what the straightedge holds of the cells ``x`` (cols,), ``y`` (rows,) [m]. d (n,) belongs to gaps
    with contacts p and q away; where the common error is not alike everywhere, d is a map (rows, cols) by the place
    of the gap and the products are 0 (1,). l^2 is l - l (1 - l), so l^2 u_a^2 + (1 - l)^2 u_b^2 falls short of the
    bracket by at least 2 l (1 - l) ``least_u``^2: most where the common part is largest. b (1 or a little over it)
    stands for the negative lobes of smoothed noise, which only gaps read closer than the window to a contact feel.
    """
    factor = variance_ceiling(window, samples) / 2
    cell = float(x[1] - x[0]) if len(x) > 1 else float(y[1] - y[0])
    if not common.stationary:
        return factor, np.zeros(1), common.largest_u_gap(x, y, (samples - 1) * cell) ** 2
    arms = np.unique(np.round(np.append(np.arange(1.0, 2 * window + 1), np.linspace(1, samples, 90))))
    p, q = np.meshgrid(arms, arms)
    p, q = (arm[p + q <= max(samples - 1, 2)] for arm in (p, q))
    left = q / (p + q)
    shared = common.u_gap(np.asarray(p * cell, float), np.asarray(q * cell, float)) ** 2
    short = np.where(np.minimum(p, q) < window, 0.0, (2 * left * (1 - left) + 2 * (factor - 1)) * least_u**2)
    return factor, np.asarray(p * q * cell**2, float), np.maximum(shared - short, 0.0)


def expected_u(relief: Relief, rule: float) -> float | None:
    """Standard uncertainty a gap under a straightedge of ``rule`` [m] has on this relief, before any is laid.

    Contacts and place as far apart as the rule allows, cells of median u: sqrt(1.5 u^2 + u_common^2)
    (methods/uncertainty 11). None where the cells' u is not known.
    """
    u = relief.u[relief.valid]
    if u.size == 0 or not np.isfinite(u).any():
        return None
    common = relief.common.u_gap(np.array(rule / 2), np.array(rule / 2))
    return math.hypot(math.sqrt(1.5) * float(np.nanmedian(u)), float(common))
