"""The common error that is left of a scan after laser readings have tied it down: a covariance, not one number."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from flatscan.core.geometry import Array
from flatscan.core.notes import Note
from flatscan.core.warp import CommonError, by_triples

# directions and parts of the rule in which the largest uncertainty of a gap is looked for
_DIRECTIONS, _PARTS = 12, 10
# gaps between the ones looked at are at most this much less certain (tried on 10 000 random gaps a wall)
_BETWEEN = 1.03


@dataclass(frozen=True, slots=True, eq=False)
class TiedError(CommonError):
    """What readings leave of a warp, a lean, a turn and an offset: the posterior of universal kriging.

    The scan's error is a Gaussian process ``warp`` plus a plane whose three coefficients (about ``centre`` (2,)) have
    their own prior. ``places`` (n, 2) are the readings', ``root`` (n, n) the inverse of the lower Cholesky factor of
    the warp's covariance there plus the readings' noise, ``plane_u`` (3, 3) the covariance of the coefficients after
    the readings. ``box`` (4,) is the wall's left, bottom, right and top [m]: a straightedge reaches no further.
    Chiles and Delfiner, Geostatistics, 2012, 3.4; Rasmussen and Williams, Gaussian Processes, 2006, 2.7.
    """

    warp: CommonError = field(default_factory=lambda: CommonError(0.0))
    places: Array = field(default_factory=lambda: np.empty((0, 2)))
    root: Array = field(default_factory=lambda: np.empty((0, 0)))
    plane_u: Array = field(default_factory=lambda: np.zeros((3, 3)))
    centre: Array = field(default_factory=lambda: np.zeros(2))
    box: Array = field(default_factory=lambda: np.zeros(4))

    @property
    def stationary(self) -> bool:
        """False: the error is small at the readings and grows away from them."""
        return False

    def parts(self, at: Array) -> tuple[Array, Array]:
        """What the readings explain at places ``at`` (m, 2): the warp's part (n, m) and the plane's part (3, m)."""
        explained = self.root @ self.warp.covariance(self.places, at)
        left_over = plane_terms(at, self.centre).T - (self.root @ plane_terms(self.places, self.centre)).T @ explained
        return explained, left_over

    def covariance(self, a: Array, b: Array) -> Array:
        """Covariance [m2] (m, n) of the errors at places ``a`` (m, 2) and ``b`` (n, 2) [m]."""
        a, b = np.asarray(a, float), np.asarray(b, float)
        (seen_a, plane_a), (seen_b, plane_b) = self.parts(a), self.parts(b)
        together: Array = self.warp.covariance(a, b) - seen_a.T @ seen_b + plane_a.T @ self.plane_u @ plane_b
        return together

    def u_slope_up(self) -> float:
        """Standard uncertainty [m per m] of the slope up of a plane fitted to the whole wall."""
        at = _spread(self.box)
        row = np.linalg.pinv(plane_terms(at, self.centre))[2]
        return float(np.sqrt(max(float(row @ self.covariance(at, at) @ row), 0.0)))

    def u_gap_at(self, left: Array, at: Array, right: Array) -> Array:
        """Standard uncertainty (...) [m] of gaps at ``at`` between contacts ``left`` and ``right``, each (..., 2)."""
        return by_triples(self._u_gaps, left, at, right)

    def _u_gaps(self, left: Array, at: Array, right: Array) -> Array:
        seen, plane = self.gap_parts(left, at, right)
        free = CommonError.u_gap_at(self.warp, left, at, right) ** 2
        variance = free - (seen**2).sum(axis=0) + np.einsum("im,ij,jm->m", plane, self.plane_u, plane)
        return np.sqrt(np.clip(variance, 0.0, None))

    def gap_parts(self, left: Array, at: Array, right: Array) -> tuple[Array, Array]:
        """`parts` of the gaps themselves: (n, m) and (3, m) of l e(left) + (1 - l) e(right) - e(at)."""
        near, far = (np.hypot(*(one - other).T) for one, other in ((at, left), (right, at)))
        share = far / np.maximum(near + far, 1e-12)
        (seen_l, plane_l), (seen_c, plane_c), (seen_r, plane_r) = (self.parts(place) for place in (left, at, right))
        return share * seen_l + (1 - share) * seen_r - seen_c, share * plane_l + (1 - share) * plane_r - plane_c

    def u_gap(self, left: Array, right: Array) -> Array:
        """Largest standard uncertainty anywhere on the wall of a gap so many metres from its contacts."""
        left, right = np.broadcast_arrays(np.asarray(left, float), np.asarray(right, float))
        u = np.zeros(left.shape)
        for index in np.ndindex(left.shape):
            near, far = float(left[index]), float(right[index])
            triples = gaps_in_box(self.box, near + far, arms=((near, far),))
            if not len(triples[0]):
                # longer than the wall: the least certain of all gaps that it has room for
                room = float(np.hypot(*(self.box[2:] - self.box[:2])))
                triples = gaps_in_box(self.box, min(near + far, room))
            u[index] = self.u_gap_at(*triples).max(initial=0.0)
        return u

    def largest_u_gap(self, x: Array, y: Array, rule: float) -> Array:
        """Largest standard uncertainty (rows, cols) of any gap at each cell, contacts at most ``rule`` apart [m]."""
        return largest_at_cells(self, x, y, rule)


def largest_at_cells(common: CommonError, x: Array, y: Array, rule: float) -> Array:
    """Largest u [m] (rows, cols) of any gap at each cell of an error that is not alike everywhere."""
    box = np.array([x[0], y[0], x[-1], y[-1]])
    left, at, right = gaps_in_box(box, rule)
    across, upward = _lattice(box, rule)
    u = common.u_gap_at(left, at, right)
    largest = np.zeros((len(upward), len(across)))
    col = np.searchsorted(across, at[:, 0] - 1e-9)
    row = np.searchsorted(upward, at[:, 1] - 1e-9)
    np.maximum.at(largest, (row, col), u)
    # a cell takes the largest of the four lattice places around it
    i, j = (
        np.clip(np.searchsorted(grid, place) - 1, 0, max(len(grid) - 2, 0))
        for grid, place in ((upward, y), (across, x))
    )
    k, m = np.minimum(i + 1, len(upward) - 1), np.minimum(j + 1, len(across) - 1)
    corners = [largest[np.ix_(rows, cols)] for rows in (i, k) for cols in (j, m)]
    return np.maximum.reduce(corners) * _BETWEEN


def plane_terms(at: Array, centre: Array) -> Array:
    """Columns 1, x, y (m, 3) of a plane about ``centre`` at places ``at`` (m, 2) [m]."""
    return np.column_stack([np.ones(len(at)), np.asarray(at, float) - centre])


def posterior(
    places: Array,
    noise: Array,
    warp: CommonError,
    plane_sd: Array,
    box: Array,
    *,
    scale: float = 0.0,
    source: Note | str = "",
) -> TiedError:
    """The error left of ``warp`` and a plane (prior sd (3,) of offset, turn, lean) after readings at ``places`` (n, 2).

    ``noise`` (n, n) is the readings' covariance [m2]; no readings (n = 0) give back the prior. ``sd`` is the root
    mean variance over the wall's ``box``, ``u_offset`` the uncertainty of its mean.
    """
    centre = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
    places = np.asarray(places, float).reshape(-1, 2)
    lower = cholesky(warp.covariance(places, places) + noise, lower=True) if len(places) else np.empty((0, 0))
    root = solve_triangular(lower, np.eye(len(places)), lower=True) if len(places) else np.empty((0, 0))
    seen = root @ plane_terms(places, centre)
    plane_u = np.linalg.inv(seen.T @ seen + np.diag(1 / np.asarray(plane_sd, float) ** 2))
    left = TiedError(0.0, warp.length, 0.0, scale, source, warp, places, root, plane_u, centre, np.asarray(box, float))
    covariance = left.covariance(*[_spread(left.box)] * 2)
    sd, mean = np.sqrt(max(float(np.diag(covariance).mean()), 0.0)), np.sqrt(max(float(covariance.mean()), 0.0))
    return replace(left, sd=float(sd), u_offset=float(mean))


def _spread(box: Array) -> Array:
    """Places (280, 2) spread evenly over the box, from edge to edge."""
    across, upward = np.meshgrid(np.linspace(box[0], box[2], 20), np.linspace(box[1], box[3], 14))
    return np.column_stack([across.ravel(), upward.ravel()])


def _lattice(box: Array, rule: float) -> tuple[Array, Array]:
    """Places along and up, at most a tenth of the rule apart, from edge to edge."""
    wide, high = max(box[2] - box[0], 1e-9), max(box[3] - box[1], 1e-9)
    step = max(rule / 10, wide / 60, high / 60)
    across, upward = (
        np.linspace(low, low + size, int(np.ceil(size / step - 1e-9)) + 1)
        for low, size in ((box[0], wide), (box[1], high))
    )
    return across, upward


def gaps_in_box(
    box: Array, rule: float, *, arms: tuple[tuple[float, float], ...] = (), directions: int = _DIRECTIONS
) -> tuple[Array, Array, Array]:
    """Contacts and places (m, 2) of gaps all over a box (4,), in ``directions``, with both contacts inside it.

    ``arms`` are distances to the left and right contact; without them all tenths of the ``rule`` that fit on it, and
    where the wall's edge comes first, the edge.
    """
    across, upward = np.meshgrid(*_lattice(box, rule))
    turns = np.arange(directions) * np.pi / directions
    way = np.tile(np.column_stack([np.cos(turns), np.sin(turns)]), (across.size, 1))
    middle = np.repeat(np.column_stack([across.ravel(), upward.ravel()]), directions, axis=0)
    room = _room(box, middle, -way), _room(box, middle, way)
    step = rule / _PARTS
    pairs = arms or [(near * step, far * step) for near in range(1, _PARTS) for far in range(1, _PARTS - near + 1)]
    found: list[tuple[Array, Array, Array]] = []
    for near, far in pairs:
        reach = np.minimum(near, room[0]), np.minimum(far, room[1])
        fits = (reach[0] > 1e-6) & (reach[1] > 1e-6)
        # an edge reached already with a shorter arm brings nothing new
        fits &= (near - room[0] < (1e-9 if arms else step)) & (far - room[1] < (1e-9 if arms else step))
        left, right = middle - reach[0][:, None] * way, middle + reach[1][:, None] * way
        found.append((left[fits], middle[fits], right[fits]))
    left, at, right = (np.concatenate(column) for column in zip(*found, strict=True))
    return left, at, right


def _room(box: Array, at: Array, way: Array) -> Array:
    """How far (m,) it is from places ``at`` (m, 2) along ``way`` (m, 2) to the edge of the box."""
    with np.errstate(divide="ignore", invalid="ignore"):
        to_edge = np.where(way > 0, box[2:] - at, box[:2] - at) / way
    reach: Array = np.where(np.abs(way) < 1e-12, np.inf, to_edge).min(axis=1)
    return np.maximum(reach, 0.0)
