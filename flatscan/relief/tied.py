"""The common error that is left of a scan after laser readings have tied it down: a covariance, not one number.

What warp the scan has is not known: its shape, length and size are those of many (`Warps`), each as likely as readings
and scan leave it, and what is said is the mean over all of them (`Member`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.notes import Note
from flatscan.core.warp import CommonError, by_triples
from flatscan.relief.everywhere import between, largest_anywhere, largest_on_lattice, lattice_of, spread_over
from flatscan.relief.members import Member, members_of
from flatscan.relief.tie_kernel import add_by_distance
from flatscan.relief.trend import Trend, plane
from flatscan.relief.warps import one_warp

# what readings say of a place falls smoothly with its distance from them: read off at so many metres
_TABLE_STEP = 0.002
# many warps are looked at together, so fewer gaps at a time
_MOST_TRIPLES = 10_000


@dataclass(frozen=True, slots=True, eq=False)
class TiedError(CommonError):
    """What readings leave of a warp of unknown kind, a lean, a turn, an offset and steps at seams.

    A mixture of universal krigings (Chiles and Delfiner, Geostatistics, 2012, 3.4; Rasmussen and Williams 2006, 2.7):
    its covariance is the mean of the ``members``' own, plus that of their means, which readings may leave apart.
    What a scan shows to be left beyond that (`left_over`) widens it by ``widened`` (2,), variances along and up.
    ``places`` (n, 2) are the readings'. ``box`` (4,) is the wall's left, bottom, right and top [m]: a straightedge
    reaches no further. ``free`` are the shapes of the members and their variances [m2] before the readings.
    """

    tied: ClassVar[bool] = True

    members: tuple[Member, ...] = ()
    trend: Trend = field(default_factory=lambda: plane(np.zeros(4), np.zeros(3)))
    places: Array = field(default_factory=lambda: np.empty((0, 2)))
    box: Array = field(default_factory=lambda: np.zeros(4))
    widened: Array = field(default_factory=lambda: np.ones(2))
    free: tuple[tuple[CommonError, float], ...] = ()
    # the largest u on lattices of places, by their box and rule: bounds and report ask for the same one
    _largest: dict[tuple[float, ...], Array] = field(default_factory=dict, init=False, repr=False)

    @property
    def stationary(self) -> bool:
        """False: the error is small at the readings and grows away from them."""
        return False

    def covariance(self, a: Array, b: Array) -> Array:
        """Covariance [m2] (m, n) of the errors at places ``a`` (m, 2) and ``b`` (n, 2) [m]."""
        a, b = np.asarray(a, float), np.asarray(b, float)
        return self._after(self._prior(_apart(a, b)), (a, b))

    def on_lattice(self, across: Array, upward: Array) -> Array:
        """The same of all places ``across`` (c,) and ``upward`` (r,), evenly apart, with each other, row by row.

        However many pairs, as many distances as places: the warps are asked once for each.
        """
        grid = np.meshgrid(across, upward)
        row, col = (one.ravel() for one in np.indices(grid[0].shape))
        by_distance = self._prior(np.hypot(*np.meshgrid(across - across[0], upward - upward[0])))
        prior = by_distance[abs(np.subtract.outer(row, row)), abs(np.subtract.outer(col, col))]
        return self._after(prior, (np.column_stack([one.ravel() for one in grid]),))

    def _after(self, total: Array, places: Sequence[Array]) -> Array:
        """The covariance ``total`` before the readings less what they take off it, of one or two lots of places."""
        trends = [self.trend.terms(at).T for at in places]
        columns = [_Columns([_apart(self.places, at)], (1.0,)) for at in places]
        means = _Means()
        for member in self.members:
            sides = [member.turn @ column.of(member.warp) for column in columns]
            total -= member.less(sides, trends)
            means.add(member, sides, trends)
        return np.asarray(self.widened.max() * (total + means.covariance()))

    def _prior(self, distance: Array) -> Array:
        """Covariance [m2] of the warp before the readings, all weighed, at so many metres."""
        # a table would do, were it not for what the readings take off: nearly all of it
        parts = (variance * (1 - warp.unlike(distance)) for warp, variance in self.free)
        return np.asarray(sum(parts, np.zeros(distance.shape)))

    def _gamma(self, distance: Array) -> Array:
        """The semivariogram [m2] of the warp before the readings, all weighed, at so many metres."""
        parts = (variance * warp.unlike(distance) for warp, variance in self.free)
        return np.asarray(sum(parts, np.zeros(distance.shape)))

    def u_gap_at(self, left: Array, at: Array, right: Array) -> Array:
        """Standard uncertainty (...) [m] of gaps at ``at`` between contacts ``left`` and ``right``, each (..., 2)."""
        return by_triples(self._u_gaps, left, at, right, _MOST_TRIPLES)

    def _u_gaps(self, left: Array, at: Array, right: Array) -> Array:
        near, far = (np.hypot(*(one - other).T) for one, other in ((at, left), (right, at)))
        share = far / np.maximum(near + far, 1e-12)
        columns = _Columns([_apart(self.places, place) for place in (left, at, right)], (share, -1.0, 1 - share))
        terms = [self.trend.terms(place).T for place in (left, at, right)]
        steps = share * terms[0] + (1 - share) * terms[2] - terms[1]
        # a plane has no part in a gap but for rounding
        steps[:3] = 0.0
        arms = [self._gamma(arm) for arm in (near, far, near + far)]
        free = share * arms[0] + (1 - share) * arms[1] - share * (1 - share) * arms[2]
        variance = 2 * free
        means = _Means()
        for member in self.members:
            side = member.turn @ columns.of(member.warp)
            variance = variance - member.less_alone(side, steps)
            means.add(member, [side], [steps])
        toward = (right - left) / np.maximum(near + far, 1e-12)[:, None]
        widened = toward**2 @ self.widened
        return np.asarray(np.sqrt(np.clip(widened * (variance + means.variance()), 0.0, None)))

    def u_gap(self, left: Array, right: Array) -> Array:
        """Largest standard uncertainty anywhere on the wall of a gap so many metres from its contacts."""
        return largest_anywhere(self.box, left, right, self.u_gap_at)

    def largest_u_gap(self, x: Array, y: Array, rule: float) -> Array:
        """Largest standard uncertainty (rows, cols) of any gap at each cell, contacts at most ``rule`` apart [m]."""
        box = np.array([x[0], y[0], x[-1], y[-1]])
        lattice, key = lattice_of(box, rule), (*box, rule)
        if key not in self._largest:
            self._largest[key] = largest_on_lattice(self.on_lattice(*lattice), lattice, rule)
        return between(self._largest[key], lattice, x, y)

    def wider(self, widened: Array) -> TiedError:
        """The same with variances so many times as large (2,), along and up."""
        more = float(np.sqrt(widened.max()))
        return replace(self, widened=widened, sd=self.sd * more, u_offset=self.u_offset * more)

    def u_slope_up(self) -> float:
        """Standard uncertainty [m per m] of the slope up of a plane fitted to the whole wall."""
        lattice = spread_over(self.box)
        at = np.column_stack([one.ravel() for one in np.meshgrid(*lattice)])
        row = np.linalg.pinv(self.trend.terms(at)[:, :3])[2]
        return float(np.sqrt(max(float(row @ self.on_lattice(*lattice) @ row), 0.0)))

    def steps(self) -> tuple[Array, Array]:
        """The step (seams,) [m] of the scan's error at each seam, and its standard uncertainty."""
        many = 3 + len(self.trend.seams)
        seams = np.eye(many)[:, 3:]
        side, variance, total = np.zeros((len(self.places), many - 3)), np.zeros(many - 3), self.trend.means[3:].copy()
        means = _Means()
        for member in self.members:
            variance = variance - member.less_alone(side, seams)
            means.add(member, [side], [seams])
            total += member.weights @ member.gains[1][:, 3:]
        return total, np.sqrt(self.widened.max() * np.maximum(variance + means.variance(), 0.0))

    def mean(self, at: Array) -> Array:
        """The likeliest error (m,) [m] at places ``at`` (m, 2).

        It is a sum over the readings of a function of the distance to each, which is tabulated.
        """
        at = np.asarray(at, float)
        far = float(np.hypot(*(np.vstack([at, self.places]).max(axis=0) - np.vstack([at, self.places]).min(axis=0))))
        steps = np.arange(0.0, far + 2 * _TABLE_STEP, _TABLE_STEP)
        table, slopes = np.zeros((len(self.places), len(steps))), self.trend.means.copy()
        for member in self.members:
            by_warp, by_trend = (member.weights @ gain for gain in member.gains)
            table += np.outer(by_warp @ member.turn, member.warp.sd**2 * (1 - member.warp.unlike(steps)))
            slopes += by_trend
        total = self.trend.terms(at) @ slopes
        add_by_distance(at, self.places, table, _TABLE_STEP, total)
        return np.asarray(total)


