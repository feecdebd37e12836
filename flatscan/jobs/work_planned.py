"""What is going to be done to a wall, and to walls of a room together."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.errors import Infeasible
from flatscan.core.notes import Note
from flatscan.plan.arranging import Arranged
from flatscan.plan.coats import Band, OrderLine
from flatscan.plan.cutting import Cut, numbers_of
from flatscan.plan.day import Day
from flatscan.plan.finish import BuildUp
from flatscan.plan.hacking import Hack
from flatscan.plan.hacking_work import minutes_of, rubble_of
from flatscan.plan.pockets import PocketFill
from flatscan.plan.rates import Extras
from flatscan.plan.takeoff import TakeOff


@dataclass(frozen=True, eq=False)
class Planned:
    """What is going to be done to the wall: finish plane, order, humps worth cutting, extras.

    ``fixed`` are points the face goes through (x, y, offset), ``bands`` how much of the wall takes which thickness,
    ``notes`` what is worth saying of the plan. ``cuts`` are the humps that it takes as cut, ``finish`` [m] is the last
    coat, within the thickness: dots and strips stand that much behind the finished face. ``pockets`` are filled first.
    ``arranged`` is the wall that it was planned on, with those humps cut, and the plane as it could be asked for.
    ``held_by`` says that strips or dots set the plane, where that is why no hump is worth cutting.
    """

    build_up: BuildUp
    take_off: TakeOff
    hacks: tuple[Hack, ...]
    extras: Extras
    bands: tuple[Band, ...]
    fixed: tuple[tuple[float, float, float], ...]
    notes: tuple[Note, ...]
    cuts: tuple[Cut, ...] = ()
    finish: float = 0.0
    pockets: tuple[PocketFill, ...] = ()
    arranged: Arranged | None = None
    held_by: Note | None = None

    @property
    def cut_numbers(self) -> tuple[int, ...]:
        """The number of the hump that each cut is on, in the plan without cuts; new ones for cuts on none of them."""
        return () if self.arranged is None else numbers_of(self.cuts, self.arranged.as_cut.listed)

    @property
    def cut_minutes(self) -> tuple[float, ...]:
        """One person's minutes of work on each cut."""
        return () if self.arranged is None else tuple(minutes_of(gone, 1) for gone in self.arranged.as_cut.gone)

    @property
    def cut_rubble(self) -> tuple[float, ...]:
        """Rubble of each cut [m3]."""
        return () if self.arranged is None else tuple(rubble_of(gone) for gone in self.arranged.as_cut.gone)

    @property
    def cannot(self) -> Infeasible | None:
        """Why the plan asked for cannot be, where this is the nearest that can."""
        return None if self.arranged is None else self.arranged.cannot


@dataclass(frozen=True, slots=True)
class Together:
    """Walls of one room planned together: the turn they share [m per m], and one order.

    ``corners`` is square or keep; ``volume`` [m3] is their sum, ``squaring`` [m3] what square corners cost over corners
    kept, None where they are kept. ``days`` are their programs, one person's on all walls.
    """

    walls: tuple[int, ...]
    corners: str
    shared_turn: float
    volume: float
    squaring: float | None
    order: tuple[OrderLine, ...]
    days: tuple[Day | None, ...] = ()
