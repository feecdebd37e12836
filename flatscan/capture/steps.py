"""The file's own rounding: how coarse the numbers along each axis are."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array

_LOOK_AT = 100_000
# a step above this is worth a sentence whatever the limit turns out to be: a fifth of the tightest usual limit, 5 mm
WORTH_SAYING = 1e-3


def axis_step(values: Array) -> float:
    """Step of the numbers ``values`` (n,) along one axis, 0 where they show none.

    A lattice is recognised when every distance between neighbours is a whole multiple of the least one; steps of
    changing size (a depth camera's) when few values are shared by many points: then the step the middle point sees.
    """
    level, count = np.unique(values[:_LOOK_AT], return_counts=True)
    if len(level) < 2:
        return 0.0
    gap = np.diff(level)
    # numbers that went through a unit or a float differ in their last digits though they mean one value
    noise = 4 * np.spacing(np.abs(level).max())
    gap = gap[gap > noise]
    if not len(gap):
        return 0.0
    least = float(gap.min())
    ratio = gap / least
    lattice = bool(np.all(np.abs(ratio - np.round(ratio)) < 0.02)) and len(gap) > 5
    shared = len(level) * 10 < min(len(values), _LOOK_AT)
    if shared:
        beside = np.minimum(np.append(np.diff(level), np.inf), np.append(np.inf, np.diff(level)))
        order = np.argsort(beside)
        middle = np.searchsorted(np.cumsum(count[order]), count.sum() / 2)
        return max(least if lattice else 0.0, float(beside[order][middle]))
    return least if lattice else 0.0


def file_step(sample: Array, stored: Array | None) -> Array:
    """Step (3,) along each axis in file units: the coarser of what the numbers show and what the format stores."""
    seen = np.array([axis_step(sample[:, axis]) for axis in range(3)])
    return seen if stored is None else np.maximum(seen, stored)
