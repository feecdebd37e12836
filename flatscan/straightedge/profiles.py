"""Gaps along one profile."""

from __future__ import annotations

import math

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, samples_within
from flatscan.core.quantity import metres
from flatscan.straightedge.gaps import BRIDGE


def deepest_gaps(profile: Array, step: float, rule: float) -> Array:
    """Deepest gap (n,) [m] at each sample of a profile (n,) [m, + toward the room], samples ``step`` metres apart.

    NaN is not measured: up to 100 mm of it are reached over, more ends a run. A rule longer than a run is shortened to
    it. A rule that does not reach over three samples raises `BadValue`.
    """
    from flatscan.straightedge import hulls_kernel as kernel
    from flatscan.straightedge.runs_kernel import MEASURED, MISSING, next_run

    if not (math.isfinite(rule) and math.isfinite(step) and step > 0 and rule >= 2 * step - 1e-9):
        raise BadValue(
            "{set:rule}",
            "{rule:length.g} on samples {step:length.g} apart",
            needed="a straightedge that reaches over at least three samples",
            remedy="Use a longer rule",
            rule=metres(rule),
            step=metres(step),
        )
    # a copy: the kernel is compiled for arrays that may be written to
    z = np.array(profile, dtype=float)
    state = np.where(np.isfinite(z), MEASURED, MISSING).astype(np.int8)
    bridge, w = samples_within(BRIDGE, step) - 1, samples_within(rule, step)
    deepest = np.full(z.size, np.nan)
    scratch, found = np.empty((4, z.size + 2), np.int64), np.full(4, -np.inf)
    first, stop = next_run(state, 0, bridge)
    while first < z.size:
        run = z[first:stop]
        if run.size >= 3:
            deep = run - run
            kernel.run_windows(run, run, min(w, run.size), True, False, deep, scratch, found)
            deepest[first:stop] = deep
        first, stop = next_run(state, stop, bridge)
    return deepest
