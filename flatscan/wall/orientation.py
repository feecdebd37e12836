"""Which way is up.

What the user says; else gravity where the capture felt it, which is a direction and no file axis; else the file axis
that most speaks for (`flatscan.wall.ways_up`): floor and ceiling, the format's convention, a door, the one axis that
fits, and the size of the wall it makes; two that are as likely are asked for.
Floor and ceiling only choose the *axis*; a floor is seldom level to better than a few mm per m, so where it is square
to a file axis within `SQUARE` that axis is taken as the capture's own vertical. Only where no file axis fits is the
floor itself taken as level, with the uncertainty of a floor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.choices import AXES
from flatscan.core.errors import BadValue, UnitsUnknown
from flatscan.core.geometry import Array, unit
from flatscan.core.model import Cloud, Plumb
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.settled import GIVEN, LIKELY, SURE, Otherwise, Settled
from flatscan.wall.planes import Candidate, Thinned
from flatscan.wall.ways_up import CLEAR_LEAD, HIGH, LEAD, LEAST, SQUARE, UPRIGHT, Level, WayUp, only_axes, ways_up

# how level floors and ceilings are built, k = 1: common practice
U_FLOOR = 0.003
LONE, FITTING = 0.5, 0.7
_SIDES = ("width", "height")
# an axis within 20 degrees is the one nearest to up; closer than the second a direction is an axis
UPWARD, _EXACT = np.cos(np.radians(20.0)), 1e-9


@dataclass(frozen=True, eq=False)
class Upright:
    """Up (3,), how it is known, what is known of plumb, remarks, and how sure it is with what else may be up."""

    direction: Array
    known: Note
    plumb: Plumb
    notes: tuple[Note, ...] = ()
    sure: str = SURE
    others: tuple[Otherwise, ...] = ()

    @property
    def settled(self) -> Settled:
        """How up was settled, with the option that says it."""
        return Settled("up", axis_name(self.direction), self.known, self.sure, self.others)


def parse_up(text: str) -> Array:
    """Unit vector (3,) of ``x``, ``y``, ``z``, ``-x``, ``-y`` or ``-z``; anything else raises `BadValue`."""
    word = text.strip().lower()
    name = word.removeprefix("+")
    if name not in AXES:
        raise BadValue(
            "{set:up}",
            "'{text}' is not an axis",
            needed=f"one of {', '.join(AXES)}",
            remedy="Name the file axis that points up",
            text=text,
        )
    return np.array(AXES[name])


def axis_name(direction: Array) -> str:
    """``z``, ``-y`` and so on for a direction along a file axis, else its three components."""
    components = ", ".join(f"{part:.3f}" for part in direction)
    return next((name for name, axis in AXES.items() if np.dot(axis, direction) >= 1 - 1e-9), f"({components})")


def is_upright(plane: Candidate, up: Array) -> bool:
    """Whether a plane stands within 5 degrees of vertical."""
    return bool(abs(np.dot(plane.normal, up)) < UPRIGHT)


def decide_up(cloud: Cloud, thinned: Thinned, planes: list[Candidate], asked: str | None) -> Upright:
    """Up by what most speaks for it; `UnitsUnknown` asks for it where nothing does, or as much for two axes."""
    level = _level_pairs(thinned, planes, list(np.eye(3)))
    ways = ways_up(cloud, thinned, planes, level)
    felt = _felt(cloud, planes)
    if asked is not None:
        axis = parse_up(asked)
        # who names an axis says which way, and gravity how it leans
        direction = axis if felt is None or np.dot(felt, axis) < UPWARD else felt
        return replace(_as_asked(cloud, axis, direction, level), sure=GIVEN, others=_others(ways, axis))
    told = [way for way in ways if way.told]
    if cloud.photographed is not None and cloud.up is not None:
        # photos stand in the axes of their targets, or of how they were held: a wall less high than wide is no riddle
        upright = _own_vertical(unit(cloud.up), _convention(cloud), cloud)
        return replace(upright, sure=LIKELY, others=_others(ways, upright.direction, flip=False))
    if felt is not None:
        confirmed = _level_pairs(thinned, planes, [felt])
        upright = _own_vertical(felt, _convention(cloud), cloud)
        return replace(upright, sure=SURE if confirmed else LIKELY, others=_others(ways, felt, flip=False))
    if not told and cloud.up is not None:
        # square to nothing that was found: what stands upright to it will be looked for all the same
        upright = _own_vertical(unit(cloud.up), _convention(cloud), cloud)
        return replace(upright, sure=LIKELY, others=_others(ways, upright.direction, flip=False))
    if not told:
        tilted = [] if level else _level_pairs(thinned, planes, [plane.normal for plane in planes], both=True)
        if tilted:
            return _by_tilted(min(tilted, key=lambda found: found.apart or np.inf), thinned, cloud.origin.file)
        raise _ask_for_up(cloud, only_axes(planes), ways)
    best = told[0]
    rivals = [way for way in ways if way is not best and way.points > max(best.points - LEAD, LEAST) + 1e-9]
    if best.points <= LEAST or rivals:
        raise _ask_which(cloud, [best, *rivals])
    second = next((way for way in ways if way is not best and way.points > LEAST), None)
    sure = SURE if second is None or best.points - second.points >= CLEAR_LEAD - 1e-9 else LIKELY
    upright = _by_way(best, cloud, thinned)
    return replace(upright, sure=sure, others=_others(ways, upright.direction, flip=cloud.up is None))


def _felt(cloud: Cloud, planes: list[Candidate]) -> Array | None:
    """Up (3,) as the capture itself measured it, where something stands upright to it; a convention is a file axis."""
    if cloud.up is None:
        return None
    up = unit(cloud.up)
    measured = float(np.abs(up).max()) < 1 - _EXACT
    return up if measured and any(is_upright(plane, up) for plane in planes) else None


def _by_way(way: WayUp, cloud: Cloud, thinned: Thinned) -> Upright:
    """Up along an axis, known by what tells it most."""
    if way.level is not None:
        return _by_level(way.level, cloud, thinned)
    if way.convention and cloud.up is not None:
        return _own_vertical(unit(cloud.up), _convention(cloud), cloud)
    return _own_vertical(way.axis, note("wall.up-only-axis", axis=axis_name(way.axis)), cloud)


def _others(ways: list[WayUp], taken: Array, *, flip: bool = True) -> tuple[Otherwise, ...]:
    """What else may be up: other axes that make a wall, and the same one the other way round."""
    others = [
        Otherwise(axis_name(way.axis), way.width, way.height)
        for way in ways
        if abs(np.dot(way.axis, taken)) < 0.5 and way.points > LEAST
    ]
    same = next((way for way in ways if abs(np.dot(way.axis, taken)) > 1 - SQUARE), None)
    over = [Otherwise(axis_name(-taken), same.width, same.height)] if flip and same is not None else []
    return (*others, *over)


def _own_vertical(up: Array, known: Note, cloud: Cloud, notes: tuple[Note, ...] = ()) -> Upright:
    """Up along an axis of the capture, which is as plumb as the capture's own vertical."""
    return Upright(up, known, Plumb(note("wall.own-vertical", up=known), cloud.u_up), notes)


