"""Labels that never lie on one another: places are tried one by one against the boxes that are taken already."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from flatscan.report.figures.style import POINTS, width

# left, bottom, right, top [inches]
Box = tuple[float, float, float, float]
Point = tuple[float, float]
# how far a line of the sheets' font reaches over and under its base, in its size
ASCENT, DESCENT = 0.78, 0.25
# air around a label [inches]
_AIR = 0.02
# a label is so many times nearer to its own point than to any other
_NEARER = 1.5
# directions tried around a place, the nearest first: right, left, above, below, then between
_ROUND = tuple(math.radians(angle) for angle in (0, 180, 90, 270, 45, 315, 135, 225))
_FIRST, _STEP, _RINGS = 0.0, 0.12, 9


def text_box(text: str, x: float, base: float, size: float, weight: str = "bold") -> Box:
    """The box of one line of text whose base begins at (x, base) [inches]."""
    return (
        x,
        base - DESCENT * size / POINTS,
        x + width(text, size, weight),
        base + ASCENT * size / POINTS,
    )


@dataclass(frozen=True, slots=True)
class Label:
    """A label placed: its text's left end and base [inches], its box, and how far its middle is from its place."""

    text: str
    x: float
    base: float
    size: float
    box: Box
    moved: float


@dataclass(eq=False)
class Labels:
    """The boxes that are taken within ``room``, labels put beside them, and the points that labels can belong to."""

    room: Box
    taken: list[Box] = field(default_factory=list)
    points: list[Point] = field(default_factory=list)

    def free(self, box: Box) -> bool:
        """Whether a box lies in the room and on nothing."""
        left, bottom, right, top = self.room
        if box[0] < left or box[1] < bottom or box[2] > right or box[3] > top:
            return False
        return not any(overlap(box, other) for other in self.taken)

    def _belongs(self, box: Box, own: Point) -> bool:
        """Whether nobody takes a label for another point's."""
        reach = _NEARER * distance(box, own)
        return all(distance(box, other) >= reach for other in self.points if other != own)

    def put(
        self, text: str, places: Iterable[Point], size: float, *, pad: float = 0.0, own: Point | None = None
    ) -> Label | None:
        """The label, its middle at the first of the ``places`` where it is free, ``pad`` around; None if nowhere.

        With ``own`` it must be far nearer to that one of the `points` than to any other.
        """
        wide, high = width(text, size, "bold"), (ASCENT + DESCENT) * size / POINTS
        first: Point | None = None
        for x, y in places:
            first = first or (x, y)
            box = (x - wide / 2 - pad, y - high / 2 - pad, x + wide / 2 + pad, y + high / 2 + pad)
            if own is not None and not self._belongs(box, own):
                continue
            if self.free((box[0] - _AIR, box[1] - _AIR, box[2] + _AIR, box[3] + _AIR)):
                self.taken.append(box)
                base = box[1] + pad + DESCENT * size / POINTS
                return Label(text, x - wide / 2, base, size, box, math.hypot(x - first[0], y - first[1]))
        return None


def overlap(one: Box, other: Box) -> bool:
    """Whether two boxes share any area."""
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def distance(box: Box, point: Point) -> float:
    """From a point to the nearest edge of a box, 0 inside."""
    x, y = point
    return math.hypot(max(box[0] - x, 0.0, x - box[2]), max(box[1] - y, 0.0, y - box[3]))


def around(x: float, y: float, half_wide: float, half_high: float, gap: float, rings: int = _RINGS) -> Iterator[Point]:
    """Middles of a label of that half size around a place, clear of it by ``gap`` and then further out [inches]."""
    for ring in range(rings):
        out = gap + ring * _STEP
        for angle in _ROUND:
            yield x + math.cos(angle) * (half_wide + out), y + math.sin(angle) * (half_high + out)


def on_and_around(x: float, y: float, half_wide: float, half_high: float) -> Iterator[Point]:
    """The place itself, and then around it."""
    yield x, y
    yield from around(x, y, half_wide, half_high, 0.03)
