"""A number with its standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value and its standard uncertainty (k = 1), in one unit; ``u`` is None where it cannot be known.

    Independent quantities combine by the law of propagation (JCGM 100:2008, 5.1.2).
    """

    value: float
    u: float | None

    def __add__(self, other: Quantity) -> Quantity:
        return Quantity(self.value + other.value, root_sum_square(self.u, other.u))

    def __sub__(self, other: Quantity) -> Quantity:
        return Quantity(self.value - other.value, root_sum_square(self.u, other.u))

    def scaled(self, factor: float) -> Quantity:
        """Multiplied by an exact number."""
        return Quantity(self.value * factor, None if self.u is None else abs(factor) * self.u)

    def upper(self, k: float = 1.645) -> float | None:
        """One-sided upper bound; k = 1.645 leaves 5 % above it for a normal error."""
        return None if self.u is None else self.value + k * self.u

    def text(self, *, k: float = 2.0) -> str:
        """Value ± expanded uncertainty, rounded so that the uncertainty keeps two digits (JCGM 100:2008, 7.2.6)."""
        if self.u is None:
            return f"{self.value:g} (± not known)"
        wide = k * self.u
        decimals = max(0, 1 - math.floor(math.log10(wide))) if wide > 0 else 3
        return f"{self.value:.{decimals}f} ± {wide:.{decimals}f}"


def root_sum_square(*parts: float | None) -> float | None:
    """Combined standard uncertainty of independent parts; None as soon as one of them is unknown."""
    known = [part for part in parts if part is not None]
    return math.hypot(*known) if len(known) == len(parts) else None
