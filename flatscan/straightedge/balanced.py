"""What other methods find beside the one that is judged: the same values with the same intervals, whoever asks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from flatscan.core.choices import METHODS
from flatscan.straightedge.gaps import Gaps
from flatscan.straightedge.sweeping import Sweeps

RESTING, BALANCED = METHODS[0], METHODS[2]


def gaps_beside(sweeps: Sweeps, rule: float, method: str = RESTING, directions: Sequence[float] | None = None) -> Gaps:
    """The gaps of a straightedge ``rule`` [m] long by ``method``, with resting and balanced gap beside each other.

    Either has what noise adds to a largest value taken out, and its interval, as if it was judged itself.
    """
    found = sweeps.of(rule, method, directions)
    resting, balanced = (found if one == method else sweeps.of(rule, one, directions) for one in (RESTING, BALANCED))
    ends = {RESTING: resting.ends, BALANCED: balanced.ends}
    return replace(found, worst=resting.worst, balanced=balanced.balanced, beside=ends)


def balanced_gaps(sweeps: Sweeps, rule: float, directions: Sequence[float] | None = None) -> Gaps:
    """The gaps of a straightedge ``rule`` [m] long judged by the balanced end gap.

    On a wall with no room for the whole straightedge the longest that the wall holds is balanced instead.
    """
    found = sweeps.of(rule, BALANCED, directions)
    longest = float(max(np.ptp(sweeps.relief.x), np.ptp(sweeps.relief.y)))
    room = sweeps.relief.known_between and 2 * sweeps.relief.step <= longest < rule
    return sweeps.of(longest, BALANCED, directions) if room and found.balanced is None else found
