"""The types of a set-out, and the wall behind one dot."""

from __future__ import annotations

import math
from dataclasses import dataclass

from flatscan.core.errors import BadValue
from flatscan.core.geometry import FacePlane
from flatscan.core.model import Relief, Wall

# a straightedge must bridge two screeds with 150 mm over at each end (derived)
OVERHANG = 0.300


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
    """One vertical screed at ``x`` [m] with its dots from the foot up; ``moved`` [m] is how far off its first place."""

    x: float
    dots: tuple[Dot, ...]
    note: str = ""
    moved: float = 0.0


@dataclass(frozen=True, slots=True)
class SetOut:
    """All screeds of a wall, in order from the left, for a straightedge of length ``rule`` [m].

    ``spacing`` [m] is the most allowed between screeds, ``checks`` are lines to hold against the screeds before
    ruling, ``strip`` [m] the thickness of the strips the packing is measured to the back of, None for the face.
    """

    rule: float
    screeds: tuple[Screed, ...]
    notes: tuple[str, ...] = ()
    spacing: float = 0.0
    checks: tuple[str, ...] = ()
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
                raise BadValue(f"--{name}", f"{value} m", needed="a length from 0 up", remedy="Give it without a sign")
        if self.rule <= OVERHANG:
            raise BadValue(
                "--rule",
                f"{self.rule * 1e3:g} mm",
                needed=f"more than {OVERHANG * 1e3:g} mm, so that it bridges two screeds",
                remedy="Give the length of the straightedge that rules off",
            )
        if self.spacing is not None and not 0.1 <= self.spacing <= self.rule - OVERHANG + 1e-9:
            raise BadValue(
                "--spacing",
                f"{self.spacing * 1e3:g} mm with a straightedge of {self.rule * 1e3:g} mm",
                needed=f"100 to {(self.rule - OVERHANG) * 1e3:g} mm (the straightedge less {OVERHANG * 1e3:g} mm)",
                remedy="Set the screeds closer or take a longer straightedge",
            )
        if self.apart < 0.2:
            raise BadValue(
                "dots", f"{self.apart * 1e3:g} mm apart", needed="200 mm or more", remedy="Set them further apart"
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