def _apart(a: Array, b: Array) -> Array:
    """Distances (m, n) [m] of places ``a`` (m, 2) and ``b`` (n, 2)."""
    (ax, ay), (bx, by) = a.T, b.T
    return np.asarray(np.hypot(np.subtract.outer(ax, bx), np.subtract.outer(ay, by)))


class _Columns:
    """Covariances (n, m) of readings with sums over places so far ``apart``, each shape of warp asked once."""

    def __init__(self, apart: Sequence[Array], shares: Sequence[Array | float]) -> None:
        self.apart, self.shares = apart, shares
        self.known: dict[int, Array] = {}

    def of(self, warp: CommonError) -> Array:
        if id(warp) not in self.known:
            parts = (share * (1 - warp.unlike(apart)) for apart, share in zip(self.apart, self.shares, strict=True))
            self.known[id(warp)] = np.asarray(warp.sd**2 * sum(parts))
        return self.known[id(warp)]


class _Means:
    """Means of all warps at columns, one after the other, with their weights."""

    def __init__(self) -> None:
        self.rows: list[list[Array]] = []
        self.weights: list[Array] = []

    def add(self, member: Member, sides: Sequence[Array], beside: Sequence[Array]) -> None:
        by_warp, by_trend = member.gains
        self.rows.append([by_warp @ side + by_trend @ other for side, other in zip(sides, beside, strict=True)])
        self.weights.append(member.weights)

    def _off(self) -> tuple[list[Array], Array]:
        weights = np.concatenate(self.weights)
        rows = [np.concatenate(part) for part in zip(*self.rows, strict=True)]
        return [row - weights @ row for row in rows], weights

    def covariance(self) -> Array:
        off, weights = self._off()
        return np.asarray((weights[:, None] * off[0]).T @ off[-1])

    def variance(self) -> Array:
        off, weights = self._off()
        return np.asarray(weights @ off[0] ** 2)


