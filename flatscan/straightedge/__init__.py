"""Straightedges laid on a relief at every position and in every direction."""

from flatscan.straightedge.balanced import balanced_gaps, gaps_beside
from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.straightedge.hand_gaps import HandCheck, HandReadings, compare_hand, read_hand
from flatscan.straightedge.lips import Lip, lips
from flatscan.straightedge.profiles import deepest_gaps
from flatscan.straightedge.sweeping import Stair, Sweeps, sweep, sweep_stairs
from flatscan.straightedge.uncertainty import expected_u

__all__ = [
    "Gap",
    "Gaps",
    "HandCheck",
    "HandReadings",
    "Lip",
    "Stair",
    "Sweeps",
    "balanced_gaps",
    "compare_hand",
    "deepest_gaps",
    "expected_u",
    "gaps_beside",
    "lips",
    "read_hand",
    "sweep",
    "sweep_stairs",
]
