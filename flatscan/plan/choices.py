"""The price list of choices: plumb, leaning, turned, or following the wall, and what each costs in mm and material."""

from __future__ import annotations

from dataclasses import dataclass, replace

from flatscan.core.errors import Infeasible
from flatscan.core.model import Relief, Wall
from flatscan.plan.finish import BuildUp, PlaneOptions, place
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
    against the first choice. ``build_up`` is None with a ``reason`` where the choice cannot be done; ``take_off``
    is None without a system or where the coats do not reach.
    """

    name: str
    build_up: BuildUp | None
    take_off: TakeOff | None
    out_of_plumb: float
    out_of_square: float
    saves: float | None
    reason: str = ""


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
    ways = {
        "plumb and parallel": base,
        f"lean allowed, {lean * 1e3:g} mm per m": replace(base, lean_up_to=lean),
        f"turn allowed, {turn * 1e3:g} mm per m": replace(base, turn_up_to=turn),
        "follow the wall": replace(base, turn=float(shape.plane[1]), lean=float(shape.plane[2])),
    }
    made: list[Choice] = []
    for name, way in ways.items():
        choice = _choice(name, relief, wall, way, system, order)
        first = made[0].build_up if made else choice.build_up
        if first is not None and choice.build_up is not None:
            choice = replace(choice, saves=first.volume.value - choice.build_up.volume.value)
        made.append(choice)
    return tuple(made)


def _choice(
    name: str, relief: Relief, wall: Wall, way: PlaneOptions, system: System | None, order: TakeOffOptions | None
) -> Choice:
    try:
        done = place(relief, wall, options=way)
    except Infeasible as error:
        return Choice(name, None, None, 0.0, 0.0, None, str(error))
    taken = None
    if system is not None:
        taken = take_off(done, relief, system, options=replace(order or TakeOffOptions(), strict=False))
    # turn is counted from the line wanted, which need not be the wall's own
    square = (done.plane.turn - way.turn) * wall.width if name != "follow the wall" else done.plane.turn * wall.width
    return Choice(name, done, taken, done.plane.lean * wall.height, square, None)
