"""The types of a set-out, what it is asked for, and the heights of the dots of one screed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, FacePlane, Mask
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note
from flatscan.core.quantity import metres
from flatscan.plan.behind import Behind, Ground

# a straightedge must bridge two screeds with 150 mm over at each end (derived)
OVERHANG = 0.300
# screeds and dots nearer than this [m] leave no room to work
_CLOSEST, _DOTS_APART = 0.100, 0.200
# a dot goes to the height of a row of readings within this [m]: what was read there needs no guess
_SNAP = 0.150
# and so far apart may dots on rows stand [m]: foot, waist and head of a storey (common practice)
_ROWS_APART = 1.250


@dataclass(frozen=True, slots=True)
class Laser:
    """A plumb laser plane z = ``offset`` + ``turn`` x [m] that readings are taken from.

    ``unit`` is that of its user's readings, ``proud_when_big`` their sense: by default a big one is hollow.
    """

    offset: float
    turn: float = 0.0
    unit: str = "mm"
    proud_when_big: bool = False

    def reading(self, x: float, z: float) -> float:
        """What it reads [m] on something at height ``z`` [m]."""
        off = self.offset + self.turn * x - z
        return -off if self.proud_when_big else off


@dataclass(frozen=True, slots=True)
class Dot:
    """One dot at height ``y`` and its packing from wall to face [m]; None where it may not be given.

    ``reading`` [m] is what the laser reads on the dot's face as set, None without a laser. ``u`` is the packing's
    standard uncertainty. ``read`` says whether the wall behind it was measured at that place, and not between.
    """

    y: float
    packing: float | None
    u: float | None
    start_here: bool = False
    reading: float | None = None
    read: bool = True


@dataclass(frozen=True, slots=True)
class Screed:
    """One vertical screed at ``x`` [m] with its dots from the foot up; ``moved`` [m] is how far off its first place.

    ``note`` says that it was moved, or where it hits the wall. ``runs`` are the heights from and to [m] between which
    it stands: not over openings, pockets and what is not to be plastered.
    """

    x: float
    dots: tuple[Dot, ...]
    note: Note | None = None
    moved: float = 0.0
    runs: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Screeds:
    """All screeds of a wall, in order from the left, for a straightedge of length ``rule`` [m].

    ``spacing`` [m] is the most allowed between screeds, ``checks`` are lines to hold against the screeds before
    ruling, ``strip`` [m] the thickness of the strips the packing is measured to the back of, None for the face.
    ``finish`` [m] is the coat that follows: dots and strips stand that much behind the finished face. ``reads`` [m] is
    what the laser reads on every dot, None where they differ or there is none; ``laser`` how it is read.
    """

    rule: float
    screeds: tuple[Screed, ...]
    notes: tuple[Note, ...] = ()
    spacing: float = 0.0
    checks: tuple[Note, ...] = ()
    strip: float | None = None
    finish: float = 0.0
    reads: float | None = None
    laser: Laser | None = None

    @property
    def face(self) -> str:
        """Which face the dots and strips stand at."""
        return "undercoat" if self.finish > 0 else "finish"

    @property
    def packing_to(self) -> str:
        """Which side the packing is measured to: the face, or the back of the strip."""
        return "face" if self.strip is None else "strip"


@dataclass(frozen=True, slots=True)
class SetOutOptions:
    """Straightedge and screeds, all in metres.

    ``spacing`` is at most the rule less 300 mm, which is also its default. ``corner`` is how far in the first and last
    screed stand (300 to 400 mm, printed), ``lining`` how far off an opening's edge the middle of its screed is (half
    of 125 to 150 mm, printed). ``foot`` keeps dots off floor and ceiling, ``apart`` is the most between dots.
    ``strip`` measures packing to the back of strips that thick, ``finish`` to a face that much behind the finish
    plane (the coat that follows the screeds). ``clear`` is the least room under a strip, its bed, ``move`` how far a
    screed may move to find it. ``laser`` is what readings are taken from. ``plumb`` is the most u of plumb over the
    wall's height with which packings above the foot are given.
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
    laser: Laser | None = None
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

    @property
    def behind_face(self) -> float:
        """What stands between the wall and the finished face where the packing is 0 [m]: strip and last coat."""
        return (self.strip or 0.0) + self.finish

    @property
    def bed(self) -> float:
        """Least room [m] behind a strip; a dot may be as thin as it comes."""
        return 0.0 if self.strip is None else self.clear


