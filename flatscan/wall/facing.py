"""Which side of a wall is the room: a wrong one turns humps into hollows.

In this order: the side of a point the user names; of scanner positions; of normals; of the other surfaces found; of
the file's origin, assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue, FlatscanError, UnitsUnknown
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres
from flatscan.core.settled import GIVEN, LIKELY, OPEN, SURE, Otherwise, Settled, file_place
from flatscan.core.units import METRES_PER
from flatscan.wall.planes import Candidate, Thinned

CLEARLY = 3.0
NEAR, FAR = 0.3, 10.0
ON_THE_WALL = 0.05
CLEAR_OF_REVEALS = 0.45
CLEAR_OF_WALLS = 0.3
# of a point somebody may copy: to a centimetre or so in any unit
_DECIMALS = {"m": 2, "mm": 0, "cm": 0, "ft": 2, "in": 1}


@dataclass(frozen=True, slots=True)
class Facing:
    """+1 if the plane's normal points to the room, -1 if away from it; how that is known; remarks.

    ``trouble`` is the error that asks for the side where nothing tells: the sign is then no more than a start.
    """

    sign: float
    settled: Settled
    notes: tuple[Note, ...] = ()
    trouble: FlatscanError | None = None

    @property
    def known(self) -> Note:
        """What tells the side."""
        return self.settled.by


@dataclass(frozen=True, slots=True)
class _Told:
    """A sign, what tells it, how sure that is, and remarks."""

    sign: float
    by: Note
    sure: str = SURE
    notes: tuple[Note, ...] = ()


def decide_facing(
    cloud: Cloud,
    thinned: Thinned,
    planes: list[Candidate],
    plane: Candidate,
    up: Array,
    seen_from: Array | None,
    standing: list[Candidate] | None = None,
) -> Facing:
    """The room side of ``plane``; where nothing tells, what is found then holds the error that asks for it.

    ``standing`` are the other walls, which a point to be given as ``seen_from`` should stand clear of.
    """
    scale = METRES_PER[cloud.origin.file_unit]
    points = {
        sign: file_place(
            (_beside(plane, sign, up, standing or []) + cloud.shift) / scale, _DECIMALS[cloud.origin.file_unit]
        )
        for sign in (1.0, -1.0)
    }
    told = (
        _from_stands(cloud, thinned, plane) or _from_normals(cloud, plane) or _from_surfaces(thinned, planes, plane, up)
    )
    trouble: FlatscanError | None = None
    if seen_from is not None:
        asked, trouble = _as_asked(cloud, plane, seen_from, told, points)
        told = asked or told
    elif told is None:
        told = _from_origin(cloud, plane)
    if told is not None:
        others = (Otherwise(points[-told.sign]),)
        settled = Settled("seen_from", points[told.sign], told.by, told.sure, others)
        return Facing(told.sign, settled, told.notes, None)
    settled = Settled("seen_from", points[1.0], note("wall.facing-open"), OPEN, (Otherwise(points[-1.0]),))
    return Facing(1.0, settled, (), trouble or _ask(cloud, plane, points))


def _beside(plane: Candidate, sign: float, up: Array, standing: list[Candidate]) -> Array:
    """A point (3,) well off the plane on one side of it and, where there is one, clear of the other walls' planes."""
    aside = np.cross(up, plane.normal)
    others = [other for other in standing if other is not plane]
    best, most = plane.centre + sign * plane.normal, -1.0
    for off in (1.0, 0.7, 1.4, 0.5, 2.0):
        for slide in (0.0, 0.5, -0.5, 1.0, -1.0):
            point = plane.centre + sign * off * plane.normal + slide * aside
            clear = min((abs(float(_off(other, point)[0])) for other in others), default=np.inf)
            if clear >= CLEAR_OF_WALLS:
                return point
            if clear > most:
                best, most = point, clear
    return best


def _off(plane: Candidate, points: Array) -> Array:
    """Distance of points (n, 3) from the plane, + on its normal's side [m]."""
    return (np.atleast_2d(points) - plane.centre) @ plane.normal


def _as_asked(
    cloud: Cloud, plane: Candidate, seen_from: Array, told: _Told | None, points: dict[float, str]
) -> tuple[_Told | None, FlatscanError | None]:
    """The side of the point the user named; on the wall itself it tells nothing, and an error says so."""
    off = float(_off(plane, np.asarray(seen_from, float) - cloud.shift)[0])
    if abs(off) < ON_THE_WALL:
        return None, BadValue(
            "{set:seen_from}",
            "the point lies {off:length} from the wall's plane",
            needed="a point on the room side, at least {least:length} off the wall",
            remedy="Give a point well inside the room: {set:seen_from} {one} or {set:seen_from} {two}",
            off=metres(abs(off)),
            least=metres(ON_THE_WALL),
            **_choices(points),
        )
    sign = float(np.sign(off))
    against = [told.by] if told is not None and told.sign != sign else []
    notes = tuple(note("wall.seen-from-against", by=known) for known in against)
    return _Told(sign, note("wall.facing-asked"), GIVEN, notes), None


