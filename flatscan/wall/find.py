"""All the walls of a capture, stage by stage: planes, up, facing, fit, outline, openings, numbers, corners."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import FlatscanError, TooFewPoints, WallNotFound
from flatscan.core.geometry import Array, fit_plane, fit_plane_robust, robust_scale
from flatscan.core.model import Cloud, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, metres, share, square_metres
from flatscan.core.settled import Settled
from flatscan.core.showing import Showing
from flatscan.wall.adjust import check_taped, scale_notes
from flatscan.wall.draw import Context, Drawn, draw_wall
from flatscan.wall.facing import Facing, middle_of
from flatscan.wall.levels import lettered, part_notes
from flatscan.wall.numbering import half_seen, net_area, numbers
from flatscan.wall.occupancy import SLAB, count_points, occupancy_cell, stride
from flatscan.wall.orientation import Upright, axis_name, decide_up, is_upright
from flatscan.wall.planes import Bend, Candidate, Thinned, find_bend, find_planes, levels_beside, thin, with_normals
from flatscan.wall.surfaces import Surface, surfaces_of
from flatscan.wall.ways_up import size_of

LEAST_SAMPLE = 100
TINY, TINY_SHARE = 1.0, 0.1
SMALLEST, LARGEST = 0.3, 300.0
SAMPLED = 100_000
LEAST_WALL, LEAST_WIDTH, LEAST_HEIGHT = 0.7, 0.4, 1.0
LEG = 0.6
CLEAR = 0.05
LEAST_CELLS = 30
NEARLY_SQUARE = np.radians(15.0)
_UPRIGHT = "a flat surface within 5 degrees of vertical"


@dataclass(frozen=True, slots=True)
class Corner:
    """Where two walls meet.

    ``left`` and ``right`` are wall numbers as seen from the room facing the corner; ``angle`` [rad] is measured
    inside the room, pi/2 when square. ``out_of_square`` [m] is how far the corner opens (+) or closes (-) against a
    square whose legs are ``leg`` [m]: leg x tan(angle - pi/2), at an outer corner from 3 pi/2; None for a corner over
    15 degrees off square, which was not meant to be square. ``u_out_of_square`` is its random standard uncertainty,
    None where it is not known.
    ``at`` (x, y, z) is the corner's foot in the cloud's coordinates [m].
    """

    left: int
    right: int
    angle: float
    out_of_square: float | None
    u_out_of_square: float | None
    leg: float
    at: tuple[float, float, float]


@dataclass(frozen=True, eq=False, repr=False)
class Room(Showing):
    """All walls of one capture, numbered 1 (largest net area), then clockwise seen from above.

    ``up`` says how up was settled and ``sides`` how each wall's room side was; ``troubles`` are the errors that ask
    for a side which nothing tells, None for every wall that has one.
    """

    walls: tuple[Wall, ...]
    corners: tuple[Corner, ...] = ()
    notes: tuple[Note, ...] = ()
    up: Settled | None = None
    sides: tuple[Settled, ...] = ()
    troubles: tuple[FlatscanError | None, ...] = ()

    def side_of(self, wall: Wall) -> Settled | None:
        """How the room side of one of its walls was settled, None where nobody asked."""
        return self.sides[self._place(wall)] if self.sides else None

    def trouble_of(self, wall: Wall) -> FlatscanError | None:
        """The error that asks for the room side of one of its walls, None where it is told."""
        return self.troubles[self._place(wall)] if self.troubles else None

    def _place(self, wall: Wall) -> int:
        return next(place for place, one in enumerate(self.walls) if one.name == wall.name)


def find_walls(
    cloud: Cloud,
    *,
    up: str | None = None,
    seen_from: Array | None = None,
    width: float | None = None,
    height: float | None = None,
    ask: bool = True,
    levels: bool = True,
) -> Room:
    """The walls of a capture, each with frame, outline and openings, numbered 1 (largest net area), then clockwise.

    ``up`` is x, y, z, -x, -y or -z; ``seen_from`` (3,) a point on the room side in file coordinates [m]; ``width``
    and ``height`` [m] are taped sizes to check the scale with. A wall is a flat, connected surface within 5 degrees
    of vertical: the largest one of any size, and all others of at least 0.7 m2 that are 0.4 m wide and 1 m high. One
    on several levels (`wall.levels`) is found as so many parts behind each other, the largest first, unless without
    ``levels``. Raises `UnitsUnknown` where up or a room side cannot be told (unless ``ask`` is off: then the side is
    left open and the error stands in the room), `WallNotFound` where nothing flat stands upright, `TooFewPoints` for a
    capture with next to nothing in it, and `BadValue` for settings that make no sense.
    """
    check_taped(width, height)
    sample, cloud = cloud.sample, _sampled(cloud)
    thinned = with_normals(*thin(_checked(cloud)))
    planes = find_planes(thinned)
    if not planes:
        raise _nothing_flat(cloud, thinned)
    bend = find_bend(thinned, planes[0])
    if bend is not None and all(find_bend(thinned, plane) for plane in planes[1:3]):
        raise _curved(cloud, bend)
    upright = decide_up(cloud, thinned, planes, up)
    standing = _standing(planes, thinned, upright.direction)
    if not standing:
        raise _nothing_upright(cloud, planes, upright)
    if standing[0].area < TINY and len(standing[0].members) < TINY_SHARE * len(thinned.points):
        raise _nothing_large(cloud, thinned, standing[0])
    standing, bent = _flat_only(cloud, thinned, standing)
    surfaces, planes = surfaces_of(cloud, thinned, planes, standing, upright.direction, seen_from, levels=levels)
    trouble = next((surface.face.trouble for surface in surfaces if surface.face.trouble is not None), None)
    if ask and trouble is not None:
        raise trouble
    drawn, sparse = _drawn(Context(cloud, thinned, planes, upright, sample), surfaces, standing)
    groups = _grouped(drawn)
    order = numbers([group[0][0] for group in groups], upright.direction)
    found = [
        (replace(wall, number=place + 1), more, face) for place, i in enumerate(order) for wall, more, face in groups[i]
    ]
    walls = tuple(
        replace(wall, notes=(*part_notes(wall), *wall.notes, *half_seen(wall), *scale_notes(wall, width, height)))
        for wall, *_ in found
    )
    return Room(
        walls,
        find_corners(walls, [more for _, more, _ in found]),
        (*upright.notes, *bent, *sparse),
        upright.settled,
        tuple(face.settled for *_, face in found),
        tuple(face.trouble for *_, face in found),
    )


def _drawn(
    context: Context, surfaces: list[Surface], standing: list[Candidate]
) -> tuple[list[tuple[Wall, Drawn, Surface]], list[Note]]:
    """Each surface drawn as a wall, scraps left out, and what is said of those too scattered to be one."""
    cloud, thinned = context.cloud, context.thinned
    every = stride(cloud.count)
    counted = cloud.count / every / len(cloud.sample)
    cells = [occupancy_cell(one.fit.plane.area, _close(cloud.sample, one) * counted) for one in surfaces]
    fits = [surface.fit for surface in surfaces]
    grids = count_points(cloud.chunks(), fits, cells, cloud.stands, noise=thinned.scatter, every=every)
    drawn, sparse = list[tuple[Wall, Drawn, Surface]](), list[Note]()
    for surface, grid in zip(surfaces, grids, strict=True):
        beside = [] if surface.levels else levels_beside(thinned, surface.fit.plane, standing)[:1]
        try:
            wall, more = draw_wall(context, surface.fit, grid, surface.face, beside, surface.within)
        except TooFewPoints as reason:
            if len(fits) == 1 or (surface is surfaces[-1] and not drawn):
                raise
            sparse.append(_left_out(surface.fit.plane, thinned, context.upright.direction, reason))
            continue
        drawn.append((wall, more, surface))
    return [one for place, one in enumerate(drawn) if place == 0 or one[2].levels or _is_wall(one[0])], sparse


def _grouped(drawn: list[tuple[Wall, Drawn, Surface]]) -> list[list[tuple[Wall, Drawn, Facing]]]:
    """The walls drawn, each a list of its parts, the largest first."""
    groups = list[list[tuple[Wall, Drawn, Facing]]]()
    for levels in dict.fromkeys(surface.levels or surface for *_, surface in drawn):
        here = [(wall, more, one.face) for wall, more, one in drawn if levels in (one, one.levels)]
        if not isinstance(levels, Surface) and len(here) == len(levels.parts):
            walls = lettered([wall for wall, *_ in here], levels, [net_area(wall) for wall, *_ in here])
            told = {id(wall.frame): (more, face) for wall, more, face in here}
            here = [(wall, *told[id(wall.frame)]) for wall in walls]
        groups += [here] if here[0][0].parts else [[one] for one in here]
    return groups


def _left_out(plane: Candidate, thinned: Thinned, up: Array, reason: TooFewPoints) -> Note:
    """What is said of a wall whose points are too scattered to be a surface: where it is, its size, and why."""
    width, height = size_of(thinned, plane, up)
    return note(
        "wall.too-sparse",
        at=middle_of(plane),
        width=metres(width),
        height=metres(height),
        count=reason.values["count"],
        area=square_metres(max(width * height, 1e-6)),
    )


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
            "a sample of shape {shape} with values that are not numbers",
            needed="points (n, 3) of real numbers",
            remedy="Export the capture again",
            shape=str(points.shape),
        )
    if len(points) < LEAST_SAMPLE:
        raise TooFewPoints(
            cloud.origin.file,
            "{points} points",
            needed="at least {least} to find a wall in",
            remedy="Scan the wall more densely",
            points=len(points),
            least=LEAST_SAMPLE,
        )
    extent = np.ptp(points, axis=0)
    if np.sort(extent)[1] < SMALLEST or extent.max() > LARGEST:
        raise WallNotFound(
            cloud.origin.file,
            "points that fill {x:span.4g} x {y:span.4g} x {z:span.4g}",
            needed="a wall, {least:span} to {most:span} along its longest side",
            remedy="Check the unit with {set:file_unit}, or take a part of it with {set:crop}",
            least=metres(SMALLEST),
            most=metres(LARGEST),
            **_box(extent),
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


def _flat_only(cloud: Cloud, thinned: Thinned, walls: list[Candidate]) -> tuple[list[Candidate], list[Note]]:
    """The walls that are not part of a curved surface, and what is said of the others; an error if none is left."""
    bends = [find_bend(thinned, plane) for plane in walls]
    flat = [plane for plane, bend in zip(walls, bends, strict=True) if bend is None]
    notes = [
        note("wall.curved-left-out", at=middle_of(plane), radius=metres(bend.radius), sagitta=metres(bend.sagitta))
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
        "a curved surface: radius about {radius:span.1}, {sagitta:length} off a plane over its extent",
        needed="a flat wall",
        remedy="Choose a flat wall: a curved one has no plane to be measured from. If it was built flat, it bulges: "
        "keep clear, and have a structural engineer look at it before anything else",
        radius=metres(bend.radius),
        sagitta=metres(bend.sagitta),
    )


def _box(extent: Array) -> dict[str, object]:
    return {axis: metres(size) for axis, size in zip("xyz", extent, strict=True)}


def _nothing_flat(cloud: Cloud, thinned: Thinned) -> WallNotFound:
    return WallNotFound(
        cloud.origin.file,
        "no flat surface among {points} points that fill {x:span.2} x {y:span.2} x {z:span.2}",
        needed=_UPRIGHT,
        remedy="Scan one wall squarely; a curved or cluttered surface cannot be surveyed",
        points=cloud.count,
        **_box(np.ptp(thinned.points, axis=0)),
    )


def _nothing_upright(cloud: Cloud, planes: list[Candidate], upright: Upright) -> WallNotFound:
    """The error that names what was found instead of a wall."""
    kinds, values, up = [], dict[str, object](), upright.direction
    axes = tuple(other.value for other in upright.others if other.value != axis_name(-up))
    ways = " or ".join(f"{{set:up}} {axis}" for axis in axes)
    for number, plane in enumerate(planes[:4]):
        tilt = float(np.degrees(np.arccos(np.clip(abs(np.dot(plane.normal, up)), 0, 1))))
        leaning = f"a surface leaning {{tilt{number}:angle.0}} from vertical"
        kinds.append(f"{'a level surface' if tilt < 5 else leaning} of {{area{number}:area}}")
        values |= {f"tilt{number}": degrees(90 - tilt), f"area{number}": square_metres(plane.area)}
    return WallNotFound(
        cloud.origin.file,
        f"no vertical surface where the file's {{axis}} is up: only {', '.join(kinds)}",
        needed=_UPRIGHT,
        remedy=f"Scan a wall, or say which way is up with {ways}" if axes else "Scan a wall",
        axis=axis_name(up),
        choices=tuple(("up", axis) for axis in axes),
        **values,
    )


def _nothing_large(cloud: Cloud, thinned: Thinned, plane: Candidate) -> WallNotFound:
    """The error for a capture whose largest upright surface is a scrap among other things."""
    return WallNotFound(
        cloud.origin.file,
        "the largest upright flat surface has {area:area} and {share:share} of the points: the rest is other things",
        needed="a wall of {least:area.0}, or a capture that shows little else",
        remedy="Scan the wall itself, from where nothing stands before it",
        area=square_metres(plane.area),
        share=share(len(plane.members) / len(thinned.points)),
        least=square_metres(TINY),
    )


def _close(points: Array, surface: Surface) -> int:
    """How many of the points lie near the surface, whatever else they belong to but other levels of its wall."""
    plane, fit = surface.fit.plane, surface.fit
    near = np.abs((points - plane.centre) @ plane.normal) < SLAB
    if surface.levels is not None:
        place = fit.local(points[near])
        return int(((place[:, :2] > fit.low) & (place[:, :2] < fit.high)).all(axis=1).sum())
    return int(near.sum())


def _is_wall(wall: Wall) -> bool:
    """Whether what is left between the surfaces that adjoin it still has a wall's size."""
    return wall.width >= LEAST_WIDTH and wall.gross_area >= LEAST_WALL / 2


