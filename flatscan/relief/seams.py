"""The common error of a wall put together from several captures: what one capture has, and where they do not meet.

See methods/uncertainty 14.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array
from flatscan.core.warp import CommonError, by_triples
from flatscan.relief.everywhere import gaps_in_box, largest_at_cells

# slopes of gaps between those looked at (arms a tenth of the rule apart) take at most so much more
_BETWEEN = 1.1


@dataclass(frozen=True, slots=True, eq=False)
class SeamError(CommonError):
    """A warp as one capture has it, and an offset and slopes of each capture that change from one to another.

    ``weights`` (captures, rows, cols) say what share each capture has in a place's mean, on square places of size
    ``step`` [m] whose first middle is at ``start`` (2,). ``offsets`` (captures,) [m] and ``slopes`` (captures, 2)
    [m per m] along and up are standard deviations, the slopes about ``middles`` (captures, 2). ``box`` (4,) is the
    wall's left, bottom, right and top [m].

    A gap l z(a) + (1 - l) z(b) - z(c) takes f_i = l w_i(a) + (1 - l) w_i(b) - w_i(c) of capture i's offset, and so
    much of its slopes' arms: nothing where one capture covers all three places, all of it where a contact lies close
    to its place and beyond a seam.
    """

    weights: Array = field(default_factory=lambda: np.ones((1, 1, 1)))
    start: Array = field(default_factory=lambda: np.zeros(2))
    step: float = 1.0
    offsets: Array = field(default_factory=lambda: np.zeros(1))
    slopes: Array = field(default_factory=lambda: np.zeros((1, 2)))
    middles: Array = field(default_factory=lambda: np.zeros((1, 2)))
    box: Array = field(default_factory=lambda: np.zeros(4))

    @property
    def stationary(self) -> bool:
        """False: only gaps across a seam take part in how the captures differ."""
        return False

    def parts(self, at: Array) -> Array:
        """What each capture's offset and slopes do at places ``at`` (m, 2): (captures, 3, m), standard deviations."""
        at = np.asarray(at, float).reshape(-1, 2)
        rows, cols = self.weights.shape[1:]
        col, row = np.round((at - self.start) / self.step).astype(np.int64).T
        shares = self.weights[:, np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)]
        arms = at[None] - self.middles[:, None]
        tilts = self.slopes[:, :, None] * arms.swapaxes(1, 2)
        return (
            np.concatenate([self.offsets[:, None, None] * np.ones_like(tilts[:, :1]), tilts], axis=1) * shares[:, None]
        )

    def covariance(self, a: Array, b: Array) -> Array:
        """Covariance [m2] (m, n) of the errors at places ``a`` (m, 2) and ``b`` (n, 2) [m]."""
        one, two = self.parts(a), self.parts(b)
        together: Array = CommonError.covariance(self, a, b) + np.einsum("ikm,ikn->mn", one, two)
        return together

    def u_gap_at(self, left: Array, at: Array, right: Array) -> Array:
        """Standard uncertainty (...) [m] of gaps at ``at`` between contacts ``left`` and ``right``, each (..., 2)."""
        return by_triples(self._u_gaps, left, at, right)

    def _u_gaps(self, left: Array, at: Array, right: Array) -> Array:
        near, far = (np.hypot(*(one - other).T) for one, other in ((at, left), (right, at)))
        share = far / np.maximum(near + far, 1e-12)
        gap = share * self.parts(left) + (1 - share) * self.parts(right) - self.parts(at)
        u: Array = np.sqrt(CommonError.u_gap(self, near, far) ** 2 + (gap**2).sum(axis=(0, 1)))
        return u

    def u_gap(self, left: Array, right: Array) -> Array:
        """Largest standard uncertainty anywhere on the wall of a gap so many metres from its contacts."""
        left, right = np.broadcast_arrays(np.asarray(left, float), np.asarray(right, float))
        u = np.zeros(left.shape)
        for index in np.ndindex(left.shape):
            near, far = float(left[index]), float(right[index])
            triples = gaps_in_box(self.box, near + far, arms=((near, far),))
            here = self.u_gap_at(*triples).max(initial=0.0)
            u[index] = max(here, float(CommonError.u_gap(self, np.array(near), np.array(far))))
        return u

    def largest_u_gap(self, x: Array, y: Array, rule: float) -> Array:
        """Largest standard uncertainty (rows, cols) of any gap at each cell, contacts at most ``rule`` apart [m]."""
        parts = np.linspace(0.0, rule, 61)
        near, far = np.meshgrid(parts, parts)
        warp = float(CommonError.u_gap(self, near, far)[near + far <= rule * (1 + 1e-9)].max())
        # a weight jumps from cell to cell, so what is between the gaps looked at is bounded, not looked for
        tilted = replace(self, sd=0.0, offsets=np.zeros_like(self.offsets))
        slopes = _BETWEEN * largest_at_cells(tilted, x, y, rule) if self.slopes.any() else 0.0
        largest: Array = np.sqrt(warp**2 + self._most_of_offsets(x, y, rule) ** 2 + slopes**2)
        return largest

    def _most_of_offsets(self, x: Array, y: Array, rule: float) -> Array:
        """No gap at a cell (rows, cols) takes more of the offsets [m]: so weights differ within ``rule`` of it."""
        reach = 2 * int(np.ceil(rule / self.step)) + 1
        total: Array = np.zeros(self.weights.shape[1:])
        for share, offset in zip(self.weights, self.offsets, strict=True):
            high = ndimage.maximum_filter(share, reach, mode="nearest")
            low = ndimage.minimum_filter(share, reach, mode="nearest")
            total += (offset * np.maximum(high - share, share - low)) ** 2
        rows, cols = int(total.shape[0]), int(total.shape[1])
        col = np.clip(np.round((x - self.start[0]) / self.step).astype(int), 0, cols - 1)
        row = np.clip(np.round((y - self.start[1]) / self.step).astype(int), 0, rows - 1)
        most: Array = np.sqrt(total[np.ix_(row, col)])
        return most
