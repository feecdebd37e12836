"""What each reading should be by its neighbours: left-one-out prediction of a wall's form with an honest deviation.

The wall is a plane plus a Gaussian process with Matern's covariance 3/2 plus what is each reading's own (Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, 4.2 and 5.4.2: left-one-out values out of one inverse). How far
it keeps together and how rough it is are those that foretell the readings best; a few wild readings must not choose
them, so the readings are scored by Student's t with 4 degrees of freedom, and the scale is a median.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array, Mask

# lengths over which the form keeps together, in median distances to the nearest station, and the share of a
# reading's own variance in the whole [setting]
_LENGTHS = (1.0, 2.0, 4.0, 8.0)
_OWN = (0.02, 0.1, 0.3, 0.7)
_DEGREES = 4.0
# the plane is as good as free: its variance over that of the form
_FREE = 1e4
# what 1.4826 median makes of a normal deviation; and the least deviation a wall's readings are foretold to [m]
_NORMAL, _LEAST = 1.4826, 0.0010
# stations looked at together, and how many of them are foretold: a quarter more on either side foretells them
AT_ONCE, ONE_STRETCH = 240, 120


@dataclass(frozen=True, eq=False)
class Foretold:
    """What the others foretell for each reading (n,) and its standard deviation ``sd`` (n,), both in m."""

    value: Array
    sd: Array


def foretold(x: Array, y: Array, offset: Array, out: Mask, u: float) -> Foretold:
    """Each reading as the others foretell it; readings ``out`` (n,) foretell nothing, and are foretold all the same.

    ``u`` [m] is the standard uncertainty of a reading. Many stations are taken in parts along the wall.
    """
    parts = _parts(x)
    some = [parts[k].shown(x, y, offset, out) for k in sorted({0, len(parts) // 2, len(parts) - 1})]
    # of many parts three choose for all: what a wall is made of does not change along it
    form = max(itertools.product(_LENGTHS, _OWN), key=lambda one: sum(part.scored(*one) for part in some))
    off, spread = np.empty(len(x)), np.empty(len(x))
    for part in parts:
        found = part.shown(x, y, offset, out).left_out(*form)
        own = part.order[part.own]
        off[own], spread[own] = (one[part.own] for one in found)
    sd = _scale(off[~out], spread[~out]) * np.sqrt(spread)
    return Foretold(offset - off, np.maximum(sd, np.hypot(u, _LEAST)))


@dataclass(frozen=True, eq=False)
class _Part:
    """Stations ``order`` (n,) that are looked at together, and the stretch ``own`` of them that this part foretells."""

    order: NDArray[np.int64]
    own: slice

    def shown(self, x: Array, y: Array, offset: Array, out: Mask) -> _Near:
        """These stations, ready to be foretold by any form."""
        return _Near.of(x[self.order], y[self.order], offset[self.order], out[self.order])


def _parts(x: Array) -> list[_Part]:
    """All stations in one, or where they are many as stretches along the wall with neighbours on both sides."""
    count, order = len(x), np.argsort(x, kind="stable")
    if count <= AT_ONCE:
        return [_Part(np.arange(count), slice(0, count))]
    parts = []
    for chunk in np.array_split(np.arange(count), -(-count // ONE_STRETCH)):
        low, high = max(0, chunk[0] - ONE_STRETCH // 2), min(count, chunk[-1] + 1 + ONE_STRETCH // 2)
        parts.append(_Part(order[low:high], slice(int(chunk[0] - low), int(chunk[-1] + 1 - low))))
    return parts


@dataclass(frozen=True, eq=False)
class _Near:
    """Distances (n, n) in the usual one to the nearest, covariance of a free plane, offsets about their middle."""

    apart: Array
    free: Array
    middle: Array
    out: Mask

    @classmethod
    def of(cls, x: Array, y: Array, offset: Array, out: Mask) -> _Near:
        """The same of stations at ``x``, ``y`` (n,) [m]."""
        places = np.stack([x, y], axis=1)
        apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
        pitch = float(np.median(np.where(apart > 1e-6, apart, np.inf).min(axis=1)))
        pitch = pitch if np.isfinite(pitch) else 1.0
        size = max(float(np.ptp(x)), float(np.ptp(y)), pitch)
        plane = np.stack([np.ones_like(x), (x - x.mean()) / size, (y - y.mean()) / size], axis=1)
        return cls(apart / pitch, _FREE * plane @ plane.T, offset - np.median(offset[~out]), out)

    def left_out(self, length: float, own: float) -> tuple[Array, Array]:
        """What is left of each (n,) and its variance, by a form of that length whose readings have ``own``."""
        arm = np.sqrt(3.0) * self.apart / length
        return _left_out((1 - own) * (1 + arm) * np.exp(-arm) + self.free, own, self.middle, self.out)

    def scored(self, length: float, own: float) -> float:
        """How well such a form foretells these readings; wild ones count little."""
        off, spread = (one[~self.out] for one in self.left_out(length, own))
        scale = _scale(off, spread)
        score = _score(off / np.sqrt(spread) / scale)
        return score - len(off) * float(np.log(scale)) - 0.5 * float(np.log(spread).sum())


def _scale(off: Array, spread: Array) -> float:
    return max(_NORMAL * float(np.median(np.abs(off / np.sqrt(spread)))), 1e-6)


def _left_out(shared: Array, own: float, z: Array, out: Mask) -> tuple[Array, Array]:
    """What is left of each (n,) when the others that count foretell it, and its variance."""
    keep = ~out
    whole = shared[np.ix_(keep, keep)] + own * np.eye(int(keep.sum()))
    inverse = np.linalg.inv(whole)
    known = inverse @ z[keep]
    off, spread = np.empty(len(z)), np.empty(len(z))
    spread[keep] = 1 / np.diag(inverse)
    off[keep] = known * spread[keep]
    if out.any():
        cross = shared[np.ix_(out, keep)]
        off[out] = z[out] - cross @ known
        spread[out] = np.diag(shared)[out] + own - np.einsum("ij,jk,ik->i", cross, inverse, cross)
    return off, np.maximum(spread, own)


def _score(ratio: Array) -> float:
    """Log-likelihood of scaled values under Student's t, but for a constant."""
    return float(-(_DEGREES + 1) / 2 * np.log1p(ratio**2 / _DEGREES).sum())
