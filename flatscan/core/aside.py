"""What of a wall was measured and yet set aside by hand."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Aside:
    """Measured wall in an opening that somebody drew: the opening's lower left and size [m], the wall's area [m2]."""

    left: float
    bottom: float
    width: float
    height: float
    area: float
