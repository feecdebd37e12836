"""All the walls of a capture, in the order of the stages: planes, up, facing, fit, outline, openings, numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flatscan.core.errors import TooFewPoints, WallNotFound
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Wall
from flatscan.wall.bend import Bend, find_bend, level_beside
from flatscan.wall.candidates import Candidate, Thinned, find_planes, with_normals
from flatscan.wall.corners import find_corners
from flatscan.wall.draw import Context, draw_wall
from flatscan.wall.facing import axis_text, decide_facing
from flatscan.wall.fit import fit_wall
from flatscan.wall.occupancy import SLAB, count_points, occupancy_cell, stride
from flatscan.wall.room import Room
from flatscan.wall.scale import check_taped, scale_notes
from flatscan.wall.thin import thin
from flatscan.wall.upright import Upright, decide_up, is_upright

LEAST_SAMPLE = 100
TINY, TINY_SHARE = 1.0, 0.1
ALIKE, HALF_SEEN = 0.01, 0.5
SMALLEST, LARGEST = 0.3, 300.0
SAMPLED = 100_000
LEAST_WALL, LEAST_WIDTH, LEAST_HEIGHT = 0.7, 0.4, 1.0


def find_walls(
    cloud: Cloud,
    *,
    up: str | None = None,
    seen_from: Array | None = None,
    width: float | None = None,
    height: float | None = None,
) -> Room:
    """The walls of a capture, each with frame, outline and openings, numbered 1 (largest net area), then clockwise.

    ``up`` is x, y, z, -x, -y or -z; ``seen_from`` (3,) a point on the room side in file coordinates [m]; ``width``
    and ``height`` [m] are taped sizes to check the scale with. A wall is a flat, connected surface within 5 degrees
    of vertical: the largest one of any size, and all others of at least 0.7 m2 that are 0.4 m wide and 1 m high.
    Raises `UnitsUnknown` where up or the room side cannot be told, `WallNotFound` where nothing flat stands upright,
    `TooFewPoints` for a capture with next to nothing in it, and `BadValue` for settings that make no sense.
    """
    check_taped(width, height)
    cloud = _sampled(cloud)
    thinned = with_normals(*thin(_checked(cloud)))
    planes = find_planes(thinned)
    if not planes:
        raise _none_found(cloud, thinned, planes, None)
    bend = find_bend(thinned, planes[0])
    if bend is not None and all(find_bend(thinned, plane) for plane in planes[1:3]):
        raise _curved(cloud, bend)
    upright = decide_up(cloud, thinned, planes, up)
    standing = _standing(planes, thinned, upright.direction)
    if not standing:
        raise _none_found(cloud, thinned, planes, upright)
    if standing[0].area < TINY and len(standing[0].members) < TINY_SHARE * len(thinned.points):
        raise _nothing_large(cloud, thinned, standing[0])
    standing, bent = _flat_only(cloud, thinned, standing)
    faces = [decide_facing(cloud, thinned, planes, plane, upright.direction, seen_from) for plane in standing]
    fits = [
        fit_wall(cloud.sample, thinned, plane, upright.direction, face.sign)
        for plane, face in zip(standing, faces, strict=True)
    ]
    every = stride(cloud.count)
    share = cloud.count / every / len(cloud.sample)
    cells = [occupancy_cell(p.area, _close(cloud.sample, p) * share) for p in standing]
    grids = count_points(cloud.chunks(), fits, cells, cloud.stands, noise=thinned.scatter, every=every)
    context = Context(cloud, thinned, planes, upright)
    drawn, sparse = [], []
    for fit, grid, face in zip(fits, grids, faces, strict=True):
        try:
            drawn.append(draw_wall(context, fit, grid, face, level_beside(thinned, fit.plane, standing)))
        except TooFewPoints as reason:
            if len(fits) == 1 or (fit is fits[-1] and not drawn):
                raise
            sparse.append(f"a wall at {axis_text(fit.plane)} was left out: {reason.found}")
    drawn = [pair for place, pair in enumerate(drawn) if place == 0 or _is_wall(pair[0])]
    order = numbers([wall for wall, _ in drawn], [more.covered for _, more in drawn], upright.direction)
    walls = tuple(replace(drawn[i][0], number=place + 1) for place, i in enumerate(order))
    walls = tuple(replace(wall, notes=(*wall.notes, *scale_notes(wall, width, height))) for wall in walls)
    corners = find_corners(walls, [drawn[i][1] for i in order])
    return Room(walls, corners, (*upright.notes, *bent, *sparse))


def _sampled(cloud: Cloud) -> Cloud:
    """The cloud with an even part of its sample: planes are found as well in 100,000 points."""
    part = slice(None, None, max(1, len(cloud.sample) // SAMPLED))
    normals = None if cloud.sample_normals is None else cloud.sample_normals[part]
    return replace(cloud, sample=cloud.sample[part], sample_normals=normals)


def _checked(cloud: Cloud) -> Array:
    """The cloud's sample, if there is something to find in it."""
    points = cloud.sample
    if points.ndim != 2 or points.shape[1] != 3 or not np.isfinite(points).all():
        raise TooFewPoints(
            cloud.origin.file,
            f"a sample of shape {points.shape} with values that are not finite",
            needed="finite points (n, 3)",
            remedy="Export the capture again",
        )
    if len(points) < LEAST_SAMPLE:
        raise TooFewPoints(
            cloud.origin.file,
            f"{len(points)} points",
            needed=f"at least {LEAST_SAMPLE} to find a wall in",
            remedy="Scan the wall more densely",
        )
    extent = np.ptp(points, axis=0)
    if np.sort(extent)[1] < SMALLEST or extent.max() > LARGEST:
        text = " x ".join(f"{size:.4g}" for size in extent)
        raise WallNotFound(
            cloud.origin.file,
            f"points that fill {text} m",
            needed=f"a wall, {SMALLEST:g} to {LARGEST:g} m along its longest side",
            remedy="Check the unit with --file-unit",
        )
    return points


