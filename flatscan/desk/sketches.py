"""Drawings of the pages: the room from above, a wall as it is seen from the room, the stations of a wall."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

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
# a wall is drawn no higher than this, and its words have at least so much room across
_TALL, _LEAST = 420.0, 220.0


def room_plan(room: Room, chosen: str, to: Manner) -> Markup:
    """The walls seen from above as lines with their numbers, the chosen one heavy; turned as the file has it."""
    up, right = room.walls[0].frame.up, room.walls[0].frame.along
    # seen from above: `right` across, and what lies ahead of somebody who has it on the right
    ahead = np.cross(up, right)
    ends = {wall.name: _ends(wall, right, ahead) for wall in room.walls}
    every = np.concatenate(list(ends.values()))
    low, span = every.min(axis=0), np.maximum(np.ptp(every, axis=0), 0.5)
    scale = float(min((_WIDE - 2 * _EDGE) / span[0], (_HIGH - 2 * _EDGE) / span[1]))
    middle = (every.min(axis=0) + every.max(axis=0)) / 2
    wide, high = (2 * _EDGE + span * scale).tolist()
    parts = []
    for wall in room.walls:
        at = (ends[wall.name] - low) * scale + _EDGE
        at[:, 1] = high - at[:, 1]
        (x0, y0), (x1, y1) = at.tolist()
        mark = _beside(at, ends[wall.name].mean(axis=0) - middle)
        kind = "wall chosen" if wall.name == chosen else "wall"
        parts.append(f'<line class="{kind}" x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"/>')
        parts.append(f'<text x="{mark[0]:.1f}" y="{mark[1]:.1f}">{wall.name}</text>')
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


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle on a drawing of the wall [m] with what stands in it; ``kind`` is its style."""

    left: float
    bottom: float
    width: float
    height: float
    kind: str
    said: str


def elevation(wall: Wall, to: Manner, rectangles: Iterable[Rect], picture: str | None = None) -> Markup:
    """The wall seen from the room over its ``picture``, which end is up, and what was found or drawn on it."""
    # a pier is drawn narrow, so that its words are as large as those of a wall
    scale = min((_WIDE - 2 * _EDGE) / wall.width, _TALL / wall.height)
    across, high = wall.width * scale, wall.height * scale + 2 * _EDGE
    parts = []
    if picture is not None:
        place = f'x="{_EDGE}" y="{_EDGE}" width="{across:.1f}" height="{wall.height * scale:.1f}"'
        parts.append(f'<image href="{escape(picture)}" {place} preserveAspectRatio="none"/>')
    points = " ".join(f"{_EDGE + x * scale:.1f},{high - _EDGE - y * scale:.1f}" for x, y in wall.whole)
    kind = "outline" if picture is None else "outline over"
    parts.append(f'<polygon class="{kind}" points="{points}"/>')
    holes = tuple(rectangles)
    for hole in holes:
        x, y = _EDGE + hole.left * scale, high - _EDGE - (hole.bottom + hole.height) * scale
        wide, tall = hole.width * scale, hole.height * scale
        parts.append(f'<rect class="{hole.kind}" x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{tall:.1f}"/>')
        parts.append(f'<text x="{x + wide / 2:.1f}" y="{y + tall / 2 + 7:.1f}">{escape(hole.said)}</text>')
    size = note("desk.size", width=metres(wall.width), height=metres(wall.height))
    parts.append(f'<text x="{_EDGE + across / 2:.1f}" y="{high - 14:.1f}">{escape(say(size, to))}</text>')
    parts.append(_up(high, say(note("desk.up"), to)))
    said = note("desk.wall-from-the-room", number=wall.name, count=len(holes))
    return _drawing(parts, max(across, _LEAST) + 2 * _EDGE, high, say(said, to))


def _up(high: float, word: str) -> str:
    """An arrow beside the wall that says which end of the scan was taken for up."""
    x, foot, top = _EDGE / 2, high - _EDGE, max(_EDGE, high - _EDGE - 80)
    head = f"{x - 9},{top + 14:.1f} {x},{top:.1f} {x + 9},{top + 14:.1f}"
    line = f'<line class="up" x1="{x}" y1="{foot:.1f}" x2="{x}" y2="{top + 10:.1f}"/>'
    return f'{line}<polygon class="head" points="{head}"/><text x="{x}" y="{top - 8:.1f}">{escape(word)}</text>'


def station_plan(width: float, height: float, places: list[tuple[str, float, float, str]], to: Manner) -> Markup:
    """The wall with its stations in walking order, ``places`` as (number, x, y, how far it is)."""
    scale = (_WIDE - 2 * _EDGE) / width
    high = height * scale + 2 * _EDGE
    at = [(key, _EDGE + x * scale, high - _EDGE - y * scale, state) for key, x, y, state in places]
    parts = [
        f'<rect class="outline" x="{_EDGE}" y="{_EDGE}" width="{width * scale:.1f}" height="{height * scale:.1f}"/>',
        f'<polyline class="way" points="{" ".join(f"{x:.1f},{y:.1f}" for _, x, y, _ in at)}"/>',
    ]
    for key, x, y, state in at:
        kind = f"station {state}"
        parts.append(f'<g class="{kind}" data-station="{escape(key)}"><circle cx="{x:.1f}" cy="{y:.1f}" r="15"/>')
        parts.append(f'<text x="{x:.1f}" y="{y + 6:.1f}">{escape(key)}</text></g>')
    return _drawing(parts, _WIDE, high, say(note("desk.walking-order", count=len(places)), to))


def _drawing(parts: list[str], wide: float, high: float, said: str) -> Markup:
    head = f'<svg class="plan" viewBox="0 0 {wide:.1f} {high:.1f}" role="img" aria-label="{escape(said)}">'
    # only numbers and escaped words stand in it
    return Markup(head + "".join(parts) + "</svg>")  # noqa: S704
