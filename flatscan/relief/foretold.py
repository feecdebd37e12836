"""What each reading should be by its neighbours: left-one-out prediction of a wall's form with an honest deviation.

The wall is a plane plus a Gaussian process with Matern's covariance 3/2 plus what is each reading's own (Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, 4.2 and 5.4.2: left-one-out values out of one inverse). How far
it keeps together and how rough it is are those that foretell the readings best; a few wild readings must not choose
them, so the readings are scored by Student's t with 4 degrees of freedom, and the scale is a median.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
_AT_ONCE = 240


@dataclass(frozen=True, eq=False)
class Foretold:
    """What the others foretell for each reading (n,) and its standard deviation ``sd`` (n,), both in m."""

    value: Array
    sd: Array


def foretold(x: Array, y: Array, offset: Array, out: Mask, u: float) -> Foretold:
    """Each reading as the others foretell it; readings ``out`` (n,) foretell nothing, and are foretold all the same.

    ``u`` [m] is the standard uncertainty of a reading. Many stations are taken in parts along the wall.
    """
    count = len(x)
    if count <= _AT_ONCE:
        return _foretold(x, y, offset, out, u)
    value, sd, order = np.empty(count), np.empty(count), np.argsort(x, kind="stable")
    parts = -(-count // (_AT_ONCE // 2))
    for chunk in np.array_split(np.arange(count), parts):
        low, high = max(0, chunk[0] - _AT_ONCE // 4), min(count, chunk[-1] + 1 + _AT_ONCE // 4)
        part = order[low:high]
        found = _foretold(x[part], y[part], offset[part], out[part], u)
        own = order[chunk]
        value[own], sd[own] = found.value[chunk - low], found.sd[chunk - low]
    return Foretold(value, sd)


def _foretold(x: Array, y: Array, offset: Array, out: Mask, u: float) -> Foretold:
    places = np.stack([x, y], axis=1)
    apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    pitch = float(np.median(np.where(apart > 1e-6, apart, np.inf).min(axis=1)))
    pitch = pitch if np.isfinite(pitch) else 1.0
    size = max(float(np.ptp(x)), float(np.ptp(y)), pitch)
    plane = np.stack([np.ones_like(x), (x - x.mean()) / size, (y - y.mean()) / size], axis=1)
    free = _FREE * plane @ plane.T
    middle = offset - np.median(offset[~out])
    best: tuple[float, Array, Array] | None = None
    for length in _LENGTHS:
        arm = np.sqrt(3.0) * apart / (length * pitch)
        form = (1 + arm) * np.exp(-arm)
        for own in _OWN:
            off, spread = _left_out((1 - own) * form + free, own, middle, out)
            ratio = off[~out] / np.sqrt(spread[~out])
            scale = max(_NORMAL * float(np.median(np.abs(ratio))), 1e-6)
            score = _score(ratio / scale) - (~out).sum() * np.log(scale) - 0.5 * float(np.log(spread[~out]).sum())
            if best is None or score > best[0]:
                best = score, off, scale * np.sqrt(spread)
    assert best is not None
    _, off, sd = best
    return Foretold(offset - off, np.maximum(sd, np.hypot(u, _LEAST)))


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