def _standing(planes: list[Candidate], thinned: Thinned, up: Array) -> list[Candidate]:
    """The vertical surfaces that are walls: the largest, and others of at least 0.7 m2, 0.4 m wide and 1 m high."""
    upright = sorted((plane for plane in planes if is_upright(plane, up)), key=lambda plane: -plane.area)
    if not upright:
        return []
    walls = [upright[0]]
    for plane in upright[1:]:
        points = thinned.points[plane.members]
        tall = float(np.ptp(points @ up))
        wide = float(np.ptp(points @ np.cross(up, plane.normal)))
        if plane.area >= LEAST_WALL and wide >= LEAST_WIDTH and tall >= LEAST_HEIGHT:
            walls.append(plane)
    return walls


def _flat_only(cloud: Cloud, thinned: Thinned, walls: list[Candidate]) -> tuple[list[Candidate], list[str]]:
    """The walls that are not part of a curved surface, and what is said of the others; an error if none is left."""
    bends = [find_bend(thinned, plane) for plane in walls]
    flat = [plane for plane, bend in zip(walls, bends, strict=True) if bend is None]
    notes = [
        f"a curved surface at {axis_text(plane)} was left out: radius about {bend.radius:.1f} m, "
        f"{bend.sagitta * 1000:.0f} mm off a plane"
        for plane, bend in zip(walls, bends, strict=True)
        if bend is not None
    ]
    first = bends[0]
    if first is not None and (not flat or flat[0].area < 0.5 * walls[0].area):
        raise _curved(cloud, first)
    return flat, notes


def _curved(cloud: Cloud, bend: Bend) -> WallNotFound:
    return WallNotFound(
        cloud.origin.file,
        f"a curved surface: radius about {bend.radius:.1f} m, {bend.sagitta * 1000:.0f} mm off a plane over its extent",
        needed="a flat wall", remedy="Choose a flat wall; a curved one has no plane to be measured from",
    )  # fmt: skip


def _none_found(cloud: Cloud, thinned: Thinned, planes: list[Candidate], upright: Upright | None) -> WallNotFound:
    """The error that names what was found instead of a wall."""
    if not planes:
        text = " x ".join(f"{size:.2f}" for size in np.ptp(thinned.points, axis=0))
        found = f"no flat surface among {cloud.count} points that fill {text} m"
        remedy = "Scan one wall squarely; a curved or cluttered surface cannot be surveyed"
    else:
        up = upright.direction if upright else np.array([0.0, 0.0, 1.0])
        kinds = [_kind(plane, up) for plane in planes]
        words = ", ".join(f"{kind} of {plane.area:.1f} m2" for kind, plane in zip(kinds[:4], planes, strict=False))
        found = f"no vertical surface with up by {upright.words if upright else 'the file'}: only {words}"
        remedy = "Scan a wall, or say which way is up with --up"
    return WallNotFound(cloud.origin.file, found, needed="a flat surface within 5 degrees of vertical", remedy=remedy)


def _nothing_large(cloud: Cloud, thinned: Thinned, plane: Candidate) -> WallNotFound:
    """The error for a capture whose largest upright surface is a scrap among other things."""
    share = len(plane.members) / len(thinned.points)
    return WallNotFound(
        cloud.origin.file, f"the largest upright flat surface has {plane.area:.1f} m2 and {share:.0%} of the points: "
        "the rest is other things", needed=f"a wall of {TINY:g} m2, or a capture that shows little else",
        remedy="Scan the wall itself, from where nothing stands before it",
    )  # fmt: skip


def _kind(plane: Candidate, up: Array) -> str:
    tilt = np.degrees(np.arccos(np.clip(abs(np.dot(plane.normal, up)), 0, 1)))
    return "a level surface" if tilt < 5 else f"a surface leaning {90 - tilt:.0f} degrees from vertical"


def _close(points: Array, plane: Candidate) -> int:
    """How many of the points lie near the plane, whatever else they belong to."""
    return int((np.abs((points - plane.centre) @ plane.normal) < SLAB).sum())


def _is_wall(wall: Wall) -> bool:
    """Whether what is left between the surfaces that adjoin it still has a wall's size."""
    return wall.width >= LEAST_WIDTH and wall.gross_area >= LEAST_WALL / 2


def numbers(walls: list[Wall], covered: list[float], up: Array) -> list[int]:
    """Indices of the walls in their order: largest net area, then clockwise seen from above about their middle.

    Of walls whose net areas are alike within `ALIKE`, the one with the most points counts as the largest. A wall of
    which less than half was seen does not come first while there is another.
    """
    middles = [wall.frame.to_file(np.array([[wall.width / 2, wall.height / 2, 0.0]]))[0] for wall in walls]
    areas = np.array([_net_area(wall) for wall in walls])
    seen = np.array(covered) > HALF_SEEN
    areas = np.where(seen, areas, 0.0) if seen.any() else areas
    shares = np.array([wall.share for wall in walls])
    first = int(np.argmax(np.where(areas >= (1 - ALIKE) * areas.max(), shares, -1.0)))
    arms = np.array(middles) - np.mean(middles, axis=0)
    east = walls[first].frame.along
    north = np.cross(up, east)
    turn = np.arctan2(arms @ north, arms @ east)
    clockwise = np.mod(turn[first] - turn + 1e-9, 2 * np.pi)
    return sorted(range(len(walls)), key=lambda i: (i != first, clockwise[i]))


def _net_area(wall: Wall) -> float:
    return wall.gross_area - sum(opening.width * opening.height for opening in wall.openings)
