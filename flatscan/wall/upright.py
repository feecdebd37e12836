"""Which way is up: what the user says, floor and ceiling, the format's convention, or the one file axis that fits.

Floor and ceiling only choose the *axis*; a floor is seldom level to better than a few mm per m, so where it is square
to a file axis within `SQUARE` that axis is taken as the capture's own vertical. Only where no file axis fits is the
floor itself taken as level, with the uncertainty of a floor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue, UnitsUnknown
from flatscan.core.geometry import Array, unit
from flatscan.core.model import Cloud, Plumb
from flatscan.core.notes import Note, note
from flatscan.wall.candidates import Candidate, Thinned

SQUARE = np.sin(np.radians(3.0))
UPRIGHT = np.sin(np.radians(5.0))
# how level floors and ceilings are built, k = 1: common practice
U_FLOOR = 0.003
STOREY = (2.0, 8.0)
LONE, FITTING = 0.5, 0.7
AXES = {"x": (1.0, 0, 0), "y": (0, 1.0, 0), "z": (0, 0, 1.0)}


@dataclass(frozen=True, eq=False)
class Upright:
    """Up (3,), how it is known in words, what is known of plumb, and remarks."""

    direction: Array
    words: Note | str
    plumb: Plumb
    notes: tuple[Note | str, ...] = ()


def parse_up(text: str) -> Array:
    """Unit vector (3,) of ``x``, ``y``, ``z``, ``-x``, ``-y`` or ``-z``; anything else raises `BadValue`."""
    word = text.strip().lower()
    name = word.lstrip("+-")
    if name not in AXES or len(word) - len(name) > 1:
        raise BadValue(
            "--up",
            f"'{text}' is not an axis",
            needed="x, y, z, -x, -y or -z",
            remedy="Name the file axis that points up",
        )
    return np.array(AXES[name]) * (-1.0 if word.startswith("-") else 1.0)


def axis_name(direction: Array) -> str:
    """``z``, ``-y`` and so on for a direction along a file axis, else its three components."""
    place = int(np.argmax(np.abs(direction)))
    if abs(direction[place]) < 1 - 1e-9:
        return "(" + ", ".join(f"{part:.3f}" for part in direction) + ")"
    return ("-" if direction[place] < 0 else "") + "xyz"[place]


def is_upright(plane: Candidate, up: Array) -> bool:
    """Whether a plane stands within 5 degrees of vertical."""
    return bool(abs(np.dot(plane.normal, up)) < UPRIGHT)


def decide_up(cloud: Cloud, thinned: Thinned, planes: list[Candidate], asked: str | None) -> Upright:
    """Up by the first of the ways above that gives an answer; `UnitsUnknown` asks for ``--up`` where none does."""
    level = _level_pairs(thinned, planes, list(np.eye(3)))
    if asked is not None:
        return _as_asked(cloud, parse_up(asked), level)
    choice = _choose_level(level, cloud)
    if choice is not None:
        return _by_level(choice, cloud, thinned)
    if cloud.up is not None:
        source = cloud.up_from or note("wall.the-file")
        return Upright(unit(cloud.up), source, Plumb(note("wall.own-vertical", source=source), cloud.u_up))
    only = _only_axes(planes)
    if len(only) == 1:
        words = f"the file's {axis_name(only[0])}, the one axis that lies in the wall's plane; its positive end taken"
        return Upright(only[0], words, Plumb(f"the capture's own vertical ({words})", cloud.u_up))
    tilted = [] if level else _level_pairs(thinned, planes, [plane.normal for plane in planes], both=True)
    if tilted:
        return _by_tilted(min(tilted, key=lambda found: found.apart or np.inf), thinned, cloud.origin.file)
    raise _ask_for_up(cloud, only)


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


def _ends(found: _Level) -> str:
    return "floor and ceiling" if found.apart is not None else "a floor or ceiling"


def _by_level(found: _Level, cloud: Cloud, thinned: Thinned) -> Upright:
    """Up along the file axis that floor or ceiling are square to, in the sense of the convention, else positive.

    A lone surface at the positive end may be a ceiling without a floor, or the floor of a file that points down:
    the first is taken, and said.
    """
    notes: list[Note | str] = [*_upside_down(found, thinned)] if cloud.up is None else []
    sense = 1.0
    if cloud.up is None and found.low is None:
        name = axis_name(found.axis)
        notes.append(
            f"one level surface was found, at the upper end of the file's {name}, and taken as a ceiling: "
            f"if it is the floor, say --up -{name}"
        )
    if cloud.up is not None:
        along = float(np.dot(found.axis, unit(cloud.up)))
        if abs(along) > 1 - SQUARE:
            sense = float(np.sign(along))
        else:
            notes.append(
                note(
                    "wall.up-against-level",
                    source=cloud.up_from or note("wall.the-file"),
                    axis=axis_name(unit(cloud.up)),
                    ends=_ends(found),
                    level=axis_name(found.axis),
                )
            )
    axis = found.axis * sense
    words = f"{_ends(found)} found, square to the file's {axis_name(axis)}"
    if cloud.up is None:
        words += ", its positive direction taken as up"
    return Upright(axis, words, Plumb(f"the capture's own vertical ({words})", cloud.u_up), tuple(notes))


def _upside_down(found: _Level, thinned: Thinned) -> list[str]:
    """A remark where the clutter stands at the upper end."""
    if found.low is None or found.high is None:
        return []
    low, high = _clutter(found, thinned)
    if high < 2 * low + 200:
        return []
    name = axis_name(found.axis)
    return [
        f"the file's positive {name} was taken as up, but more stands at that end than at the other: if the capture "
        f"hangs upside down, say --up -{name}"
    ]


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
            remedy="Export it with gravity upright, or say with --up which file axis is within a few degrees of up",
        )
    if near_high > near_low:
        axis = -axis
    normals = [p.normal * np.sign(np.dot(p.normal, axis)) for p in (found.low, found.high) if p is not None]
    apart = float(np.linalg.norm(normals[0] - normals[-1]))
    words = "floor and ceiling found and taken as level: no file axis is square to them"
    plumb = Plumb("floor and ceiling, taken as level", max(U_FLOOR, apart / 2))
    return Upright(unit(np.sum(normals, axis=0)), words, plumb)


def _as_asked(cloud: Cloud, axis: Array, level: list[_Level]) -> Upright:
    """Up as the user says, with a remark where floor and ceiling say otherwise."""
    notes = []
    known = {axis_name(found.axis): found for found in level if found.apart is not None}
    if len(known) == 1 and not any(abs(np.dot(found.axis, axis)) > 1 - SQUARE for found in known.values()):
        other = next(iter(known))
        notes.append(
            f"--up {axis_name(axis)} was taken, but floor and ceiling are square to the file's {other}: check it"
        )
    words = f"--up {axis_name(axis)}"
    return Upright(axis, words, Plumb(f"the capture's own vertical ({words})", cloud.u_up), tuple(notes))


def _only_axes(planes: list[Candidate]) -> list[Array]:
    """The file axes that lie in the plane of every large surface, within 3 degrees."""
    large = [plane for plane in planes if plane.area > 0.25 * planes[0].area]
    return [axis for axis in np.eye(3) if all(abs(np.dot(plane.normal, axis)) < SQUARE for plane in large)]


def _ask_for_up(cloud: Cloud, axes: list[Array]) -> UnitsUnknown:
    """The error that shows every reading and asks for ``--up``."""
    extent = np.ptp(cloud.sample, axis=0)
    names = [axis_name(axis) for axis in axes] or ["x", "y", "z"]
    sizes = " or ".join(f"{name} ({extent['xyz'.index(name)]:.2f} m that way)" for name in names)
    found = f"{len(axes) or 'no'} file axes lie in the wall's plane" + (f": up may be {sizes}" if axes else "")
    others = ", ".join(names[:-1] + [f"-{name}" for name in names])
    return UnitsUnknown(
        cloud.origin.file,
        found,
        needed="one, to know which way is up",
        remedy=f"Say which with --up {names[-1]} (or {others})",
    )