def _convention(cloud: Cloud) -> Note:
    """Who says which way the capture's up is: its format, or just the file."""
    return cloud.up_from or note("wall.up-file")


def _level_pairs(thinned: Thinned, planes: list[Candidate], axes: list[Array], *, both: bool = False) -> list[Level]:
    """For each direction the planes square to it that have (nearly) everything else on one side."""
    found: list[Level] = []
    for axis in axes:
        if any(abs(np.dot(axis, other.axis)) > 1 - SQUARE for other in found):
            continue
        square = [p for p in planes if np.linalg.norm(np.cross(p.normal, axis)) < SQUARE and p.area > 0.5]
        walls = sum(p.area for p in planes if is_upright(p, axis))
        heights = thinned.points @ axis
        lowest, highest = np.quantile(heights, (0.02, 0.98))
        low = [p for p in square if np.dot(p.centre, axis) < lowest + 0.15]
        high = [p for p in square if np.dot(p.centre, axis) > highest - 0.15]
        one = max(low, key=lambda p: p.area, default=None)
        two = max(high, key=lambda p: p.area, default=None)
        ends = [plane for plane in (one, two) if plane is not None]
        enough = _stands_on(planes, square, walls, ends[0]) if len(ends) == 1 else walls > 0
        if enough and len(ends) >= (2 if both else 1):
            found.append(Level(axis, one, two, walls))
    return found


