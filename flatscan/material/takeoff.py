"""What to order for a build-up: coats, kilograms, bags, days."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CoatLayer:
    """One coat: mean ``thickness`` [m], ``kg`` before waste, and its ``bags`` as a fraction (rounded once, in all)."""

    name: str
    thickness: float
    kg: float
    bags: float | None


@dataclass(frozen=True, slots=True)
class TakeOff:
    """The order for one wall; ``bags`` is rounded up once, after waste; ``stops`` are the stop signs that fire."""

    system: str
    coats: tuple[CoatLayer, ...]
    bags: int | None
    bags_range: tuple[float, float] | None
    waste_share: float
    days: float | None
    price: float | None
    stops: tuple[str, ...]
    notes: tuple[str, ...] = ()
