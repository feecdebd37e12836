"""How far one surface's unevenness follows another's: a share of its variance, never a cause."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.compare.places import Both
from flatscan.core.geometry import Array, Mask, fit_plane


@dataclass(frozen=True, slots=True)
class Following:
    """``share`` of the later surface's variance off its plane that a straight line on the earlier's explains (r^2).

    ``slope`` is how many millimetres the later stands out for one of the earlier, ``correlation`` r. The noise of the
    readings is taken off both variances first. None where a surface is flat within its noise.
    """

    share: float | None
    slope: float | None
    correlation: float | None


def following(both: Both) -> Following:
    """Share of the later surface's deviations that follow the earlier's, at the places measured in both."""
    keep = np.isfinite(both.change) & both.base.inside
    area = both.base.area[keep]
    off = [_off_plane(both, values, keep) for values in (both.first, both.second)]
    noise = [float(np.average(u[keep] ** 2, weights=area)) for u in (both.u_first, both.u_second)]
    variances = [float(np.average(z**2, weights=area)) - n for z, n in zip(off, noise, strict=True)]
    if min(v - n for v, n in zip(variances, noise, strict=True)) <= 0 or min(variances) < 1e-12:
        return Following(None, None, None)
    shared = float(np.average(off[0] * off[1], weights=area))
    r = float(np.clip(shared / np.sqrt(variances[0] * variances[1]), -1.0, 1.0))
    return Following(r**2, shared / variances[0], r)


def _off_plane(both: Both, values: Array, keep: Mask) -> Array:
    across, upward = both.base.places
    x, y, z = across[keep], upward[keep], values[keep]
    try:
        plane, _ = fit_plane(x, y, z, both.base.area[keep])
    except np.linalg.LinAlgError:
        return z - float(np.average(z, weights=both.base.area[keep]))
    return z - (plane[0] + plane[1] * x + plane[2] * y)
