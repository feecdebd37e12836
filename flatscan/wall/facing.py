"""Which side of a wall is the room: a wrong side turns humps into hollows.

In this order: ``--seen-from``; scanner positions; normals; the other surfaces found; the file's origin, assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue, UnitsUnknown
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud
from flatscan.wall.candidates import Candidate, Thinned

CLEARLY = 3.0
NEAR, FAR = 0.3, 10.0
CLEAR_OF_REVEALS = 0.45


@dataclass(frozen=True, slots=True)
class Facing:
    """+1 if the plane's normal points to the room, -1 if away from it; how that is known; remarks."""

    sign: float
    words: str
    notes: tuple[str, ...] = ()


def decide_facing(
    cloud: Cloud, thinned: Thinned, planes: list[Candidate], plane: Candidate, up: Array, seen_from: Array | None
) -> Facing:
    """The room side of ``plane``; `UnitsUnknown` asks for ``--seen-from`` where nothing tells."""
    automatic = (
        _from_stands(cloud, thinned, plane) or _from_normals(cloud, plane) or _from_surfaces(thinned, planes, plane, up)
    )
    if seen_from is not None:
        return _as_asked(cloud, plane, seen_from, automatic)
    if automatic is not None:
        return automatic
    return _from_origin(cloud, plane)


def _off(plane: Candidate, points: Array) -> Array:
    """Distance of points (n, 3) from the plane, + on its normal's side [m]."""
    return (np.atleast_2d(points) - plane.centre) @ plane.normal


def _as_asked(cloud: Cloud, plane: Candidate, seen_from: Array, automatic: Facing | None) -> Facing:
    """The side of the point the user named; on the wall itself it tells nothing and raises `BadValue`."""
    off = float(_off(plane, np.asarray(seen_from, float) - cloud.shift)[0])
    if abs(off) < 0.05:
        raise BadValue(
            "--seen-from",
            f"the point lies {abs(off) * 1000:.0f} mm from the wall's plane",
            needed="a point on the room side, at least 50 mm off the wall",
            remedy="Give a point well inside the room",
        )
    sign = float(np.sign(off))
    notes: tuple[str, ...] = ()
    if automatic is not None and automatic.sign != sign:
        notes = (f"--seen-from was taken, but {automatic.words} would put the room on the other side: check it",)
    return Facing(sign, "--seen-from", notes)


def _from_stands(cloud: Cloud, thinned: Thinned, plane: Candidate) -> Facing | None:
    """The side of the scanner; with stands on both sides, of those nearest to the wall's middle."""
    if cloud.stands is None or not len(cloud.stands):
        return None
    off = _off(plane, cloud.stands)
    away = np.linalg.norm(cloud.stands - np.median(thinned.points[plane.members], axis=0), axis=1)
    usable = np.abs(off) > 0.05
    if not usable.any():
        return None
    signs = np.sign(off[usable])
    if abs(signs.sum()) == len(signs):
        return Facing(float(signs[0]), "the scanner's positions" if len(signs) > 1 else "the scanner's position")
    nearest = int(np.argmin(np.where(usable, away, np.inf)))
    note = f"scanner positions lie on both sides of the wall at {axis_text(plane)}; the nearest was taken"
    return Facing(float(np.sign(off[nearest])), "the nearest scanner position", (note,))


def axis_text(plane: Candidate) -> str:
    """Middle of a surface in the cloud's coordinates, for a remark."""
    return "(" + ", ".join(f"{part:.1f}" for part in plane.centre) + ") m"


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
    return Facing(1.0 if front > 0.5 else -1.0, "the file's normals")


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
    for least, most, words in (
        (0.06, CLEAR_OF_REVEALS, "the floor, ceiling and walls that adjoin it"),
        (CLEAR_OF_REVEALS, 4.0, "the other surfaces found"),
    ):
        within = beside & (np.abs(off) > least) & (np.abs(off) < most)
        front, behind = int((off[within] > 0).sum()), int((off[within] < 0).sum())
        if front + behind >= 30 and max(front, behind) > CLEARLY * min(front, behind):
            return Facing(1.0 if front > behind else -1.0, words)
    return None


def _from_origin(cloud: Cloud, plane: Candidate) -> Facing:
    """The side of the file's origin when that lies 0.3 to 10 m off the plane: assumed, and said."""
    off = float(_off(plane, -cloud.shift)[0])
    if NEAR <= abs(off) <= FAR:
        note = (
            f"the room side was assumed to be that of the file's origin, {abs(off):.2f} m off the wall; "
            "on the wrong side humps read as hollows: --seen-from x,y,z decides"
        )
        return Facing(float(np.sign(off)), "the file's origin, assumed", (note,))
    middle = plane.centre + cloud.shift
    one, two = middle + plane.normal, middle - plane.normal
    text = [",".join(f"{part:.2f}" for part in point) for point in (one, two)]
    raise UnitsUnknown(
        cloud.origin.file,
        f"nothing tells which side of the wall is the room (no scanner position, normals or other surface; "
        f"the file's origin is {abs(off):.2f} m off the wall)",
        needed="the room side, because on the wrong one humps read as hollows",
        remedy=f"Give a point on the room side: --seen-from {text[0]} or --seen-from {text[1]}",
    )
