"""The part of the error that a whole capture shares."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.notes import Note

_MOST_TRIPLES = 200_000


def by_triples(
    u_gaps: Callable[[Array, Array, Array], Array], left: Array, at: Array, right: Array, most: int = _MOST_TRIPLES
) -> Array:
    """``u_gaps`` (m,) of contacts and places (m, 2) for any shape (..., 2) of them, ``most`` at a time."""
    left, at, right = np.broadcast_arrays(*(np.asarray(place, float) for place in (left, at, right)))
    flat = [place.reshape(-1, 2) for place in (left, at, right)]
    u = np.empty(len(flat[0]))
    for start in range(0, len(u), most):
        some = slice(start, start + most)
        u[some] = u_gaps(*(place[some] for place in flat))
    return u.reshape(left.shape[:-1])


@dataclass(frozen=True, slots=True)
class CommonError:
    """The part of the error that neighbouring points share and averaging does not remove.

    Its semivariogram is gamma(r) = sd^2 (1 - exp(-r^2 / 2 length^2)), a Gaussian warp (methods/uncertainty 6); a tilt
    of the whole capture has no effect on a gap and is not in it. ``u_offset`` [m] is the uncertainty of the wall's mean
    position (it moves volumes), ``scale`` the relative uncertainty of lengths, ``source`` how all this is known.
    """

    # whether its form was told by readings, and is not that of a kind of capture
    tied: ClassVar[bool] = False

    sd: float
    length: float = 1.0
    u_offset: float = 0.0
    scale: float = 0.0
    source: Note | str = "capture type"

    def gamma(self, distance: Array) -> Array:
        """Semivariogram [m2] at so many metres."""
        return self.sd**2 * self.unlike(distance)

    def unlike(self, distance: Array) -> Array:
        """1 less the correlation of the errors of two places so many metres apart."""
        return -np.expm1(-(np.asarray(distance, float) ** 2) / (2 * self.length**2))

    def u_gap(self, left: Array, right: Array) -> Array:
        """Standard uncertainty it puts on the gap at ``left`` and ``right`` metres from the two contacts.

        2 [l gamma(ac) + (1 - l) gamma(cb) - l (1 - l) gamma(ab)] with l = right / (left + right)
        (methods/uncertainty 6).
        """
        left, right = np.asarray(left, float), np.asarray(right, float)
        span = np.maximum(left + right, 1e-12)
        weight = right / span
        variance = weight * self.gamma(left) + (1 - weight) * self.gamma(right)
        variance = variance - weight * (1 - weight) * self.gamma(span)
        return np.sqrt(np.clip(2 * variance, 0.0, None))

    def at_least(self, other: CommonError) -> CommonError:
        """The same with sizes no smaller than another's of the same length, whose word it then has."""
        if other.sd <= self.sd:
            return replace(self, u_offset=max(self.u_offset, other.u_offset), scale=max(self.scale, other.scale))
        offset, scale = max(self.u_offset, other.u_offset), max(self.scale, other.scale)
        return replace(self, sd=other.sd, u_offset=offset, scale=scale, source=other.source)

    @property
    def stationary(self) -> bool:
        """Whether the error is alike everywhere; False where readings hold it down in some places more than others."""
        return True

    def covariance(self, a: Array, b: Array) -> Array:
        """Covariance [m2] (m, n) of the errors at places ``a`` (m, 2) and ``b`` (n, 2)."""
        (ax, ay), (bx, by) = np.asarray(a, float).T, np.asarray(b, float).T
        apart = np.hypot(np.subtract.outer(ax, bx), np.subtract.outer(ay, by))
        together: Array = self.sd**2 * (1 - self.unlike(apart))
        return together

    def u_gap_at(self, left: Array, at: Array, right: Array) -> Array:
        """Standard uncertainty (...) it puts on the gaps at places ``at`` between contacts ``left`` and ``right``.

        Each (..., 2) [m], the place on the line between its contacts.
        """
        near, far = np.asarray(at, float) - left, np.asarray(right, float) - at
        return self.u_gap(np.hypot(near[..., 0], near[..., 1]), np.hypot(far[..., 0], far[..., 1]))

    def largest_u_gap(self, x: Array, y: Array, rule: float) -> Array:
        """Largest `u_gap` (rows, cols) of any gap at each cell ``x`` (cols,), ``y`` (rows,), contacts within ``rule``.

        Lengths in metres.
        """
        part = np.linspace(0.0, rule, 61)
        left, right = np.meshgrid(part, part)
        largest = float(self.u_gap(left, right)[left + right <= rule * (1 + 1e-9)].max())
        return np.full((len(y), len(x)), largest)