def _choices(points: dict[float, str]) -> dict[str, object]:
    """The two points that an error offers."""
    one, two = points[1.0], points[-1.0]
    return {"one": one, "two": two, "choices": (("seen_from", one), ("seen_from", two))}


def _from_stands(cloud: Cloud, thinned: Thinned, plane: Candidate) -> _Told | None:
    """The side of the scanner; with stands on both sides, of those nearest to the wall's middle."""
    if cloud.stands is None or not len(cloud.stands):
        return None
    off = _off(plane, cloud.stands)
    away = np.linalg.norm(cloud.stands - np.median(thinned.points[plane.members], axis=0), axis=1)
    usable = np.abs(off) > ON_THE_WALL
    if not usable.any():
        return None
    signs = np.sign(off[usable])
    if abs(signs.sum()) == len(signs):
        return _Told(float(signs[0]), note("wall.facing-stands" if len(signs) > 1 else "wall.facing-stand"))
    nearest = int(np.argmin(np.where(usable, away, np.inf)))
    both = note("wall.stands-on-both-sides", at=middle_of(plane))
    return _Told(float(np.sign(off[nearest])), note("wall.facing-nearest-stand"), LIKELY, (both,))


def middle_of(plane: Candidate) -> tuple[Quantity, ...]:
    """Middle of a surface in the cloud's coordinates, for a remark."""
    return tuple(metres(part) for part in plane.centre)


def _from_normals(cloud: Cloud, plane: Candidate) -> _Told | None:
    """The side the file's own normals point to, if at least nine in ten agree."""
    if cloud.sample_normals is None:
        return None
    close = np.abs(_off(plane, cloud.sample)) < 0.03
    along = cloud.sample_normals[close] @ plane.normal
    along = along[np.abs(along) > 0.7]
    if len(along) < 20:
        return None
    front = float((along > 0).mean())
    if 0.1 < front < 0.9:
        return None
    return _Told(1.0 if front > 0.5 else -1.0, note("wall.facing-normals"))


def _from_surfaces(thinned: Thinned, planes: list[Candidate], plane: Candidate, up: Array) -> _Told | None:
    """The side on which floor, ceiling and other walls lie: those right at the wall first, then all in front of it.

    Only points of large surfaces count: a window's reveal lies behind the wall and must not turn it round.
    """
    aside = np.cross(up, plane.normal)
    own = (thinned.points[plane.members] - plane.centre) @ aside
    others = [p.members for p in planes if p is not plane and (p.area > 0.5)]
    if not others:
        return None
    points = thinned.points[np.concatenate(others)]
    off, across = _off(plane, points), (points - plane.centre) @ aside
    beside = (across > own.min() - 0.2) & (across < own.max() + 0.2)
    for least, most, known in (
        (0.06, CLEAR_OF_REVEALS, note("wall.facing-adjoining")),
        (CLEAR_OF_REVEALS, 4.0, note("wall.facing-others")),
    ):
        within = beside & (np.abs(off) > least) & (np.abs(off) < most)
        front, behind = int((off[within] > 0).sum()), int((off[within] < 0).sum())
        if front + behind >= 30 and max(front, behind) > CLEARLY * min(front, behind):
            return _Told(1.0 if front > behind else -1.0, known)
    return None


def _from_origin(cloud: Cloud, plane: Candidate) -> _Told | None:
    """The side of the file's origin when that lies 0.3 to 10 m off the plane: assumed, and said."""
    off = float(_off(plane, -cloud.shift)[0])
    if not NEAR <= abs(off) <= FAR:
        return None
    assumed = note("wall.facing-assumed", off=metres(abs(off)))
    return _Told(float(np.sign(off)), note("wall.facing-origin"), LIKELY, (assumed,))


def _ask(cloud: Cloud, plane: Candidate, points: dict[float, str]) -> UnitsUnknown:
    """The error that asks which side is the room."""
    return UnitsUnknown(
        cloud.origin.file,
        "nothing tells on which side the room is: no scanner position, no other surface, and the file's "
        "zero point is {off:span.2} off the wall",
        needed="the room side, because on the wrong one humps read as hollows",
        remedy="Give a point on the room side: {set:seen_from} {one} or {set:seen_from} {two}",
        off=metres(abs(float(_off(plane, -cloud.shift)[0]))),
        **_choices(points),
    )