def _stands_on(planes: list[Candidate], square: list[Candidate], walls: float, end: Candidate) -> bool:
    """Whether a lone level surface bears walls: it may be the wall itself, seen by a camera that looks along the axis.

    What stands on it must be large, it must be the largest surface its way, and most of what was found must be
    either level or upright.
    """
    fitting = walls + sum(plane.area for plane in square)
    large = all(end.area > LONE * plane.area for plane in square)
    return walls > LONE * end.area and large and fitting > FITTING * sum(plane.area for plane in planes)


def _ends(found: Level) -> Note:
    return note("wall.floor-and-ceiling" if found.apart is not None else "wall.floor-or-ceiling")


def _by_level(found: Level, cloud: Cloud, thinned: Thinned) -> Upright:
    """Up along the file axis that floor or ceiling are square to, in the sense of the convention, else positive.

    A lone surface at the positive end may be a ceiling without a floor, or the floor of a file that points down:
    the first is taken, and said.
    """
    sense, notes = 1.0, list(_upside_down(found, thinned)) if cloud.up is None else []
    if cloud.up is None and found.low is None:
        notes.append(note("wall.taken-as-ceiling", axis=axis_name(found.axis), other=axis_name(-found.axis)))
    if cloud.up is not None:
        along = float(np.dot(found.axis, unit(cloud.up)))
        if abs(along) > 1 - SQUARE:
            sense = float(np.sign(along))
        else:
            said, taken = axis_name(unit(cloud.up)), axis_name(found.axis)
            by, ends = _convention(cloud), _ends(found)
            notes.append(note("wall.up-against-convention", by=by, said=said, ends=ends, taken=taken))
    axis = found.axis * sense
    ends, name = _ends(found), axis_name(axis)
    known = note("wall.up-level-positive" if cloud.up is None else "wall.up-level", ends=ends, axis=name)
    return _own_vertical(axis, known, cloud, tuple(notes))


def _upside_down(found: Level, thinned: Thinned) -> list[Note]:
    """A remark where the clutter stands at the upper end."""
    if found.low is None or found.high is None:
        return []
    low, high = _clutter(found, thinned)
    if high < 2 * low + 200:
        return []
    return [note("wall.upside-down", axis=axis_name(found.axis), other=axis_name(-found.axis))]


def _clutter(found: Level, thinned: Thinned) -> tuple[int, int]:
    """Points 0.15 to 0.9 m from the low and from the high end that do not face sideways, as walls do."""
    heights = thinned.points @ found.axis
    tops = np.abs(thinned.normals @ found.axis) > 0.5
    counts = []
    for plane, sense in ((found.low, 1.0), (found.high, -1.0)):
        away = sense * (heights - float(np.dot(plane.centre, found.axis))) if plane is not None else np.zeros(0)
        counts.append(int(((away > 0.15) & (away < 0.9) & tops).sum()) if plane is not None else 0)
    return counts[0], counts[1]


