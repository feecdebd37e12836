"""Screeds and dots: where they stand and how far each is packed off the wall."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Dot:
    """One dot at height ``y`` and its packing from wall to face [m]; None where it may not be given."""

    y: float
    packing: float | None
    u: float | None
    start_here: bool = False


@dataclass(frozen=True, slots=True)
class Screed:
    """One vertical screed at ``x`` [m] with its dots from the foot up."""

    x: float
    dots: tuple[Dot, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class SetOut:
    """All screeds of a wall, in order from the left, for a straightedge of length ``rule`` [m]."""

    rule: float
    screeds: tuple[Screed, ...]
    notes: tuple[str, ...] = ()
