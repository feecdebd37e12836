"""What a sweep of straightedges over a relief found."""

from __future__ import annotations

from dataclasses import dataclass, field

from flatscan.core.geometry import Array
from flatscan.core.notes import Note

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Gap:
    """One gap [m] at ``at`` between the contacts ``left`` and ``right`` (wall coordinates), with its uncertainty.

    ``u`` is None where it cannot be known. ``direction`` is in degrees from horizontal, counter-clockwise.
    ``u_random`` and ``u_common`` are the two parts of ``u``. For the balanced and the equal-offset deviation ``left``
    and ``right`` are the straightedge's ends, and the sign of ``value`` is + toward the room.
    """

    value: float
    u: float | None
    at: Point
    left: Point
    right: Point
    direction: float
    u_random: float | None = None
    u_common: float | None = None


@dataclass(frozen=True, eq=False)
class Gaps:
    """Every position of a straightedge ``rule`` metres long, in every direction.

    ``worst`` is the largest gap under the resting straightedge, ``balanced`` the largest end gap when it is balanced
    on a hump, ``equal_offset`` the largest |deviation| from the line through its ends; None where no position could
    be evaluated. ``upper`` is the largest of gap + k u over all positions (k as asked). ``deepest`` (rows, cols) is
    the deepest resting gap any placement finds at each cell, NaN where none does. ``positions`` counts placements,
    ``coverage`` is windows with data over windows on the outline less openings, the least of all directions.
    ``skipped`` counts placements not evaluated by reason; ``shortened`` those on runs shorter than the rule.
    ``lower`` is the selection-corrected lower bound of the worst gap (METHODS 3d), None where it cannot be formed.
    ``worst_places`` are up to five separate places worth checking by hand, deepest first.
    ``method`` (resting, equal offsets or balanced end gap) is what ``upper``, ``lower`` and ``worst_places`` speak of.
    ``known_between`` is that of the relief; ``coverages`` run in parallel with ``directions``; ``notes``
    say what could not be known and why.
    """

    rule: float
    directions: tuple[float, ...]
    worst: Gap | None
    balanced: Gap | None
    equal_offset: Gap | None
    upper: float | None
    positions: int
    coverage: float | None
    deepest: Array
    skipped: dict[str, int] = field(default_factory=dict)
    shortened: int = 0
    lower: float | None = None
    worst_places: tuple[Gap, ...] = ()
    method: str = "resting"
    k: float = 1.645
    known_between: bool = True
    coverages: tuple[float, ...] = ()
    notes: tuple[Note, ...] = ()

    def judged(self) -> Gap | None:
        """The gap that ``method`` names."""
        return {"equal offsets": self.equal_offset, "balanced end gap": self.balanced}.get(self.method, self.worst)
