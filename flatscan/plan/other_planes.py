"""Other planes than the one asked for: what each choice costs, and turns that the walls of a room share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import BadValue, Infeasible
from flatscan.core.geometry import Array
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, slope
from flatscan.plan.finish import WORTH, BuildUp, PlaneOptions, place, problem_of
from flatscan.plan.highest import Errors, errors_of
from flatscan.plan.materials import System
from flatscan.plan.program import MM, Problem, Rows, rows_of
from flatscan.plan.surface import surface_of
from flatscan.plan.takeoff import TakeOff, TakeOffOptions, take_off
from flatscan.relief.shape import Shape

# how far out of plumb or square a choice may go where nothing is asked: 8 mm over a storey of 2.4 to 3 m is printed
# as a tolerance of plumb (methods/tolerances 5), which is about 3 mm per m
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
    errors: Errors | None = None,
    out: float = 0.0,
) -> tuple[Choice, ...]:
    """Plumb and parallel, lean allowed, turn allowed, follow the wall: least, mean, most, litres, bags and mm each.

    Least and most cover, fixed points and the wanted turn come from ``options``; where it allows no lean or turn of
    its own, 3 mm per m is allowed. A choice that fixed points or the most rule out stays in the list with its reason.
    ``errors`` are those of the relief if they are drawn already, ``out`` [m] is how far each stands out for strips.
    """
    errors = errors or errors_of(relief, wall)
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
        choice = _choice(name, relief, wall, way, line, system, order, errors, out)
        first = listed[0].build_up if listed else choice.build_up
        if first is not None and choice.build_up is not None:
            choice = replace(choice, saves=first.volume.value - choice.build_up.volume.value)
        listed.append(choice)
    return tuple(listed)


def worth_more(listed: Sequence[Choice]) -> Choice | None:
    """Of a list as `choices` gives it, the one that saves most, if that is worth a slope (methods/finish-plane 5)."""
    first = listed[0].build_up
    others = [choice for choice in listed[1:] if choice.build_up is not None and choice.saves]
    best = max(others, key=lambda choice: choice.saves or 0.0, default=None)
    if first is None or best is None or (best.saves or 0.0) < WORTH * first.volume.value:
        return None
    return best


def _choice(
    name: Note,
    relief: Relief,
    wall: Wall,
    way: PlaneOptions,
    line: float,
    system: System | None,
    order: TakeOffOptions,
    errors: Errors,
    out: float,
) -> Choice:
    """One way to place the plane; its turn is counted from ``line`` [m per m]."""
    try:
        built = place(relief, wall, options=way, errors=errors, out=out)
    except Infeasible as error:
        # without its traceback, which would keep the arrays of every frame alive
        return Choice(name, None, None, 0.0, 0.0, None, error.with_traceback(None))
    taken = None if system is None else take_off(built, relief, system, options=order)
    square = (built.plane.turn - line) * wall.width
    return Choice(name, built, taken, built.plane.lean * wall.height, square, None)


CORNERS = ("square", "keep")


@dataclass(frozen=True, eq=False)
class RoomWall:
    """A wall of the room with its relief and options; their turn and turn-up-to are set by the room."""

    relief: Relief
    wall: Wall
    options: PlaneOptions = PlaneOptions()


@dataclass(frozen=True, slots=True)
class Corner:
    """Where two walls meet: the angle between them as measured [rad], and how far off square it is [m per m]."""

    first: int
    second: int
    angle: float
    off_square: float


@dataclass(frozen=True, eq=False)
class RoomPlan:
    """Build-ups in the order of the walls, the turn [m per m] they share, and the corners as measured.

    ``volume`` [m3] is their sum; ``squaring`` [m3] what square corners cost over corners kept as they are, None
    where they are kept.
    """

    build_ups: tuple[BuildUp, ...]
    shared_turn: float
    corners: tuple[Corner, ...]
    volume: float
    squaring: float | None


def turn_parallel_to(wall: Wall, other: Wall, other_turn: float = 0.0) -> float:
    """Turn [m per m] of a plane on ``wall`` that is parallel to a plane turned ``other_turn`` on the other wall.

    Raises `BadValue` for walls over 45 degrees from parallel.
    """
    return _turn_of(wall, _line(other, other_turn), "{set:parallel_to}", "within 45 degrees of parallel")


def turn_square_to(wall: Wall, other: Wall, other_turn: float = 0.0) -> float:
    """Turn [m per m] of a plane on ``wall`` that is square to a plane turned ``other_turn`` on the other wall.

    Raises `BadValue` for walls over 45 degrees from square.
    """
    line = _line(other, other_turn)
    return _turn_of(wall, np.cross(other.frame.up, line), "{set:square_to}", "within 45 degrees of square")


def _line(wall: Wall, turn: float) -> Array:
    """Horizontal direction along a turned plane, in file axes."""
    return np.asarray(wall.frame.along + turn * wall.frame.out, dtype=np.float64)


def _turn_of(wall: Wall, line: Array, where: str, needed: str) -> float:
    along, out = float(line @ wall.frame.along), float(line @ wall.frame.out)
    if abs(out) > abs(along):
        angle = math.degrees(math.atan2(abs(out), abs(along)))
        raise BadValue(
            where,
            "the walls are {angle:angle.0} from it",
            needed=needed,
            remedy="Name another wall",
            angle=degrees(angle),
        )
    return out / along


def _yaw(wall: Wall, against: Wall) -> float:
    """Angle [rad] from the other wall's outward direction to this one's, counter-clockwise seen from above."""
    a, b = against.frame.out, wall.frame.out
    return math.atan2(float(np.cross(a, b) @ against.frame.up), float(a @ b))


def _off_square(angle: float) -> float:
    """How far an angle is from the nearest quarter turn [rad]."""
    return math.remainder(angle, math.pi / 2)


def corners_of(walls: tuple[RoomWall, ...]) -> tuple[Corner, ...]:
    """Corners between each wall and the next in the list, as measured from the walls' own lines."""
    found = []
    for i, (first, second) in enumerate(zip(walls, walls[1:], strict=False)):
        yaw = _yaw(second.wall, first.wall)
        found.append(Corner(i, i + 1, math.pi - abs(yaw), math.tan(_off_square(yaw))))
    return tuple(found)


