"""The later survey on the places of the earlier one: nothing is filled, a place without both stays missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.compare.alignment import Alignment
from flatscan.core.errors import MixedSurveys
from flatscan.core.geometry import Array
from flatscan.core.model import Relief

_LEAST_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class Both:
    """Two surveys at the same places: ``base`` is the relief whose places these are, all arrays are of its shape.

    ``first`` and ``second`` are offsets in earlier wall coordinates [m], ``u_first`` and ``u_second`` their random u.
    """

    base: Relief
    first: Array
    second: Array
    u_first: Array
    u_second: Array

    @property
    def change(self) -> Array:
        """Later less earlier, + toward the room [m]."""
        return self.second - self.first

    @property
    def share(self) -> float:
        """Part of the base's net area where both were measured."""
        here = np.isfinite(self.change) & self.base.inside
        return float(self.base.area[here].sum()) / max(self.base.net_area, 1e-12)


def together(earlier: Relief, later: Relief, alignment: Alignment) -> Both:
    """Both reliefs at the earlier one's places, or at the later's where only that one is of stations.

    Cells are read by bilinear interpolation between the measured ones of the four around, stations where one stands
    within 50 mm. Raises `MixedSurveys` where under 5 % of the area is in both.
    """
    if earlier.known_between and not later.known_between:
        back = _inverse(alignment)
        flipped = earlier.laid_on(later, back.turn, back.shift)
        # seen from the later survey's axes: the change is the same, the turn between the axes was taken out
        both = Both(later, flipped[0], later.offset, flipped[1], later.u)
    else:
        values, u = later.laid_on(earlier, alignment.turn, alignment.shift)
        both = Both(earlier, earlier.offset, values, earlier.u, u)
    if both.share < _LEAST_SHARE:
        raise MixedSurveys(
            "the two surveys", f"{both.share:.1%} of the wall was measured in both",
            needed=f"at least {_LEAST_SHARE:.0%} in common", remedy="Survey the same part of the wall",
        )  # fmt: skip
    return both


def _inverse(alignment: Alignment) -> Alignment:
    back = alignment.turn.T
    return Alignment(back, -back @ alignment.shift, alignment.how, alignment.u_place)
