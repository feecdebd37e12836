"""Uncertainty of three-point gaps: supports, smoothing, the common warp.

See the factors of methods/decision 4 and methods/uncertainty 11.
"""

from __future__ import annotations

import itertools
import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.warp import CommonError

Indices = NDArray[np.int64]


# a simulated factor is good to two digits; rounding it takes off what the order of sums in a matrix product leaves
FACTOR_DIGITS = 3


def confidence_of(k: float) -> float:
    """One-sided confidence of a coverage factor for a normal error; 1.645 gives 95 %."""
    return float(ndtr(k))


def half_factor(k: float) -> float:
    """Coverage factor for each of two one-sided tests that share the error probability of ``k`` (1.645 -> 1.96)."""
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


@lru_cache(maxsize=64)
def _warp_factor(width: int, height: int, reach: int, confidence: float, draws: int) -> float:
    """Quantile of the largest gap / sqrt(u top) a Gaussian warp shows; lengths in quarters of its own length."""
    generator = np.random.default_rng(20)

    def root(size: int) -> Array:
        at = np.arange(size) / 4
        return np.asarray(np.linalg.cholesky(np.exp(-((at[:, None] - at) ** 2) / 2) + 1e-9 * np.eye(size)), float)

    warp = root(height) @ generator.standard_normal((draws, height, width)) @ root(width).T
    largest = np.zeros(draws)
    top = _unit_warp_top(reach / 4)
    arms = sorted({1, 2, *(max(1, share * reach // 4) for share in (1, 2, 3)), max(1, reach - 1)})
    for up, along in ((0, 1), (1, 0), (1, 1), (1, -1)):
        for p in arms:
            for q in arms:
                step = math.hypot(up, along)
                if (p + q) * step > max(reach, 2 * step) + 1e-9:
                    continue
                ratio = _gap_over_u(warp, (up, along), p, q, step / 4, top)
                if ratio is not None:
                    largest = np.maximum(largest, ratio)
    return round(float(np.quantile(largest, confidence)), FACTOR_DIGITS)


def _placed_factor(common: CommonError, x: Array, y: Array, reach: int, confidence: float, draws: int) -> float:
    """The same for an error that is not alike everywhere, on a lattice of places ``x``, ``y``."""
    across, upward = np.meshgrid(x, y)
    places = np.stack([across.ravel(), upward.ravel()], axis=1)
    covariance = common.covariance(places, places)
    # the small part on the diagonal keeps a nearly singular covariance positive definite
    root = np.linalg.cholesky(covariance + 1e-9 * np.trace(covariance) / len(places) * np.eye(len(places)))
    field = np.random.default_rng(20).standard_normal((draws, len(places))) @ root.T
    number = np.arange(len(places)).reshape(across.shape)
    largest, top = np.zeros(draws), common_top(common, x, y, reach * float(x[1] - x[0] if len(x) > 1 else y[1] - y[0]))
    for up, along in ((0, 1), (1, 0), (1, 1), (1, -1)):
        arms = sorted({1, 2, max(1, reach // 2), max(1, 3 * reach // 4)})
        for p, q in itertools.product(arms, arms):
            if (p + q) * math.hypot(up, along) <= reach + 1e-9:
                left, at, right = _triples(number, (up, along), p, q)
                share = q / (p + q)
                gap = share * field[:, left] + (1 - share) * field[:, right] - field[:, at]
                u = common.u_gap_at(places[left], places[at], places[right])
                largest = np.maximum(largest, (gap / np.sqrt(np.maximum(u, 1e-12) * top)).max(axis=1, initial=0.0))
    return round(float(np.quantile(largest, confidence)), FACTOR_DIGITS)


def _triples(number: Indices, step: tuple[int, int], p: int, q: int) -> tuple[Indices, Indices, Indices]:
    """Numbers of left contacts, places and right contacts, p and q steps apart, that fit on a lattice (rows, cols)."""
    up, along = step
    if along < 0:
        number, along = number[:, ::-1], -along
    high, wide = (size - one * (p + q) for size, one in zip(number.shape, (up, along), strict=True))
    if high < 1 or wide < 1:
        return (np.empty(0, np.int64),) * 3
    left, at, right = (number[up * k : up * k + high, along * k : along * k + wide].ravel() for k in (0, p, p + q))
    return left, at, right


def _gap_over_u(field: Array, step: tuple[int, int], p: int, q: int, unit: float, top: float) -> Array | None:
    """Largest gap / sqrt(u top) of each field, contacts p and q steps of ``unit`` away; None if it has no room."""
    up, along = step
    if along < 0:
        field, along = field[:, :, ::-1], 1
    rows, cols = field.shape[1:]
    high, wide = rows - up * (p + q), cols - along * (p + q)
    if high < 1 or wide < 1:
        return None

    def part(k: int) -> Array:
        return field[:, up * k : up * k + high, along * k : along * k + wide]

    left = q / (p + q)
    gap = left * part(0) + (1 - left) * part(p + q) - part(p)
    u = CommonError(1.0, 1.0).u_gap(np.array(p * unit), np.array(q * unit))
    return (gap / np.sqrt(u * top)).max(axis=(1, 2))


def _unit_warp_top(rule: float) -> float:
    """Largest u of a gap that a warp of sd 1 and correlation length 1 puts on it."""
    return float(CommonError(1.0, 1.0).largest_u_gap(np.zeros(1), np.zeros(1), rule)[0, 0])


def common_top(common: CommonError, x: Array, y: Array, rule: float) -> float:
    """Largest common u [m] of any gap on cells ``x`` (cols,), ``y`` (rows,), contacts within ``rule`` [m]."""
    return max(float(common.largest_u_gap(x, y, rule).max()), 1e-12)


def common_factor(common: CommonError, x: Array, y: Array, rule: float, k: float) -> float:
    """Factor k_M for the common part of gaps on cells ``x`` (cols,), ``y`` (rows,) [m]: see `warp_factor`."""
    wide, high = (float(np.ptp(at)) + float(at[1] - at[0] if len(at) > 1 else 0.0) for at in (x, y))
    if common.stationary:
        return warp_factor(common, wide, high, rule, k) if common.sd > 0 else k
    step = max(rule / 8, wide / 32, high / 32)
    across, upward = (np.arange(float(at[0]), float(at[-1]) + 1e-9, step) for at in (x, y))
    return max(k, _placed_factor(common, across, upward, round(rule / step), confidence_of(k), 400))


def warp_factor(common: CommonError, width: float, height: float, rule: float, k: float, *, draws: int = 400) -> float:
    """Coverage factor for the common part of a gap whose place the warp itself may have chosen.

    See k_M of methods/decision 4.

    The quantile, at the one-sided confidence of ``k``, of the largest gap / sqrt(u top) over all three-point gaps of a
    simulated warp on a wall ``width`` by ``height`` [m], top being the largest u (seeded). So the margin of a gap is
    k_M sqrt(u top): k_M u (about 2.8 u on 4 x 2.4 m with 1 m correlation length) for a gap in the middle of the whole
    straightedge, which is where nearly all large ones are, and more than that for short ones, which are so many that
    the plain ratio to u would set the factor for all.
    """
    size = [int(min(max(math.ceil(extent / common.length * 4 - 1e-9) + 1, 3), 200)) for extent in (width, height)]
    reach = int(max(2, round(rule / common.length * 4)))
    draws = max(100, min(draws, int(4e6 / (size[0] * size[1]))))
    return max(k, _warp_factor(size[0], size[1], min(reach, max(size)), round(confidence_of(k), 6), draws))


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
