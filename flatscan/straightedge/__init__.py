"""Straightedges laid on a relief at every position and in every direction."""