def find_corners(walls: tuple[Wall, ...], drawn: list[Drawn]) -> tuple[Corner, ...]:
    """All corners where the right edge of one wall is the left edge of another, by the left wall's number.

    The walls' own lines within 600 mm of the corner count, as under a square laid into it, clear of the 50 mm that
    scanners smear.
    """
    corners = list[Corner]()
    for i, one in enumerate(drawn):
        for j, two in enumerate(drawn):
            if i == j or not (_is_at(one, 2, two) and _is_at(two, 0, one)):
                continue
            # of a wall on several levels the largest that reaches the corner speaks
            if any((corner.left, corner.right) == (walls[i].number, walls[j].number) for corner in corners):
                continue
            corners.append(_corner(walls[i], walls[j], one, two))
    return tuple(corners)


def _is_at(one: Drawn, side: int, two: Drawn) -> bool:
    number = one.edges[side].plane
    return number is not None and one.planes[number] is two.plane


def _corner(left: Wall, right: Wall, one: Drawn, two: Drawn) -> Corner:
    """Angle inside the room: pi less the turn from the left wall's line to the right one's."""
    turn_left, u_left = _local_turn(left, one, at_right=True)
    turn_right, u_right = _local_turn(right, two, at_right=False)
    up, out_left, out_right = left.frame.up, left.frame.out, right.frame.out
    turn = float(np.arctan2(-np.cross(out_left, out_right) @ up, out_left @ out_right))
    # a slope toward the room at the right end swings the left wall's line into the corner and closes it, and so does
    # a slope away from the room at the right wall's left end
    angle = np.pi - turn - np.arctan(turn_left) + np.arctan(turn_right)
    off = float(angle - (np.pi / 2 if angle < np.pi else 3 * np.pi / 2))
    square = LEG * float(np.tan(off)) if abs(off) < NEARLY_SQUARE else None
    u = None if u_left is None or u_right is None or square is None else float(LEG * np.hypot(u_left, u_right))
    foot = left.frame.to_file(np.array([[left.width, 0.0, 0.0]]))[0]
    at = (float(foot[0]), float(foot[1]), float(foot[2]))
    return Corner(left.number, right.number, float(angle), square, u, LEG, at)


def _local_turn(wall: Wall, drawn: Drawn, *, at_right: bool) -> tuple[float, float | None]:
    """Slope [m per m] of the wall's line near the corner against its frame, and its random uncertainty."""
    grid = drawn.grid
    x = grid.x - drawn.left
    near = (x > wall.width - LEG) & (x < wall.width - CLEAR) if at_right else (x > CLEAR) & (x < LEG)
    y = grid.y - grid.y.mean()
    clear = (y > y.min() + 0.5) & (y < y.max() - 0.5)
    across, upward = np.meshgrid(x, y)
    use = near[None, :] & clear[:, None] & (grid.surface > 0) & np.isfinite(grid.rise)
    if use.sum() < LEAST_CELLS or np.ptp(across[use]) < LEG / 2:
        return 0.0, None
    coefficients, weight = fit_plane_robust(across[use], upward[use], grid.rise[use])
    rest = grid.rise[use] - coefficients[0] - coefficients[1] * across[use] - coefficients[2] * upward[use]
    _, cofactor = fit_plane(across[use], upward[use], grid.rise[use], np.where(weight > 0, 1.0, 1e-9))
    return float(coefficients[1]), robust_scale(rest) * float(np.sqrt(cofactor[1, 1]))
