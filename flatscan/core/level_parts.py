"""What a wall on several levels is made of: its parts, and the steps between them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WallPart:
    """One level of a wall: its letter, and where it lies in the wall coordinates of the part it is told with [m, m2].

    ``area`` is its own less its openings.
    """

    letter: str
    left: float
    bottom: float
    width: float
    height: float
    area: float


@dataclass(frozen=True, slots=True)
class LevelStep:
    """Where a wall goes over from one level to another: part ``to`` stands ``size`` [m] proud of part ``start``.

    ``u`` [m] is its standard uncertainty; the line runs from ``left``, ``bottom`` to ``right``, ``top`` [m].
    """

    start: str
    to: str
    size: float
    u: float
    left: float
    bottom: float
    right: float
    top: float

    @property
    def upright(self) -> bool:
        """Whether the line runs up rather than along."""
        return self.top - self.bottom > self.right - self.left
