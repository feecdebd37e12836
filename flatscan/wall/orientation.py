"""Which way is up.

In this order: what the user says; floor and ceiling; the format's convention; the one file axis that fits.
Floor and ceiling only choose the *axis*; a floor is seldom level to better than a few mm per m, so where it is square
to a file axis within `SQUARE` that axis is taken as the capture's own vertical. Only where no file axis fits is the
floor itself taken as level, with the uncertainty of a floor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.choices import AXES
from flatscan.core.errors import BadValue, UnitsUnknown
from flatscan.core.geometry import Array, unit
from flatscan.core.model import Cloud, Plumb
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.wall.planes import Candidate, Thinned

SQUARE = np.sin(np.radians(3.0))
UPRIGHT = np.sin(np.radians(5.0))
# how level floors and ceilings are built, k = 1: common practice
U_FLOOR = 0.003
STOREY = (2.0, 8.0)
LONE, FITTING = 0.5, 0.7


@dataclass(frozen=True, eq=False)
class Upright:
    """Up (3,), how it is known, what is known of plumb, and remarks."""

    direction: Array
    known: Note
    plumb: Plumb
    notes: tuple[Note, ...] = ()


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
    """Up by the first of the ways above that gives an answer; `UnitsUnknown` asks for it where none does."""
    level = _level_pairs(thinned, planes, list(np.eye(3)))
    if asked is not None:
        return _as_asked(cloud, parse_up(asked), level)
    choice = _choose_level(level, cloud)
    if choice is not None:
        return _by_level(choice, cloud, thinned)
    if cloud.up is not None:
        return _own_vertical(unit(cloud.up), _convention(cloud), cloud)
    only = _only_axes(planes)
    if len(only) == 1:
        return _own_vertical(only[0], note("wall.up-only-axis", axis=axis_name(only[0])), cloud)
    tilted = [] if level else _level_pairs(thinned, planes, [plane.normal for plane in planes], both=True)
    if tilted:
        return _by_tilted(min(tilted, key=lambda found: found.apart or np.inf), thinned, cloud.origin.file)
    raise _ask_for_up(cloud, only)


def _own_vertical(up: Array, known: Note, cloud: Cloud, notes: tuple[Note, ...] = ()) -> Upright:
    """Up along an axis of the capture, which is as plumb as the capture's own vertical."""
    return Upright(up, known, Plumb(note("wall.own-vertical", up=known), cloud.u_up), notes)


def _convention(cloud: Cloud) -> Note:
    """Who says which way the capture's up is: its format, or just the file."""
    return cloud.up_from or note("wall.up-file")


@dataclass(frozen=True, eq=False)
class _Level:
    """A direction with the extreme planes square to it: low and high end (None: not found) and their distance."""

    axis: Array
    low: Candidate | None
    high: Candidate | None
    walls: float

    @property
    def apart(self) -> float | None:
        if self.low is None or self.high is None:
            return None
        return float(np.dot(self.high.centre - self.low.centre, self.axis))


def _level_pairs(thinned: Thinned, planes: list[Candidate], axes: list[Array], *, both: bool = False) -> list[_Level]:
    """For each direction the planes square to it that have (nearly) everything else on one side."""
    found: list[_Level] = []
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
            found.append(_Level(axis, one, two, walls))
    return found


def _stands_on(planes: list[Candidate], square: list[Candidate], walls: float, end: Candidate) -> bool:
    """Whether a lone level surface bears walls: it may be the wall itself, seen by a camera that looks along the axis.

    What stands on it must be large, it must be the largest surface its way, and most of what was found must be
    either level or upright.
    """
    fitting = walls + sum(plane.area for plane in square)
    large = all(end.area > LONE * plane.area for plane in square)
    return walls > LONE * end.area and large and fitting > FITTING * sum(plane.area for plane in planes)


