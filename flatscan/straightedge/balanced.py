"""The balanced end gap beside a resting sweep, with its bounds: told from the same pass over the wall."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from flatscan.core.choices import METHODS
from flatscan.straightedge.bounds import interval, taken_off
from flatscan.straightedge.gaps import Gap, Gaps, Laying, directions_of
from flatscan.straightedge.largest import Reach
from flatscan.straightedge.sweeping import Sweeps, best_lines, end_places
from flatscan.straightedge.uncertainty import variance_bound

BALANCED = METHODS[2]


def balanced_gaps(sweeps: Sweeps, rule: float, limit: float, directions: Sequence[float] | None = None) -> Gaps:
    """The gaps of a straightedge ``rule`` [m] long judged by the balanced end gap, from the pass of the resting one.

    Bounds are as close as a ``limit`` [m] asks: where even the widest upper bound keeps it, no closer one is looked
    for, and where the gap itself does, ``lower`` is None. On a wall with no room for the whole straightedge the
    longest that the wall holds is balanced instead.
    """
    gaps = sweeps.of(rule, directions=directions)
    once = sweeps.kept.get((rule, directions_of(directions)))
    if once is None or gaps.balanced is None:
        longest = float(max(np.ptp(sweeps.relief.x), np.ptp(sweeps.relief.y)))
        room = once is not None and 2 * sweeps.relief.step <= longest < rule
        return sweeps.of(longest if room else rule, BALANCED, directions)
    work, found, largest = replace(once[0], method=BALANCED), once[1], gaps.balanced
    places, widest = end_places(work, found.ends, ()), widest_bound(work, largest)
    if widest is not None and widest <= limit:
        return replace(gaps, method=BALANCED, upper=widest, lower=None, worst_places=places, gap=largest.value)
    reach = Reach(work, 0.0, largest, *best_lines(work, found), places)
    told = interval(reach, found.deepest, bounded=largest.value > limit)
    # the gap is the one said beside every resting gap, as it was found; what noise added to it is in the bounds alone
    high = None if told.high is None else max(told.high, largest.value)
    return replace(gaps, method=BALANCED, upper=high, lower=told.low, worst_places=places, gap=largest.value)


def widest_bound(work: Laying, largest: Gap) -> float | None:
    """An upper bound [m] without another pass: the largest end gap and k times the largest u that any gap can have.

    No triple's gap + k u is over the largest gap + k times the largest u [derived]; what cells take off is added as in
    `bounds.interval`. None where u is not known.
    """
    relief, valid = work.relief, work.relief.valid
    if not np.isfinite(relief.u[valid]).all():
        return None
    least = float(relief.u[valid].min())
    factor, _, extra = variance_bound(relief.common, relief.window, work.grid.w, relief.x, relief.y, least)
    # u^2 is at most b (l u_a^2 + (1 - l) u_b^2 + u_c^2) + d
    most = 2 * factor * float(relief.u[valid].max()) ** 2 + float(np.nanmax(extra))
    return largest.value + taken_off(relief, largest.value) + work.k * math.sqrt(most)
