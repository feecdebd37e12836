"""One profile by itself: the gaps that every placement of a straightedge along it finds."""

from __future__ import annotations

import math

import numpy as np

from flatscan.core.cells import samples_within
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.straightedge.lines import BRIDGE


def deepest_gaps(profile: Array, step: float, rule: float) -> Array:
    """Deepest gap (n,) [m] at each sample of a profile (n,) [m, + toward the room], samples ``step`` metres apart.

    NaN is not measured: up to 100 mm of it are reached over, more ends a run. A rule longer than a run is shortened to
    it. A rule that does not reach over three samples raises `BadValue`.
    """
    from flatscan.straightedge import kernel

    if not (math.isfinite(rule) and math.isfinite(step) and step > 0 and rule >= 2 * step - 1e-9):
        raise BadValue(
            "rule",
            f"{rule * 1000:g} mm on samples {step * 1000:g} mm apart",
            needed="a straightedge that reaches over at least three samples",
            remedy="Use a longer rule",
        )
    # a copy: the kernel is compiled for arrays that may be written to
    z = np.array(profile, dtype=float)
    state = np.where(np.isfinite(z), kernel.MEASURED, kernel.MISSING).astype(np.int8)
    bridge, w = samples_within(BRIDGE, step) - 1, samples_within(rule, step)
    deepest = np.full(z.size, np.nan)
    scratch, found = np.empty((4, z.size + 2), np.int64), np.full(4, -np.inf)
    first, stop = kernel.next_run(state, 0, bridge)
    while first < z.size:
        run = z[first:stop]
        if run.size >= 3:
            deep = run - run
            kernel.run_windows(run, run, min(w, run.size), True, False, deep, scratch, found)
            deepest[first:stop] = deep
        first, stop = kernel.next_run(state, stop, bridge)
    return deepest