def plumb_is_known(wall: Wall, options: SetOutOptions) -> bool:
    """Whether packings above the foot may be given: u of plumb over the wall's height within the limit."""
    return wall.plumb.u_lean is not None and wall.plumb.u_lean * wall.height <= options.plumb


def room(plane: FacePlane, options: SetOutOptions, x: float, y: float, wall: Behind) -> float:
    """Distance from the wall to the back of the strip, or to the face the screeds are ruled to [m]."""
    return plane.offset + plane.turn * x + plane.lean * y - options.behind_face - wall.z


def stretches(relief: Relief, wall: Wall, x: float) -> list[tuple[float, float]]:
    """Heights from and to [m] of the wall along an upright at x that takes plaster: no opening, pocket or skip."""
    if relief.known_between:
        column = int(np.argmin(np.abs(relief.x - x)))
        runs = _runs(relief.y, relief.inside[:, column])
        holes = (*wall.skips, *wall.pockets)
    else:
        runs = [(float(wall.outline[:, 1].min()), float(wall.outline[:, 1].max()))]
        holes = (*wall.openings, *wall.skips, *wall.pockets)
    for hole in holes:
        if hole.left < x < hole.right:
            parts = [((low, min(high, hole.bottom)), (max(low, hole.top), high)) for low, high in runs]
            runs = [part for pair in parts for part in pair if part[1] > part[0] + 1e-9]
    return runs


def _runs(at: Array, inside: Mask) -> list[tuple[float, float]]:
    """Unbroken stretches of wall along one column, by cell edges."""
    step = float(at[1] - at[0]) if len(at) > 1 else 0.0
    edge = np.diff(np.concatenate(([0], inside.astype(int), [0])))
    starts, stops = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    return [(float(at[i]) - step / 2, float(at[j]) + step / 2) for i, j in zip(starts, stops, strict=True)]


def dot_heights(runs: list[tuple[float, float]], ground: Ground, options: SetOutOptions) -> list[float]:
    """Heights of the dots of one screed [m]: foot, waist and head of every stretch of wall, at most 1 m apart.

    A stretch under 400 mm has one dot in its middle, one under 900 mm two. Where readings were taken in rows, dots go
    to rows and may stand 1.25 m apart.
    """
    heights: list[float] = []
    for low, high in runs:
        if high - low < 0.4:
            heights += [(low + high) / 2] if high - low >= 0.15 else []
            continue
        foot, head = low + options.foot, high - options.foot
        rows = [row for row in ground.heights if low < row < high]
        if rows:
            heights += _on_rows(_snapped(foot, rows), _snapped(head, rows), rows, options)
            continue
        count = max(2 if high - low < 0.9 else 3, math.ceil((head - foot) / options.apart - 1e-9) + 1)
        heights += [foot + (head - foot) * k / (count - 1) for k in range(count)]
    return heights


def _on_rows(foot: float, head: float, rows: list[float], options: SetOutOptions) -> list[float]:
    """As few dots as reach from foot to head, on rows of readings where these are near enough to each other."""
    found = [foot]
    while head - found[-1] > _ROWS_APART + 1e-9:
        near = [row for row in rows if found[-1] + _DOTS_APART < row <= found[-1] + _ROWS_APART + 1e-9]
        left = head - found[-1]
        found.append(max(near, default=found[-1] + left / math.ceil(left / options.apart - 1e-9)))
    return [*found, head] if head > foot else found


def _snapped(y: float, rows: list[float]) -> float:
    """The height of a row within 150 mm, else as it is."""
    nearest = min(rows, key=lambda row: abs(row - y), default=y)
    return nearest if abs(nearest - y) <= _SNAP + 1e-9 else y
