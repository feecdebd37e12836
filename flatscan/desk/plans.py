"""Small drawings for choosing: the room from above with its walls, and a wall with its openings numbered."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup, escape

from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.core.notes import note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import metres
from flatscan.report.say import say
from flatscan.wall import Room

_WIDE, _HIGH, _EDGE = 600.0, 360.0, 44.0


def room_plan(room: Room, chosen: int, to: Manner) -> Markup:
    """The walls seen from above as lines with their numbers, the chosen one heavy; turned as the file has it."""
    up, right = room.walls[0].frame.up, room.walls[0].frame.along
    # seen from above: `right` across, and what lies ahead of somebody who has it on the right
    ahead = np.cross(up, right)
    ends = {wall.number: _ends(wall, right, ahead) for wall in room.walls}
    every = np.concatenate(list(ends.values()))
    low, span = every.min(axis=0), np.maximum(np.ptp(every, axis=0), 0.5)
    scale = float(min((_WIDE - 2 * _EDGE) / span[0], (_HIGH - 2 * _EDGE) / span[1]))
    middle = (every.min(axis=0) + every.max(axis=0)) / 2
    wide, high = (2 * _EDGE + span * scale).tolist()
    parts = []
    for wall in room.walls:
        at = (ends[wall.number] - low) * scale + _EDGE
        at[:, 1] = high - at[:, 1]
        (x0, y0), (x1, y1) = at.tolist()
        mark = _beside(at, ends[wall.number].mean(axis=0) - middle)
        kind = "wall chosen" if wall.number == chosen else "wall"
        parts.append(f'<line class="{kind}" x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"/>')
        parts.append(f'<text x="{mark[0]:.1f}" y="{mark[1]:.1f}">{wall.number}</text>')
    said = note("desk.room-from-above", count=len(room.walls), chosen=chosen)
    return _drawing(parts, wide, high, say(said, to))


def _ends(wall: Wall, right: Array, ahead: Array) -> Array:
    frame = wall.frame
    points = np.stack([frame.at, frame.at + frame.along * wall.width])
    return np.stack([points @ right, points @ ahead], axis=1)


def _beside(at: Array, outward: Array) -> tuple[float, float]:
    """A place for the number, off the line's middle and away from the room's middle."""
    x, y = at.mean(axis=0)
    length = float(np.hypot(*outward)) or 1.0
    return float(x + 22 * outward[0] / length), float(y - 22 * outward[1] / length + 7)


def elevation(wall: Wall, to: Manner, dropped: set[int]) -> Markup:
    """The wall seen from the room, its openings numbered as they were found; those not used are dashed."""
    scale = (_WIDE - 2 * _EDGE) / wall.width
    high = wall.height * scale + 2 * _EDGE
    points = " ".join(f"{_EDGE + x * scale:.1f},{high - _EDGE - y * scale:.1f}" for x, y in wall.outline)
    parts = [f'<polygon class="outline" points="{points}"/>']
    for number, hole in enumerate(wall.openings, 1):
        x, y = _EDGE + hole.left * scale, high - _EDGE - hole.top * scale
        kind = "opening dropped" if number in dropped else "opening"
        parts.append(
            f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{hole.width * scale:.1f}" '
            f'height="{hole.height * scale:.1f}"/>'
        )
        middle = x + hole.width * scale / 2, y + hole.height * scale / 2 + 7
        parts.append(f'<text x="{middle[0]:.1f}" y="{middle[1]:.1f}">{number}</text>')
    size = note("desk.size", width=metres(wall.width), height=metres(wall.height))
    parts.append(f'<text x="{_WIDE / 2:.1f}" y="{high - 14:.1f}">{escape(say(size, to))}</text>')
    said = note("desk.wall-from-the-room", number=wall.number, count=len(wall.openings))
    return _drawing(parts, _WIDE, high, say(said, to))


def station_plan(width: float, height: float, places: list[tuple[str, float, float, bool]], to: Manner) -> Markup:
    """The wall with its stations in walking order, ``places`` as (key, x, y, done)."""
    scale = (_WIDE - 2 * _EDGE) / width
    high = height * scale + 2 * _EDGE
    at = [(key, _EDGE + x * scale, high - _EDGE - y * scale, done) for key, x, y, done in places]
    parts = [
        f'<rect class="outline" x="{_EDGE}" y="{_EDGE}" width="{width * scale:.1f}" height="{height * scale:.1f}"/>',
        f'<polyline class="way" points="{" ".join(f"{x:.1f},{y:.1f}" for _, x, y, _ in at)}"/>',
    ]
    for key, x, y, done in at:
        kind = "station done" if done else "station"
        parts.append(f'<g class="{kind}" data-station="{escape(key)}"><circle cx="{x:.1f}" cy="{y:.1f}" r="15"/>')
        parts.append(f'<text x="{x:.1f}" y="{y + 6:.1f}">{escape(key)}</text></g>')
    return _drawing(parts, _WIDE, high, say(note("desk.walking-order", count=len(places)), to))


def _drawing(parts: list[str], wide: float, high: float, said: str) -> Markup:
    head = f'<svg class="plan" viewBox="0 0 {wide:.1f} {high:.1f}" role="img" aria-label="{escape(said)}">'
    # only numbers and escaped words stand in it
    return Markup(head + "".join(parts) + "</svg>")  # noqa: S704
