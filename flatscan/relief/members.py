"""One shape of warp after laser readings, at every size it may have; for each shape the readings are taken apart once.

The covariance of the readings, whitened by their noise, is taken apart: then every size is a sum of n terms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from flatscan.core.geometry import Array
from flatscan.core.warp import CommonError
from flatscan.relief.trend import Trend
from flatscan.relief.warps import Warps

# the least likely warps, together no more likely than this, are left out
_NEGLIGIBLE = 0.003


@dataclass(frozen=True, eq=False)
class Member:
    """One shape of warp after the readings, at F sizes.

    ``turn`` (n, n) makes the readings independent: of variance 1 by their noise, of ``values`` (n,) by the warp at its
    stated size. ``seen`` (n,) are the differences and ``terms`` (n, p) the trend's terms so turned, ``sds`` (p,) the
    prior of the trend's coefficients. ``squares`` (F,) of the sizes over the stated one have ``weights`` (F,).
    """

    warp: CommonError
    turn: Array
    values: Array
    seen: Array
    terms: Array
    sds: Array
    squares: Array
    weights: Array

    @cached_property
    def _shares(self) -> Array:
        """One over the variance (F, n) of each turned difference."""
        return np.asarray(1 / (self.squares[:, None] * self.values + 1))

    @cached_property
    def _trend(self) -> tuple[Array, Array]:
        """Covariance (F, p, p) of the trend's coefficients after the readings and what they are (F, p) likeliest."""
        weighed = self._shares[:, None, :] * self.terms.T
        after = np.linalg.inv(weighed @ self.terms + np.diag(1 / self.sds**2))
        return np.asarray(after), np.asarray(np.einsum("fpq,fq->fp", after, weighed @ self.seen))

    def log_likelihood(self) -> Array:
        """Of the differences (F,) at each size, less what is the same for all (Rasmussen and Williams 2006, 2.45).

        The plane being all but free, it is the restricted likelihood (Patterson and Thompson, Biometrika 58, 1971).
        """
        shares, (after, slopes) = self._shares, self._trend
        rest = self.seen - slopes @ self.terms.T
        misfit = (shares * rest**2).sum(axis=1) + ((slopes / self.sds) ** 2).sum(axis=1)
        size = -np.log(shares).sum(axis=1) - np.linalg.slogdet(after)[1]
        return np.asarray(-(misfit + size) / 2)

    def left_out(self) -> tuple[Array, Array]:
        """Each difference less what the others predict (F, n), and the variance to expect (F, n).

        Rasmussen and Williams 2006, 5.12.
        """
        shares, (after, slopes) = self._shares, self._trend
        by_trend = (shares[:, None, :] * self.terms.T) @ self.turn
        diagonal = shares @ self.turn**2 - np.einsum("fpn,fpq,fqn->fn", by_trend, after, by_trend)
        return ((shares * (self.seen - slopes @ self.terms.T)) @ self.turn) / diagonal, 1 / diagonal

    @cached_property
    def gains(self) -> tuple[Array, Array]:
        """What of the turned columns (F, n) makes the warp's likeliest value, and the trend's coefficients (F, p)."""
        slopes = self._trend[1]
        return self._gain * (self.seen - slopes @ self.terms.T), slopes

    @cached_property
    def _gain(self) -> Array:
        """What of the turned columns (F, n) each turned difference is worth."""
        return np.asarray(self.squares[:, None] * self._shares)

    @cached_property
    def _rooted(self) -> tuple[Array, Array]:
        """Root (F, p, p) of the covariance of the trend, and what of columns (F, p, n) the trend has a part in."""
        root = np.linalg.cholesky(self._trend[0]).swapaxes(1, 2)
        return np.asarray(root), np.asarray(self._gain[:, None, :] * self.terms.T)

    @cached_property
    def _taken(self) -> Array:
        """What the readings take off the squares of turned columns (n,), sizes weighed."""
        return np.asarray(self.weights * self.squares**2 @ self._shares)

    def roots(self, column: Array, terms: Array) -> Array:
        """Root (F, p, m) of what not knowing the trend adds to the variance, from turned columns and terms (p, m)."""
        root, by_trend = self._rooted
        return np.asarray(root @ (terms - by_trend @ column))

    def less(self, columns: Sequence[Array], terms: Sequence[Array]) -> Array:
        """What the readings take off the covariance (a, b), sizes weighed: turned columns (n, a), (n, b) and terms."""
        weigh = np.sqrt(self.weights)[:, None, None]
        roots = [
            (weigh * self.roots(one, two)).reshape(-1, one.shape[1]) for one, two in zip(columns, terms, strict=True)
        ]
        return np.asarray((self._taken[:, None] * columns[0]).T @ columns[-1] - roots[0].T @ roots[-1])

    def less_alone(self, column: Array, terms: Array) -> Array:
        """The diagonal (a,) of `less` of turned columns (n, a) with themselves."""
        added = self.weights @ (self.roots(column, terms) ** 2).sum(axis=1)
        return np.asarray(self._taken @ column**2 - added)

    def taken_off(self, column: Array) -> Array:
        """Mean over turned columns (n, m) without trend of what readings take off their variance, at each size (F,)."""
        taken = (self.squares[:, None] * self._gain) @ (column**2).mean(axis=1)
        root, by_trend = self._rooted
        added = ((root @ (by_trend @ column)) ** 2).sum(axis=1).mean(axis=1)
        return np.asarray(taken - added)

    @property
    def variance(self) -> float:
        """Mean square of the sizes over the stated one times how likely the shape is."""
        return float(self.weights @ self.squares)


def members_of(warps: Warps, places: Array, noise: Array, trend: Trend, difference: Array) -> tuple[Member, ...]:
    """Every shape after readings at ``places`` (n, 2) with covariance ``noise`` (n, n) [m2] and these differences.

    Weights are still those before the readings.
    """
    terms = trend.terms(places)
    difference = difference - terms @ trend.means
    whiten = np.empty((0, 0))
    if len(places):
        lower = cholesky(noise, lower=True)
        whiten = solve_triangular(lower, np.eye(len(places)), lower=True)
    apart = np.hypot(*(places[:, None] - places).T)
    made = []
    for warp, weights in zip(warps.shapes, warps.weights, strict=True):
        values, turn = np.empty(0), whiten
        if len(places):
            values, vectors = np.linalg.eigh(whiten @ (warp.sd**2 * (1 - warp.unlike(apart))) @ whiten.T)
            turn = vectors.T @ whiten
        turned = turn @ difference, turn @ terms, trend.sds
        made.append(Member(warp, turn, np.maximum(values, 0.0), *turned, warps.squares, weights))
    return tuple(made)


def kept(members: Sequence[Member], weights: Array) -> tuple[Member, ...]:
    """The members with their weights (K, F) after the readings, those that say nothing any more left out."""
    least = np.sort(weights, axis=None)
    few = least[np.searchsorted(np.cumsum(least), _NEGLIGIBLE * least.sum())]
    weights = np.where(weights < few, 0.0, weights)
    weights = weights / weights.sum()
    some = []
    for member, share in zip(members, weights, strict=True):
        of = share > 0
        if of.any():
            some.append(replace(member, squares=member.squares[of], weights=share[of]))
    return tuple(some)
