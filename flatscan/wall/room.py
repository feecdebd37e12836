"""What finding the walls of a capture gives: the walls, where they meet, and what has to be said about it."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.model import Wall
from flatscan.core.notes import Note


@dataclass(frozen=True, slots=True)
class Corner:
    """Where two walls meet.

    ``left`` and ``right`` are wall numbers as seen from the room facing the corner; ``angle`` [rad] is measured
    inside the room, pi/2 when square. ``out_of_square`` [m] is how far the corner opens (+) or closes (-) against a
    square whose legs are ``leg`` [m]: leg x tan(angle - pi/2), at an outer corner from 3 pi/2; None for a corner over
    15 degrees off square, which was not meant to be square. ``u_out_of_square`` is its random standard uncertainty,
    None where it is not known.
    ``at`` (x, y, z) is the corner's foot in the cloud's coordinates [m].
    """

    left: int
    right: int
    angle: float
    out_of_square: float | None
    u_out_of_square: float | None
    leg: float
    at: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Room:
    """All walls of one capture, numbered 1 (largest net area), then clockwise seen from above."""

    walls: tuple[Wall, ...]
    corners: tuple[Corner, ...] = ()
    notes: tuple[Note | str, ...] = ()
