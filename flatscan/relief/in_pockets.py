"""What a cloud shows in pockets: depths by squares, from its sample, far behind what counts as the wall's surface."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array, area_clear_of, disjoint, in_rectangle
from flatscan.core.holes import InPocket, Opening
from flatscan.core.model import Cloud, Wall

# squares that depths are taken in, and how far from the wall's plane a pocket's floor may lie [m] [setting]
_SQUARE, _DEEPEST = 0.050, 0.300
# a beam is split at the edges of a chase [m] (as in `footprint.COLLAR`); a square needs so many points [setting]
_RIM, _LEAST = 0.010, 3


def in_pockets(cloud: Cloud, wall: Wall) -> tuple[InPocket, ...]:
    """What the sample of a cloud shows in each pocket of a wall: the middle depth of squares of 50 mm."""
    if not wall.pockets:
        return ()
    local = wall.frame.to_wall(cloud.sample)
    local = local[np.abs(local[:, 2]) <= _DEEPEST]
    return tuple(_one(local, place, wall) for place in wall.pockets)


def _one(local: Array, place: Opening, wall: Wall) -> InPocket:
    box = place.left, place.bottom, place.right, place.top
    corners = in_rectangle(wall.whole, box)
    cut = disjoint([(hole.left, hole.bottom, hole.right, hole.top) for hole in (*wall.openings, *wall.skips)])
    size = area_clear_of(corners, cut) if len(corners) > 2 else 0.0
    rim = min(_RIM, place.width / 4, place.height / 4)
    x, y, z = local.T
    here = (x > place.left + rim) & (x < place.right - rim) & (y > place.bottom + rim) & (y < place.top - rim)
    x, y, z = x[here], y[here], z[here]
    across = max(1, round(place.width / _SQUARE))
    up = max(1, round(place.height / _SQUARE))
    square = np.minimum(((x - place.left) / place.width * across).astype(int), across - 1) + across * np.minimum(
        ((y - place.bottom) / place.height * up).astype(int), up - 1
    )
    rows = []
    for number in np.unique(square):
        own = square == number
        if own.sum() >= _LEAST:
            middle = float(np.median(z[own]))
            spread = 1.2533 * float(np.std(z[own], ddof=1)) / np.sqrt(own.sum())
            rows.append((float(x[own].mean()), float(y[own].mean()), middle, spread))
    if not rows:
        return InPocket.unread(place, size)
    at_x, at_y, offset, u = np.array(rows).T
    return InPocket(place, at_x, at_y, offset, u, np.full(len(rows), size / len(rows)), size)