def place_room(walls: tuple[RoomWall, ...], *, corners: str = "square", turn_up_to: float = 0.0) -> RoomPlan:
    """Finish planes of several walls that share one turn, so that corners come out square or keep their angle.

    ``square`` makes every plane parallel or square to the first wall's line before the shared turn; ``keep`` lets
    each follow its own wall's line. The shared turn, within ``turn_up_to`` [m per m], is that of least total volume
    (one linear program over all walls) and is 0 unless it saves 2 %. Raises `Infeasible` as `place`, and `BadValue`
    for no walls or another word.
    """
    if not walls or corners not in CORNERS:
        raise BadValue(
            "walls of a room",
            "{count} walls, corners '{corners}'",
            needed=f"at least one wall, and {' or '.join(CORNERS)}",
            remedy="Name the walls and say what the corners should be",
            count=len(walls),
            corners=corners,
        )
    if not (math.isfinite(turn_up_to) and turn_up_to >= 0):
        raise BadValue(
            "{set:turn_up_to}",
            "{turn:slope}",
            needed="a number from 0 up",
            remedy="Give it without a sign",
            turn=slope(turn_up_to),
        )
    offs = [_off_square(_yaw(each.wall, walls[0].wall)) if corners == "square" else 0.0 for each in walls]
    shared = _shared_turn(walls, offs, turn_up_to) if turn_up_to > 0 else 0.0
    built = _built(walls, offs, shared)
    if shared:
        straight = _attempt(walls, offs, 0.0)
        if straight is not None and _total(straight) - _total(built) < walls[0].options.worth * _total(straight):
            shared, built = 0.0, straight
    kept = _attempt(walls, [0.0] * len(walls), shared) if corners == "square" else None
    squaring = None if kept is None else _total(built) - _total(kept)
    return RoomPlan(built, shared, corners_of(walls), _total(built), squaring)


def _turned(each: RoomWall, off: float, shared: float) -> PlaneOptions:
    """Options of one wall under the shared turn: its own line, brought square by ``off`` [rad], then turned along.

    Turning a plane's normal counter-clockwise by e makes its slope along the wall -tan e.
    """
    return replace(each.options, turn=math.tan(off - math.atan(shared)), turn_up_to=0.0)


def _built(walls: tuple[RoomWall, ...], offs: list[float], shared: float) -> tuple[BuildUp, ...]:
    return tuple(
        place(each.relief, each.wall, options=_turned(each, off, shared)) for each, off in zip(walls, offs, strict=True)
    )


def _attempt(walls: tuple[RoomWall, ...], offs: list[float], shared: float) -> tuple[BuildUp, ...] | None:
    try:
        return _built(walls, offs, shared)
    except Infeasible:
        return None


def _total(built: tuple[BuildUp, ...]) -> float:
    return sum(each.volume.value for each in built)


def _shared_turn(walls: tuple[RoomWall, ...], offs: list[float], most: float) -> float:
    """The shared turn of least total volume: unknowns are each plane's mean height and lean, and the turn."""
    from scipy.optimize import linprog

    problems = [
        replace(problem_of(surface_of(each.relief), _turned(each, off, 0.0)), turn_free=most)
        for each, off in zip(walls, offs, strict=True)
    ]
    count = len(walls)
    blocks, limits = [], []
    for number, problem in enumerate(problems):
        rows = _stacked(problem)
        block = np.zeros((len(rows.limit), 2 * count + 1))
        block[:, number] = rows.matrix[:, 0]
        block[:, count + number] = rows.matrix[:, 2]
        # slopes along the walls fall as the normals turn counter-clockwise (see `_turned`)
        block[:, -1] = -rows.matrix[:, 1]
        blocks.append(block)
        limits.append(rows.limit)
    cost = np.concatenate([[each.relief.net_area for each in walls], np.zeros(count + 1)])
    bounds = [(None, None)] * count + [(-p.lean_free * MM, p.lean_free * MM) for p in problems]
    bounds.append((-most * MM, most * MM))
    found = linprog(cost, A_ub=np.vstack(blocks), b_ub=np.concatenate(limits), bounds=bounds, method="highs")
    if not found.success:
        raise Infeasible(
            "walls of a room",
            "no shared turn up to {most:slope} satisfies all walls",
            needed="planes that meet every wall's least, most and fixed points",
            remedy="Place the walls one by one to see which contradicts, or keep the corners as they are",
            most=slope(most),
        )
    return float(found.x[-1]) / MM


def _stacked(problem: Problem) -> Rows:
    cover, cap, held = rows_of(problem)
    for more in (cap, held):
        cover = cover if more is None else cover + more
    return cover
