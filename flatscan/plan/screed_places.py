"""Where screeds and their dots stand: in from corners, at linings, never further apart than the rule bridges."""

from __future__ import annotations

import math

import numpy as np

from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Relief, Wall
from flatscan.plan.dots import SetOutOptions

# screeds closer than this are one (twice a screed's width of 150 mm)
_CLOSE = 0.300


def _anchors(wall: Wall, options: SetOutOptions) -> list[float]:
    """Places that are given: in from both corners, and each side of every opening; linings win over corners."""
    left, right = float(wall.outline[:, 0].min()), float(wall.outline[:, 0].max())
    corner = min(options.corner, (right - left - _CLOSE) / 2)
    linings = []
    for hole in wall.openings:
        linings += [hole.left - options.lining, hole.right + options.lining]
    inside = [x for x in linings if left + options.lining / 2 <= x <= right - options.lining / 2]
    free = [x for x in inside if not any(h.left < x < h.right and _full_height(h, wall) for h in wall.openings)]
    anchors = _merged(sorted(free))
    # a wall or pier too narrow for two screeds has one in its middle
    ends = (left + corner, right - corner) if corner >= options.foot else ((left + right) / 2,)
    for x in ends:
        if all(abs(x - other) >= _CLOSE - 1e-9 for other in anchors):
            anchors.append(x)
    return sorted(anchors)


def _full_height(hole: object, wall: Wall) -> bool:
    bottom, top = float(wall.outline[:, 1].min()), float(wall.outline[:, 1].max())
    return getattr(hole, "bottom", 0.0) <= bottom + _CLOSE and getattr(hole, "top", 0.0) >= top - _CLOSE


def _merged(places: list[float]) -> list[float]:
    """Neighbours closer than two screed widths become one in their middle, as on a narrow pier."""
    merged: list[float] = []
    for x in places:
        if merged and x - merged[-1] < _CLOSE:
            merged[-1] = (merged[-1] + x) / 2
        else:
            merged.append(x)
    return merged


def screed_places(wall: Wall, options: SetOutOptions) -> list[float]:
    """Screed positions [m] from the left: anchors, and between them as few more as the spacing needs, evenly."""
    anchors = _anchors(wall, options)
    places = anchors[:1]
    for left, right in zip(anchors, anchors[1:], strict=False):
        parts = max(1, math.ceil((right - left) / options.most_apart - 1e-9))
        places += [left + (right - left) * k / parts for k in range(1, parts + 1)]
    return places


def station_places(relief: Relief, options: SetOutOptions) -> list[float]:
    """Columns of stations to screed: the fewest in which no step is over the spacing where the columns allow it."""
    columns = relief.x[relief.valid.any(axis=0)]
    places = [float(columns[0])]
    while places[-1] < columns[-1] - 1e-9:
        ahead = columns[columns > places[-1] + 1e-9]
        near = ahead[ahead <= places[-1] + options.most_apart + 1e-9]
        places.append(float(near[-1] if len(near) else ahead[0]))
    return places


def _runs(at: Array, inside: Mask) -> list[tuple[float, float]]:
    """Unbroken stretches of wall along one column, by cell edges."""
    step = float(at[1] - at[0]) if len(at) > 1 else 0.0
    edge = np.diff(np.concatenate(([0], inside.astype(int), [0])))
    starts, stops = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    return [(float(at[i]) - step / 2, float(at[j]) + step / 2) for i, j in zip(starts, stops, strict=True)]


def dot_heights(relief: Relief, x: float, options: SetOutOptions) -> list[float]:
    """Heights of the dots of one screed [m]: foot, waist and head of every stretch of wall, at most 1 m apart.

    A stretch under 400 mm has one dot in its middle, one under 900 mm two. Readings have theirs where they were read.
    """
    column = int(np.argmin(np.abs(relief.x - x)))
    if not relief.known_between:
        return [float(y) for y in relief.y[relief.valid[:, column]]]
    heights: list[float] = []
    for low, high in _runs(relief.y, relief.inside[:, column]):
        if high - low < 0.4:
            heights += [(low + high) / 2] if high - low >= 0.15 else []
            continue
        foot, head = low + options.foot, high - options.foot
        count = max(2 if high - low < 0.9 else 3, math.ceil((head - foot) / options.apart - 1e-9) + 1)
        heights += [foot + (head - foot) * k / (count - 1) for k in range(count)]
    return heights
