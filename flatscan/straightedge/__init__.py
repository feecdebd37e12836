"""Straightedges laid on a relief at every position and in every direction."""

from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.straightedge.sweeping import sweep
from flatscan.straightedge.uncertainty import expected_u

__all__ = ["Gap", "Gaps", "expected_u", "sweep"]
