"""What another choice costs: plumb, leaning, turned or following the wall, and the humps chosen by hand to be cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import BadValue, Infeasible
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import slope
from flatscan.plan.finish import BuildUp, FinishPlane, PlaneOptions, build_up, place
from flatscan.plan.hacking import Cutter, HackOptions
from flatscan.plan.systems import System
from flatscan.plan.takeoff import TakeOff, TakeOffOptions, take_off
from flatscan.relief.shape import Shape

# how far out of plumb or square a choice may go where nothing is asked: 8 mm over a storey of 2.4 to 3 m is printed
# as a tolerance of plumb (TOLERANCES, Finish), which is about 3 mm per m
ALLOWED = 0.003


@dataclass(frozen=True, eq=False)
class Choice:
    """One way to place the plane: what it takes, and what it costs in plumb over the height and square over the width.

    ``out_of_plumb`` and ``out_of_square`` are signed [m]: + top, or right end, toward the room. ``saves`` [m3] is
    against the first choice. ``build_up`` is None where the choice cannot be done, and ``reason`` the error that says
    why; ``take_off`` is None without a system or where the coats do not reach.
    """

    name: Note
    build_up: BuildUp | None
    take_off: TakeOff | None
    out_of_plumb: float
    out_of_square: float
    saves: float | None
    reason: Infeasible | None = None


def choices(
    relief: Relief,
    wall: Wall,
    shape: Shape,
    *,
    options: PlaneOptions | None = None,
    system: System | None = None,
    order: TakeOffOptions | None = None,
) -> tuple[Choice, ...]:
    """Plumb and parallel, lean allowed, turn allowed, follow the wall: least, mean, most, litres, bags and mm each.

    Least and most cover, fixed points and the wanted turn come from ``options``; where it allows no lean or turn of
    its own, 3 mm per m is allowed. A choice that fixed points or the most rule out stays in the list with its reason.
    """
    base = replace(options or PlaneOptions(), lean_up_to=0.0, turn_up_to=0.0)
    lean = options.lean_up_to if options and options.lean_up_to > 0 else ALLOWED
    turn = options.turn_up_to if options and options.turn_up_to > 0 else ALLOWED
    follow = replace(base, turn=float(shape.plane[1]), lean=float(shape.plane[2]))
    # turn is counted from the line wanted, which need not be the wall's own, and from the wall's own where it follows
    ways = (
        (note("plan.choice-plumb"), base, base.turn),
        (note("plan.choice-lean", lean=slope(lean)), replace(base, lean_up_to=lean), base.turn),
        (note("plan.choice-turn", turn=slope(turn)), replace(base, turn_up_to=turn), base.turn),
        (note("plan.choice-follow"), follow, 0.0),
    )
    order = replace(order or TakeOffOptions(), strict=False)
    listed: list[Choice] = []
    for name, way, line in ways:
        choice = _choice(name, relief, wall, way, line, system, order)
        first = listed[0].build_up if listed else choice.build_up
        if first is not None and choice.build_up is not None:
            choice = replace(choice, saves=first.volume.value - choice.build_up.volume.value)
        listed.append(choice)
    return tuple(listed)


def _choice(
    name: Note,
    relief: Relief,
    wall: Wall,
    way: PlaneOptions,
    line: float,
    system: System | None,
    order: TakeOffOptions,
) -> Choice:
    """One way to place the plane; its turn is counted from ``line`` [m per m]."""
    try:
        built = place(relief, wall, options=way)
    except Infeasible as error:
        # without its traceback, which would keep the arrays of every frame alive
        return Choice(name, None, None, 0.0, 0.0, None, error.with_traceback(None))
    taken = None if system is None else take_off(built, relief, system, options=order)
    square = (built.plane.turn - line) * wall.width
    return Choice(name, built, taken, built.plane.lean * wall.height, square, None)


@dataclass(frozen=True, eq=False)
class Chosen:
    """The wall with some humps cut: its ``relief``, the ``build_up`` on it, and what that ``saves`` [m3].

    ``cuts`` [m] are the depths, one for each place chosen; ``removed`` [m3] is the masonry cut away.
    """

    relief: Relief
    build_up: BuildUp
    saves: float
    cuts: tuple[float, ...]
    removed: float


class ChosenHumps:
    """Tries which humps to cut; the humps are found once, so that each choice after the first takes no time.

    Takes the relief, wall and options the hacking list was made with, and the ``uncut`` build-up. Raises what
    `finish.place` does.
    """

    def __init__(
        self,
        relief: Relief,
        wall: Wall,
        uncut: BuildUp,
        *,
        plane: PlaneOptions | None = None,
        options: HackOptions | None = None,
    ) -> None:
        self.relief, self.wall, self.uncut = relief, wall, uncut
        self.cutter = Cutter(relief, wall, plane or PlaneOptions(), options or HackOptions())
        self.start = self.cutter.stage([]).volume

    def with_cut(self, places: Sequence[tuple[float, float]]) -> Chosen:
        """The wall with the humps at these places [m] cut, each no deeper than allowed (DESIGN, Hacking).

        The first k places of the hacking list save what its line k says. A place without a hump raises `BadValue`.
        """
        cutter = self.cutter
        numbers = [self._hump_at(x, y) for x, y in places]
        stage = cutter.stage(numbers)
        found, wall = stage.found, cutter.wall
        face = found.offset + found.turn * wall.x + found.lean * wall.y
        lowered = np.isin(cutter.label, numbers) & cutter.free
        offset = np.full_like(self.relief.offset, np.nan)
        offset[self.relief.valid] = np.where(lowered, np.minimum(wall.z, face - cutter.plane.least), wall.z)
        relief = replace(self.relief, offset=offset)
        was = self.uncut.plane
        foot = found.offset - was.offset + was.at_left_foot
        plane = FinishPlane(found.offset, found.turn, found.lean, foot, _rule_with_cuts(was.rule, len(numbers)))
        built = build_up(relief, self.wall, plane, contacts=found.contacts)
        cuts = tuple(float(stage.depth[cutter.label == number].max()) for number in numbers)
        return Chosen(relief, built, self.start - stage.volume, cuts, stage.cut)

    def _hump_at(self, x: float, y: float) -> int:
        number = int(self.cutter.label[self.cutter.index_of(x, y)])
        if number == 0:
            raise BadValue(
                "hump",
                "none {at:place}",
                needed="a place of the hacking list",
                remedy="Take the place from the list",
                at=(x, y),
            )
        return number


def _rule_with_cuts(rule: Note, count: int) -> Note:
    if count == 0:
        return rule
    return note("plan.rule-one-cut" if count == 1 else "plan.rule-cut", rule=rule, count=count)
