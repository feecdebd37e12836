"""Where screeds and their dots stand, the types of a set-out, and the wall behind one dot."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, FacePlane, Mask
from flatscan.core.model import Opening, Relief, Wall
from flatscan.core.notes import Note
from flatscan.core.quantity import metres

# a straightedge must bridge two screeds with 150 mm over at each end (derived)
OVERHANG = 0.300
# screeds and dots nearer than this [m] leave no room to work
_CLOSEST, _DOTS_APART = 0.100, 0.200
# screeds closer than this are one (twice a screed's width of 150 mm)
_CLOSE = 0.300


@dataclass(frozen=True, slots=True)
class Dot:
    """One dot at height ``y`` and its packing from wall to face [m]; None where it may not be given.

    ``reading`` [m] is the distance from the laser plane to the dot's face, None without a laser. ``u`` is the
    packing's standard uncertainty.
    """

    y: float
    packing: float | None
    u: float | None
    start_here: bool = False
    reading: float | None = None


@dataclass(frozen=True, slots=True)
class Screed:
    """One vertical screed at ``x`` [m] with its dots from the foot up; ``moved`` [m] is how far off its first place.

    ``note`` says that it was moved, or where it hits the wall.
    """

    x: float
    dots: tuple[Dot, ...]
    note: Note | None = None
    moved: float = 0.0


@dataclass(frozen=True, slots=True)
class Screeds:
    """All screeds of a wall, in order from the left, for a straightedge of length ``rule`` [m].

    ``spacing`` [m] is the most allowed between screeds, ``checks`` are lines to hold against the screeds before
    ruling, ``strip`` [m] the thickness of the strips the packing is measured to the back of, None for the face.
    """

    rule: float
    screeds: tuple[Screed, ...]
    notes: tuple[Note, ...] = ()
    spacing: float = 0.0
    checks: tuple[Note, ...] = ()
    strip: float | None = None


@dataclass(frozen=True, slots=True)
class SetOutOptions:
    """Straightedge and screeds, all in metres.

    ``spacing`` is at most the rule less 300 mm, which is also its default. ``corner`` is how far in the first and last
    screed stand (300 to 400 mm, printed), ``lining`` how far off an opening's edge the middle of its screed is (half
    of 125 to 150 mm, printed). ``foot`` keeps dots off floor and ceiling, ``apart`` is the most between dots.
    ``strip`` measures packing to the back of strips that thick, ``finish`` to a face that much behind the finish
    plane (the coat that follows the screeds). ``clear`` is the least room under a strip, ``move`` how far a screed
    may move to find it. ``laser`` is z of a laser plane. ``plumb`` is the most u of plumb over the wall's height with
    which packings above the foot are given.
    """

    rule: float
    spacing: float | None = None
    corner: float = 0.350
    lining: float = 0.070
    foot: float = 0.100
    apart: float = 1.000
    strip: float | None = None
    finish: float = 0.0
    clear: float = 0.002
    move: float = 0.150
    laser: float | None = None
    plumb: float = 0.002

    def __post_init__(self) -> None:
        sizes = {
            "rule": self.rule,
            "corner": self.corner,
            "foot": self.foot,
            "strip": self.strip or 0.0,
            "finish": self.finish,
        }
        for name, value in sizes.items():
            if not math.isfinite(value) or value < 0:
                raise BadValue(
                    f"{{set:{name}}}",
                    "{value:length.g}",
                    needed="a length from 0 up",
                    remedy="Give it without a sign",
                    value=metres(value),
                )
        if self.rule <= OVERHANG:
            raise BadValue(
                "{set:rule}",
                "{rule:length.g}",
                needed="more than {over:length.g}, so that it bridges two screeds",
                remedy="Give the length of the straightedge that rules off",
                rule=metres(self.rule),
                over=metres(OVERHANG),
            )
        if self.spacing is not None and not _CLOSEST <= self.spacing <= self.rule - OVERHANG + 1e-9:
            raise BadValue(
                "{set:spacing}",
                "{spacing:length.g} with a straightedge of {rule:length.g}",
                needed="{least:length.g} to {most:length.g} (the straightedge less {over:length.g})",
                remedy="Set the screeds closer or take a longer straightedge",
                spacing=metres(self.spacing),
                rule=metres(self.rule),
                least=metres(_CLOSEST),
                most=metres(self.rule - OVERHANG),
                over=metres(OVERHANG),
            )
        if self.apart < _DOTS_APART:
            raise BadValue(
                "dots",
                "{apart:length.g} apart",
                needed="{least:length.g} or more",
                remedy="Set them further apart",
                apart=metres(self.apart),
                least=metres(_DOTS_APART),
            )

    @property
    def most_apart(self) -> float:
        """Most between screeds [m]."""
        return self.rule - OVERHANG if self.spacing is None else self.spacing


@dataclass(frozen=True, slots=True)
class Behind:
    """The wall behind a dot: z [m] and its random u, or None where nothing was measured near."""

    z: float
    u: float


def behind(relief: Relief, x: float, y: float) -> Behind | None:
    """Mean of the wall within 50 mm of a dot (100 mm dots, common practice), or the station at that very place.

    Where no cell within 50 mm was measured those within 150 mm are taken; stations are never interpolated.
    """
    found = relief.value_at(x, y)
    return None if found is None else Behind(*found)


def plumb_is_known(wall: Wall, options: SetOutOptions) -> bool:
    """Whether packings above the foot may be given: u of plumb over the wall's height within the limit."""
    return wall.plumb.u_lean is not None and wall.plumb.u_lean * wall.height <= options.plumb


def room(plane: FacePlane, options: SetOutOptions, x: float, y: float, wall: Behind) -> float:
    """Distance from the wall to the face the screeds are ruled to [m]."""
    return plane.offset + plane.turn * x + plane.lean * y - options.finish - wall.z


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
