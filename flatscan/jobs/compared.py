"""Parts of what a comparison finds: whether two surveys agree, and what lies beyond an allowance."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.compare import Place
from flatscan.core.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether two surveys of one surface agree within their joint ±.

    ``differ`` are the parts where they do not, at a factor on u that leaves 5 % for the whole wall; ``factor`` is it.
    ``lean`` [m per m] is the later survey's lean less the earlier's. ``correlation`` is that of the two shapes.
    """

    agree: bool
    differ: tuple[Place, ...]
    share: float
    factor: float
    lean: Quantity
    lean_agrees: bool | None
    correlation: float | None


@dataclass(frozen=True, slots=True)
class Extra:
    """Quantity beyond the thickness allowed: ``volume`` [m3] over ``area`` [m2]."""

    volume: Quantity
    area: float
