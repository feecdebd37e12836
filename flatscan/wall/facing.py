"""Which side of a wall is the room: a wrong one turns humps into hollows.

In this order: the side of a point the user names; of scanner positions; of normals; of the other surfaces found; of
the file's origin, assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue, UnitsUnknown
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres
from flatscan.wall.planes import Candidate, Thinned

CLEARLY = 3.0
NEAR, FAR = 0.3, 10.0
ON_THE_WALL = 0.05
CLEAR_OF_REVEALS = 0.45


@dataclass(frozen=True, slots=True)
class Facing:
    """+1 if the plane's normal points to the room, -1 if away from it; how that is known; remarks."""

    sign: float
    known: Note
    notes: tuple[Note, ...] = ()


def decide_facing(
    cloud: Cloud, thinned: Thinned, planes: list[Candidate], plane: Candidate, up: Array, seen_from: Array | None
) -> Facing:
    """The room side of ``plane``; `UnitsUnknown` asks for it where nothing tells."""
    automatic = (
        _from_stands(cloud, thinned, plane) or _from_normals(cloud, plane) or _from_surfaces(thinned, planes, plane, up)
    )
    if seen_from is not None:
        return _facing_as_asked(cloud, plane, seen_from, automatic)
    if automatic is not None:
        return automatic
    return _from_origin(cloud, plane)


def _off(plane: Candidate, points: Array) -> Array:
    """Distance of points (n, 3) from the plane, + on its normal's side [m]."""
    return (np.atleast_2d(points) - plane.centre) @ plane.normal


def _facing_as_asked(cloud: Cloud, plane: Candidate, seen_from: Array, automatic: Facing | None) -> Facing:
    """The side of the point the user named; on the wall itself it tells nothing and raises `BadValue`."""
    off = float(_off(plane, np.asarray(seen_from, float) - cloud.shift)[0])
    if abs(off) < ON_THE_WALL:
        raise BadValue(
            "{set:seen_from}",
            "the point lies {off:length} from the wall's plane",
            needed="a point on the room side, at least {least:length} off the wall",
            remedy="Give a point well inside the room",
            off=metres(abs(off)),
            least=metres(ON_THE_WALL),
        )
    sign = float(np.sign(off))
    against = [automatic.known] if automatic is not None and automatic.sign != sign else []
    return Facing(sign, note("wall.facing-asked"), tuple(note("wall.seen-from-against", by=known) for known in against))


def _from_stands(cloud: Cloud, thinned: Thinned, plane: Candidate) -> Facing | None:
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
        return Facing(float(signs[0]), note("wall.facing-stands" if len(signs) > 1 else "wall.facing-stand"))
    nearest = int(np.argmin(np.where(usable, away, np.inf)))
    both = note("wall.stands-on-both-sides", at=middle_of(plane))
    return Facing(float(np.sign(off[nearest])), note("wall.facing-nearest-stand"), (both,))


def middle_of(plane: Candidate) -> tuple[Quantity, ...]:
    """Middle of a surface in the cloud's coordinates, for a remark."""
    return tuple(metres(part) for part in plane.centre)


def _from_normals(cloud: Cloud, plane: Candidate) -> Facing | None:
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
    return Facing(1.0 if front > 0.5 else -1.0, note("wall.facing-normals"))


def _from_surfaces(thinned: Thinned, planes: list[Candidate], plane: Candidate, up: Array) -> Facing | None:
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
            return Facing(1.0 if front > behind else -1.0, known)
    return None


def _from_origin(cloud: Cloud, plane: Candidate) -> Facing:
    """The side of the file's origin when that lies 0.3 to 10 m off the plane: assumed, and said."""
    off = float(_off(plane, -cloud.shift)[0])
    if NEAR <= abs(off) <= FAR:
        assumed = note("wall.facing-assumed", off=metres(abs(off)))
        return Facing(float(np.sign(off)), note("wall.facing-origin"), (assumed,))
    middle = plane.centre + cloud.shift
    one, two = middle + plane.normal, middle - plane.normal
    text = [",".join(f"{part:.2f}" for part in point) for point in (one, two)]
    raise UnitsUnknown(
        cloud.origin.file,
        "nothing tells which side of the wall is the room (no scanner position, normals or other surface; "
        "the file's origin is {off:span.2} off the wall)",
        needed="the room side, because on the wrong one humps read as hollows",
        remedy="Give a point on the room side: {set:seen_from} {one} or {set:seen_from} {two}",
        off=metres(abs(off)),
        one=text[0],
        two=text[1],
    )