def _by_tilted(found: Level, thinned: Thinned, where: str) -> Upright:
    """Up square to floor and ceiling of a capture whose axes all lean; the furnished end is the floor."""
    axis = found.axis
    near_low, near_high = _clutter(found, thinned)
    if max(near_low, near_high) < 2 * min(near_low, near_high) + 100:
        raise UnitsUnknown(
            where,
            "floor and ceiling found but not which is which, and no file axis is square to them",
            needed="to know which way is up",
            remedy="Export it with gravity upright, or say with {set:up} which file axis is within a few degrees of up",
        )
    if near_high > near_low:
        axis = -axis
    normals = [p.normal * np.sign(np.dot(p.normal, axis)) for p in (found.low, found.high) if p is not None]
    apart = float(np.linalg.norm(normals[0] - normals[-1]))
    plumb = Plumb(note("wall.floor-as-level"), max(U_FLOOR, apart / 2))
    return Upright(unit(np.sum(normals, axis=0)), note("wall.up-floor-as-level"), plumb)


def _as_asked(cloud: Cloud, axis: Array, direction: Array, level: list[Level]) -> Upright:
    """Up in a ``direction`` at most some degrees off the axis the user names, with a remark where levels differ."""
    notes = []
    known = {axis_name(found.axis): found for found in level if found.apart is not None}
    if len(known) == 1 and not any(abs(np.dot(found.axis, axis)) > 1 - SQUARE for found in known.values()):
        notes.append(note("wall.up-asked-against", axis=axis_name(axis), other=next(iter(known))))
    return _own_vertical(direction, note("wall.up-asked", axis=axis_name(axis)), cloud, tuple(notes))


def _ask_which(cloud: Cloud, ways: list[WayUp]) -> UnitsUnknown:
    """The error that shows what wall each reading makes and asks which it is."""
    names = [axis_name(way.axis) for way in ways]
    values = {
        f"{name}_{side}": metres(getattr(way, side)) for name, way in zip(names, ways, strict=True) for side in _SIDES
    }
    walls = [
        f"with {name} up the largest wall is about {{{name}_width:span.1}} wide and {{{name}_height:span.1}} high"
        for name in names
    ]
    return UnitsUnknown(
        cloud.origin.file,
        f"it is not clear which way is up: {', '.join(walls)}",
        needed="one that is plausible: rooms are {low:span} to {high:span} high, facades wider than high",
        remedy="Say which it is: " + " or ".join(f"{{set:up}} {name}" for name in names),
        choices=tuple(("up", name) for name in names),
        low=metres(2.0),
        high=metres(HIGH),
        **values,
    )


def _ask_for_up(cloud: Cloud, axes: list[Array], ways: list[WayUp]) -> UnitsUnknown:
    """The error that shows every reading and asks which axis is up; none is named that no surface stands along."""
    # the wall's own height that way: a few strays would make it larger
    heights = {axis_name(way.axis): way.height for way in ways}
    extent = np.ptp(cloud.sample, axis=0)
    names = [axis_name(axis) for axis in axes]
    possible = names or sorted(axis_name(way.axis) for way in ways)
    found = "no file axes lie in the wall's plane"
    if axes:
        readings = " or ".join(f"{name} ({{{name}:span.2}} that way)" for name in names)
        found = f"{len(axes)} file axes lie in the wall's plane: up may be {readings}"
    if not possible:
        return UnitsUnknown(
            cloud.origin.file,
            f"{found}, nor in that of any other surface",
            needed="one, to know which way is up",
            remedy="Export it with gravity upright along one of its axes",
        )
    others = ", ".join(possible[:-1] + [f"-{name}" for name in possible])
    return UnitsUnknown(
        cloud.origin.file,
        found,
        needed="one, to know which way is up",
        remedy=f"Say which with {{set:up}} {possible[-1]} (or {others})",
        choices=tuple(("up", name) for name in (*possible, *(f"-{name}" for name in possible))),
        **{name: metres(heights.get(name) or float(extent["xyz".index(name)])) for name in names},
    )
