"""The wall as it is seen from the room, on which every flat drawing stands, and what on it somebody drew."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from flatscan.core.geometry import Rectangle
from flatscan.core.holes import GIVEN, LIKELY, Opening
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.photographed import FlatPicture
from flatscan.core.phrase import command_line, written
from flatscan.core.quantity import metres
from flatscan.relief.unmeasured import reasons_in
from flatscan.report.say import say

Stroke = Literal["dashed", "dotted", "dots"]
# what is laid on a wall that was not tested
DEFAULT_RULE = 1.8


@dataclass(frozen=True, eq=False)
class Elevation:
    """The wall as it is seen from the room: what every flat drawing stands on.

    ``rule`` [m] is the straightedge laid on it, ``fixed`` are points the finished face goes through (x, y, offset).
    ``region``: somebody drew which part of the wall this is. ``reference`` are parts that two surveys were leveled on.
    ``picture`` is the wall straight on, laid under its contours; None where nobody photographed it.
    """

    wall: Wall
    relief: Relief
    rule: float = DEFAULT_RULE
    fixed: tuple[tuple[float, float, float], ...] = ()
    region: bool = False
    reference: tuple[Rectangle, ...] = ()
    picture: FlatPicture | None = None

    @property
    def by_hand(self) -> tuple[tuple[Stroke, Note], ...]:
        """What somebody drew and nobody found, each with the line it is drawn in."""
        found: list[tuple[Stroke, Note]] = []
        if any(hole.evidence == GIVEN for hole in self.wall.openings):
            found.append(("dashed", note("drawing.opening-by-hand")))
        if self.region:
            found.append(("dotted", note("drawing.region-by-hand")))
        if self.reference:
            found.append(("dots", note("drawing.reference")))
        return tuple(found)

    @property
    def missing(self) -> Note | None:
        """What a drawing says of the parts that were not measured, with the reasons; None where there are none."""
        lost = self.relief.inside & ~self.relief.valid
        if not self.relief.known_between or not lost.any():
            return None
        reasons = reasons_in(self.relief)
        return note("drawing.not-measured-for", reasons=reasons) if reasons else note("drawing.not-measured")

    @property
    def on_cells(self) -> bool:
        """Whether contours can be drawn: cells, and more than one row and column of them."""
        return self.relief.known_between and min(self.relief.offset.shape) > 1


def hole_word(hole: Opening, wall: Wall) -> Note:
    """What an opening, a chase or a part left out is called on a drawing."""
    if hole in wall.pockets:
        return note("drawing.chase-likely" if hole.evidence == LIKELY else "drawing.chase")
    if hole in wall.skips:
        return note("drawing.skip")
    return note("drawing.drawn-opening" if hole.evidence == GIVEN else "drawing.opening")


def packing_word(packing: float | None, units: str) -> str:
    """What stands beside a dot on a drawing: its packing [m] without a unit, or that it is plumbed on site."""
    if packing is None:
        return say(note("drawing.plumb"))
    return written(metres(packing), "bare", command_line(units))


def reach_of(wall: Wall) -> tuple[float, float]:
    """How far right and up of the wall's left corner a drawing reaches [m]: a region keeps its place on the wall."""
    right, top = wall.whole.max(axis=0)
    return float(right), float(top)
