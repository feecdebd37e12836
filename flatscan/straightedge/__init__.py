"""Straightedges laid on a relief at every position and in every direction."""

from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.straightedge.hand import HandCheck, HandReadings, compare_hand, read_hand
from flatscan.straightedge.lengths import Stair, sweep_stairs
from flatscan.straightedge.profile import deepest_gaps
from flatscan.straightedge.steps import Lip, lips
from flatscan.straightedge.sweeping import sweep
from flatscan.straightedge.uncertainty import expected_u

__all__ = [
    "Gap",
    "Gaps",
    "HandCheck",
    "HandReadings",
    "Lip",
    "Stair",
    "compare_hand",
    "deepest_gaps",
    "expected_u",
    "lips",
    "read_hand",
    "sweep",
    "sweep_stairs",
]
