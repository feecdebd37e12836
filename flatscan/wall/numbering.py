"""The numbers of walls: the largest first, then clockwise; and which of them are half seen."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share

ALIKE, HALF_SEEN = 1e-6, 0.5
ONE_WAY = np.cos(np.radians(45.0))


def half_seen(wall: Wall) -> tuple[Note, ...]:
    """A remark on a wall of which less than half of the net area holds points."""
    if wall.seen_share is None or wall.seen_share >= HALF_SEEN:
        return ()
    return (note("wall.half-seen", share=share(wall.seen_share)),)


def numbers(walls: list[Wall], up: Array) -> list[int]:
    """Indices of the walls in their order: largest net area, then clockwise seen from above about their middle.

    Of facades, which face away from their middle, the others follow to the right as one faces them; of walls that all
    face one way the others come from left to right. Areas within `ALIKE` [m2], which only rounding parts, are alike:
    then the place in the file decides.
    """
    middles = np.array([wall.frame.to_file(np.array([[wall.width / 2, wall.height / 2, 0.0]]))[0] for wall in walls])
    areas = np.array([net_area(wall) for wall in walls])
    largest = np.flatnonzero(areas >= areas.max() - ALIKE)
    first = int(min(largest, key=lambda i: tuple(np.round(middles[i], 2))))
    east, out = walls[first].frame.along, walls[first].frame.out
    outs = np.array([wall.frame.out for wall in walls])
    if (outs @ out > ONE_WAY).all():
        after = middles @ east
    else:
        arms = middles - middles.mean(axis=0)
        turn = np.arctan2(arms @ np.cross(up, east), arms @ east)
        outside = float(areas @ np.sign((arms * outs).sum(axis=1))) > 0
        after = np.mod((turn - turn[first]) * (1 if outside else -1) + 1e-9, 2 * np.pi)
    return sorted(range(len(walls)), key=lambda i: (i != first, after[i]))


def net_area(wall: Wall) -> float:
    """Area less openings [m2], of all parts of a wall on several levels."""
    if wall.parts:
        return sum(part.area for part in wall.parts)
    return wall.gross_area - sum(opening.width * opening.height for opening in wall.openings)