def _choose_level(level: list[_Level], cloud: Cloud) -> _Level | None:
    """The direction whose end planes are floor and ceiling, or None where two would do as well.

    In a box of a room all three pairs of planes look alike: the closest pair a storey apart is floor and ceiling,
    unless the next pair is within 15 % of it; then the format's own convention has to decide.
    """
    if len(level) < 2:
        return level[0] if level else None
    storeys = sorted(
        (found for found in level if found.apart is not None and STOREY[0] <= found.apart <= STOREY[1]),
        key=lambda found: found.apart or 0.0,
    )
    if storeys and (len(storeys) == 1 or (storeys[1].apart or 0) > 1.15 * (storeys[0].apart or 0)):
        return storeys[0]
    if cloud.up is not None:
        return next((found for found in level if abs(np.dot(found.axis, unit(cloud.up))) > 1 - SQUARE), None)
    return None


def _ends(found: _Level) -> Note:
    return note("wall.floor-and-ceiling" if found.apart is not None else "wall.floor-or-ceiling")


def _by_level(found: _Level, cloud: Cloud, thinned: Thinned) -> Upright:
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


def _upside_down(found: _Level, thinned: Thinned) -> list[Note]:
    """A remark where the clutter stands at the upper end."""
    if found.low is None or found.high is None:
        return []
    low, high = _clutter(found, thinned)
    if high < 2 * low + 200:
        return []
    return [note("wall.upside-down", axis=axis_name(found.axis), other=axis_name(-found.axis))]


def _clutter(found: _Level, thinned: Thinned) -> tuple[int, int]:
    """Points 0.15 to 0.9 m from the low and from the high end that do not face sideways, as walls do."""
    heights = thinned.points @ found.axis
    tops = np.abs(thinned.normals @ found.axis) > 0.5
    counts = []
    for plane, sense in ((found.low, 1.0), (found.high, -1.0)):
        away = sense * (heights - float(np.dot(plane.centre, found.axis))) if plane is not None else np.zeros(0)
        counts.append(int(((away > 0.15) & (away < 0.9) & tops).sum()) if plane is not None else 0)
    return counts[0], counts[1]


def _by_tilted(found: _Level, thinned: Thinned, where: str) -> Upright:
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


def _as_asked(cloud: Cloud, axis: Array, level: list[_Level]) -> Upright:
    """Up as the user says, with a remark where floor and ceiling say otherwise."""
    notes = []
    known = {axis_name(found.axis): found for found in level if found.apart is not None}
    if len(known) == 1 and not any(abs(np.dot(found.axis, axis)) > 1 - SQUARE for found in known.values()):
        notes.append(note("wall.up-asked-against", axis=axis_name(axis), other=next(iter(known))))
    return _own_vertical(axis, note("wall.up-asked", axis=axis_name(axis)), cloud, tuple(notes))


def _only_axes(planes: list[Candidate]) -> list[Array]:
    """The file axes that lie in the plane of every large surface, within 3 degrees."""
    large = [plane for plane in planes if plane.area > 0.25 * planes[0].area]
    return [axis for axis in np.eye(3) if all(abs(np.dot(plane.normal, axis)) < SQUARE for plane in large)]


def _ask_for_up(cloud: Cloud, axes: list[Array]) -> UnitsUnknown:
    """The error that shows every reading and asks which axis is up."""
    extent = np.ptp(cloud.sample, axis=0)
    names = [axis_name(axis) for axis in axes] or ["x", "y", "z"]
    sizes = {name: metres(extent["xyz".index(name)]) for name in names}
    found = "no file axes lie in the wall's plane"
    if axes:
        readings = " or ".join(f"{name} ({{{name}:span.2}} that way)" for name in names)
        found = f"{len(axes)} file axes lie in the wall's plane: up may be {readings}"
    return UnitsUnknown(
        cloud.origin.file,
        found,
        needed="one, to know which way is up",
        remedy="Say which with {set:up} {first} (or {others})",
        first=names[-1],
        others=", ".join(names[:-1] + [f"-{name}" for name in names]),
        **sizes,
    )
