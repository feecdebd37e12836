"""Where the screeds of a wall stand: beside corners and openings, and evenly between, clear of pockets and skips."""

from __future__ import annotations

import math
from collections.abc import Sequence

from flatscan.core.model import Opening, Wall
from flatscan.plan.dots import SetOutOptions

# screeds closer than this are one (twice a screed's width of 150 mm)
_CLOSE = 0.300
# how near a corner a screed may stand, and how far from it [m] (printed)
_CORNER = (0.300, 0.400)


def screed_places(wall: Wall, options: SetOutOptions) -> list[float]:
    """Screed positions [m] from the left: anchors, and between them as few more as the spacing needs, evenly.

    One that would stand on a pocket, or on what is not to be plastered, stands beside it where the spacing allows
    that. Where an opening is wider than the spacing there are short ones under and over it.
    """
    anchors = _anchors(wall, options)
    places = anchors[:1]
    for left, right in zip(anchors, anchors[1:], strict=False):
        parts = max(1, math.ceil((right - left) / options.most_apart - 1e-9))
        places += [left + (right - left) * k / parts for k in range(1, parts + 1)]
    return _beside(wall, options, places)


def _anchors(wall: Wall, options: SetOutOptions) -> list[float]:
    """Places that are given: in from both corners, and each side of every opening; linings win over corners."""
    left, right = _ends(wall)
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


def _ends(wall: Wall) -> tuple[float, float]:
    return float(wall.outline[:, 0].min()), float(wall.outline[:, 0].max())


def _full_height(hole: Opening, wall: Wall) -> bool:
    bottom, top = float(wall.outline[:, 1].min()), float(wall.outline[:, 1].max())
    return hole.bottom <= bottom + _CLOSE and hole.top >= top - _CLOSE


def _merged(places: list[float]) -> list[float]:
    """Neighbours closer than two screed widths become one in their middle, as on a narrow pier."""
    merged: list[float] = []
    for x in places:
        if merged and x - merged[-1] < _CLOSE:
            merged[-1] = (merged[-1] + x) / 2
        else:
            merged.append(x)
    return merged


def _beside(wall: Wall, options: SetOutOptions, places: Sequence[float]) -> list[float]:
    """The same with those on a pocket or skip moved to its nearer side that leaves no bay too wide."""
    holes = (*wall.pockets, *wall.skips)
    left, right = _ends(wall)
    done = list(places)
    for i, x in enumerate(places):
        sides = _sides(holes, x, options)
        if not sides:
            continue
        before, after = done[i - 1] if i else None, places[i + 1] if i + 1 < len(places) else None
        low = left + _CORNER[0] if before is None else before + _CLOSE
        high = left + _CORNER[1] if before is None else before + options.most_apart
        low = max(low, right - _CORNER[1] if after is None else after - options.most_apart)
        high = min(high, right - _CORNER[0] if after is None else after - _CLOSE)
        kept = [side for side in sides if low - 1e-9 <= side <= high + 1e-9 and not _sides(holes, side, options)]
        done[i] = min(kept, key=lambda side: abs(side - x), default=x)
    return done


def _sides(holes: Sequence[Opening], x: float, options: SetOutOptions) -> list[float]:
    """The places beside the holes that a screed at x would stand on."""
    found = []
    for hole in holes:
        if hole.left - options.lining + 1e-9 < x < hole.right + options.lining - 1e-9:
            found += [hole.left - options.lining, hole.right + options.lining]
    return found