def mixed(
    members: tuple[Member, ...],
    trend: Trend,
    places: Array,
    box: Array,
    *,
    length: float,
    scale: float = 0.0,
    source: Note | str = "",
) -> TiedError:
    """The error that is left with ``sd``, the root mean variance over the wall, and ``u_offset``, that of its mean."""
    free = dict[int, tuple[CommonError, float]]()
    for member in members:
        before = free.get(id(member.warp), (member.warp, 0.0))[1]
        free[id(member.warp)] = member.warp, before + member.warp.sd**2 * member.variance
    left = TiedError(
        0.0, length, 0.0, scale, source, members, trend, places, np.asarray(box, float), free=tuple(free.values())
    )
    covariance = left.on_lattice(*spread_over(left.box))
    sd, mean = (float(np.sqrt(max(float(one), 0.0))) for one in (np.diag(covariance).mean(), covariance.mean()))
    return replace(left, sd=sd, u_offset=mean)


def posterior(places: Array, noise: Array, warp: CommonError, plane_sd: Array, box: Array) -> TiedError:
    """The error left of one known ``warp`` and a plane (prior sd (3,) of offset, turn, lean) after readings.

    ``places`` (n, 2) are the readings', ``noise`` (n, n) their covariance [m2]; none (n = 0) give back the prior.
    """
    places, trend = np.asarray(places, float).reshape(-1, 2), plane(box, plane_sd)
    members = members_of(one_warp(warp), places, noise, trend, np.zeros(len(places)))
    return mixed(members, trend, places, box, length=warp.length, scale=warp.scale)
