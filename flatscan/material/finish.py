"""The plane the plasterer works to, and how much stands between it and the wall."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.geometry import Array
from flatscan.quantity import Quantity


@dataclass(frozen=True, slots=True)
class FinishPlane:
    """z = offset + turn x + lean y in wall coordinates [m]; ``rule`` says how it was placed.

    ``at_left_foot`` is measured from the vertical plane through the wall fit's foot, or from the laser plane.
    """

    offset: float
    turn: float
    lean: float
    at_left_foot: float
    rule: str


@dataclass(frozen=True, eq=False)
class BuildUp:
    """Thickness (rows, cols) [m] from wall to finish plane along its normal, and its totals [m, m3]."""

    plane: FinishPlane
    thickness: Array
    least: float
    mean: float
    most: float
    volume: Quantity
