"""What interrupts a wall: openings, pockets and what was measured in them, objects; and how plumb is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note

# how an opening, a pocket or a part left out is known that somebody gave, and a pocket that only its depth shows
GIVEN = note("wall.opening-given")
LIKELY = note("wall.pocket-likely")


@dataclass(frozen=True, slots=True)
class Opening:
    """A door, window or other hole: a rectangle in wall coordinates, and how it is known to be one."""

    left: float
    bottom: float
    width: float
    height: float
    evidence: Note = GIVEN

    @property
    def right(self) -> float:
        """Right edge [m]."""
        return self.left + self.width

    @property
    def top(self) -> float:
        """Upper edge [m]."""
        return self.bottom + self.height


@dataclass(frozen=True, slots=True)
class WallObject:
    """What hangs on a wall or stands close before it: a rectangle about its middle ``x``, ``y``, in wall coordinates.

    ``stands_off`` [m] is how far it is proud of the surface around it, ``area`` [m2] what it covers. ``state`` is
    ``removed`` (not wall, not measured), ``wall`` (taken back as wall by the user) or ``doubtful`` (may be either:
    stays wall, and no decision that hangs on it is made). ``chosen``: somebody said which, by hand.
    """

    number: int
    x: float
    y: float
    width: float
    height: float
    stands_off: float
    area: float
    state: str = "removed"
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Plumb:
    """How plumb is known: where the vertical came from, and its uncertainty as a slope [m per m]."""

    known_from: Note | None
    u_lean: float | None


@dataclass(frozen=True, eq=False)
class InPocket:
    """What was measured in a chase: places ``x``, ``y``, ``offset`` and its ``u`` (n,) [m], the ``area`` (n,) of each.

    ``size`` [m2] is the pocket's area on the wall; without any reading in it the arrays are empty. ``u_width`` is its
    relative standard uncertainty where only the readings show that there is a pocket, 0 where somebody gave its sides.
    """

    place: Opening
    x: Array
    y: Array
    offset: Array
    u: Array
    area: Array
    size: float
    u_width: float = 0.0

    @classmethod
    def unread(cls, place: Opening, size: float) -> InPocket:
        """One that nothing was read in."""
        nothing = np.empty(0)
        return cls(place, nothing, nothing, nothing, nothing, nothing, size)

    @property
    def likely(self) -> bool:
        """Whether nobody named it: only its depth shows it."""
        return self.place.evidence == LIKELY
