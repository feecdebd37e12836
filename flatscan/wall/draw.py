"""One wall from its fit and its grid: its edges, its outline, the strips left out, and what is said of it.

The outline is a rectangle, cut by slanting edges where the points show them. Notches do not cut it: what hides behind
furniture is not measured, what is a door is an opening. Other walls, floor and ceiling fix edges where the points
alone would smear them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array, Mask, unit
from flatscan.core.model import Cloud, Opening, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, square_metres
from flatscan.wall.facing import Facing
from flatscan.wall.features import ROW, Plate, Skirting, find_plates, find_skirting
from flatscan.wall.fit import Fit, fit_wall
from flatscan.wall.occupancy import SLAB, Occupancy, bounds, clean
from flatscan.wall.openings import find_openings
from flatscan.wall.orientation import Upright
from flatscan.wall.outline import left_out, outline_polygon
from flatscan.wall.planes import Candidate, Thinned
from flatscan.wall.smear import USUAL, Edges
from flatscan.wall.surfaces import Within

REACH = 0.3
SIDES = (note("wall.side-left"), note("wall.side-bottom"), note("wall.side-right"), note("wall.side-top"))
_NOT_PARALLEL = np.sin(np.radians(30.0))
MOVED = 0.15
NARROW = 0.6
OVER_SKIRTING = 0.01
LEAST_CELLS = 12


@dataclass(frozen=True, eq=False)
class Context:
    """What all walls of a capture share; ``sample`` (n, 3) is the capture's own, of which the cloud's may be a part."""

    cloud: Cloud
    thinned: Thinned
    planes: list[Candidate]
    upright: Upright
    sample: Array


@dataclass(frozen=True, eq=False)
class Drawn:
    """What corners need of a wall beside the wall itself.

    Its surface, its grid, the surfaces at its edges, and where its left edge lies in the grid's coordinates [m].
    """

    plane: Candidate
    grid: Occupancy
    edges: tuple[Edge, ...]
    planes: list[Candidate]
    left: float


def draw_wall(
    context: Context,
    fit: Fit,
    grid: Occupancy,
    face: Facing,
    levels: list[tuple[Candidate, float]],
    within: Within | None = None,
) -> tuple[Wall, Drawn]:
    """One wall, not yet numbered: its frame stands at the lower left of its full outline.

    ``within`` are the lines that part a level of a wall from the others: strips beside them are not measured.
    Raises `TooFewPoints` where the points near its plane are too scattered to be a surface.
    """
    cloud = context.cloud
    grid = grid if within is None else within.cut(grid)
    occupied = clean(grid.surface)
    if occupied.sum() < LEAST_CELLS or min(np.ptp(index) for index in np.nonzero(occupied)) < 2:
        raise TooFewPoints(
            cloud.origin.file,
            "{count} scattered points on a wall",
            needed="a surface",
            remedy="Scan the wall more densely",
            count=int(grid.surface.sum()),
        )
    edges = adjoining_edges(fit, bounds(grid, occupied), context.planes, context.thinned)
    at_line = (None,) * 4 if within is None else within.at_line
    edges = tuple(edge if line is None else Edge(line) for edge, line in zip(edges, at_line, strict=True))
    adjoined = np.array([edge.plane is not None for edge in edges])
    stepped = np.array([line is not None for line in at_line])
    whole = outline_polygon(grid, occupied, np.array([edge.place for edge in edges]), adjoined | stepped)
    holes = find_openings(grid, occupied, whole)
    plates = find_plates(grid, occupied)
    corner = whole.min(axis=0)
    skirting = None if stepped[1] else find_skirting(cloud.sample, fit)
    strips = np.where(stepped, USUAL, _strips(context, fit, edges, whole, skirting))
    full = whole - corner
    fit, at = _foot(context, fit, face, corner, skirting)
    said = (
        *_strip_notes(strips, adjoined, skirting),
        *_step_notes(stepped),
        *_plate_notes(plates, corner),
        *_level_notes(levels, face),
    )
    wall = Wall(
        number=1,
        frame=replace(fit.frame, at=at),
        outline=left_out(full, strips),
        openings=in_order(_moved(opening, corner) for opening in holes.openings + tuple(p.place for p in plates)),
        share=float(grid.surface.sum() / max(grid.seen, 1)),
        up_from=context.upright.known,
        facing_from=face.known,
        plumb=context.upright.plumb,
        slab=SLAB + abs(fit.lean) * float(np.ptp(full[:, 1])),
        notes=(*face.notes, *said, *holes.notes),
        full=full if strips.any() else None,
        skirting=0.0 if skirting is None else float(min(skirting.top - corner[1], strips[1])),
    )
    net = wall.gross_area - sum(opening.width * opening.height for opening in wall.openings)
    filled = float(ndimage.binary_closing(occupied, np.ones((3, 3))).sum()) * grid.cell**2
    wall = replace(wall, seen_share=min(filled / max(net, 1e-6), 1.0))
    return wall, Drawn(fit.plane, grid, edges, context.planes, float(corner[0]))


def _strips(context: Context, fit: Fit, edges: tuple[Edge, ...], whole: Array, skirting: Skirting | None) -> Array:
    """Widths (4,) [m] of the strips at the left, bottom, right and top that cannot be measured, 0 where no surface is.

    Where a corner is seen well enough it is as wide as the capture smears there, else as scanners usually do.
    """
    strips = np.zeros(4)
    if all(edge.plane is None for edge in edges) and skirting is None:
        return strips
    seen = Edges(fit, context.sample, context.cloud.count)
    low, high = whole.min(axis=0), whole.max(axis=0)
    borders = (*low, *high)
    for side, edge in enumerate(edges):
        if edge.plane is None:
            continue
        axis, inward = side % 2, 1 if side < 2 else -1
        # the two other surfaces that meet in the corner's ends are not this one
        ends = (float(low[1 - axis]) + USUAL, float(high[1 - axis]) - USUAL)
        if axis == 0 and skirting is not None:
            ends = (max(ends[0], skirting.top + OVER_SKIRTING), ends[1])
        width = seen.strip(axis, float(borders[side]), inward, ends)
        strips[side] = USUAL if width is None else width
    if skirting is not None:
        # its top is known to a row of points: from below it up
        foot = skirting.top - 1.5 * ROW
        above = seen.strip(1, foot, 1, (float(low[0]) + USUAL, float(high[0]) - USUAL), skirting.thickness)
        strips[1] = (skirting.top + OVER_SKIRTING if above is None else foot + above) - low[1]
    return strips


def _foot(context: Context, fit: Fit, face: Facing, corner: Array, skirting: Skirting | None) -> tuple[Fit, Array]:
    """The fit, made again clear of a skirting, and the point (3,) on it at the outline's lower left."""
    lower_left = np.array([[*corner, fit.lean * corner[1]]])
    if skirting is not None:
        up = fit.frame.up
        clear = float(fit.frame.at @ up) + skirting.top + OVER_SKIRTING
        above = fit_wall(context.cloud.sample, context.thinned, fit.plane, up, face.sign, clear_below=clear)
        lower_left = above.frame.to_wall(fit.frame.to_file(lower_left))
        lower_left[:, 2] = above.lean * lower_left[:, 1]
        fit = above
    return fit, fit.frame.to_file(lower_left)[0]


def _moved(opening: Opening, corner: Array) -> Opening:
    return replace(opening, left=float(opening.left - corner[0]), bottom=float(opening.bottom - corner[1]))


def _strip_notes(strips: Array, adjoined: Array, skirting: Skirting | None) -> list[Note]:
    """Say which strips were left out of the measurement, and how wide each is."""
    there = [(side, float(strip)) for side, strip, next_to in zip(SIDES, strips, adjoined, strict=True) if next_to]
    if skirting is not None:
        there = [pair for pair in there if pair[0] is not SIDES[1]]
    sides = tuple(note("wall.strip-at", side=side, strip=metres(strip)) for side, strip in there)
    notes = [note("wall.strip-left-out" if len(sides) == 1 else "wall.strips-left-out", sides=sides)] if sides else []
    if skirting is not None:
        notes.append(note("wall.skirting", thickness=metres(skirting.thickness)))
    return notes


def _step_notes(stepped: Mask) -> list[Note]:
    """Say that strips along lines between levels were left out."""
    return [note("wall.strip-at-step", strip=metres(USUAL))] if stepped.any() else []


def _plate_notes(plates: tuple[Plate, ...], corner: Array) -> list[Note]:
    """Say which plates were left out, each at its lower left."""
    return [
        note(
            "wall.plate-left-out",
            (float(plate.place.left - corner[0]), float(plate.place.bottom - corner[1])),
            proud=metres(plate.proud),
        )
        for plate in plates
    ]


def _level_notes(levels: list[tuple[Candidate, float]], face: Facing) -> list[Note]:
    """Say which surfaces stand beside this one on other levels."""
    notes = []
    for other, step in levels:
        proud = step * face.sign
        area, off = square_metres(other.area), metres(abs(proud))
        notes.append(note("wall.level-beside-proud" if proud > 0 else "wall.level-beside-behind", area=area, step=off))
    return notes


def in_order(openings: Iterable[Opening]) -> tuple[Opening, ...]:
    """Openings from left to right, the lower first."""
    return tuple(sorted(openings, key=lambda opening: (round(opening.left, 3), round(opening.bottom, 3))))


@dataclass(frozen=True, slots=True)
class Edge:
    """One of a wall's four edges: ``place`` [m] along or up, and the index of the surface that adjoins there."""

    place: float
    plane: int | None = None


def adjoining_edges(fit: Fit, edges: Array, planes: list[Candidate], thinned: Thinned) -> tuple[Edge, ...]:
    """Left, bottom, right and top edge, each put where the wall meets the surface found there, if one is.

    ``edges`` (4,) [m] are those of the points in the fit's coordinates. A surface counts when its own points come
    within 300 mm of the line where the two meet and that line is within 150 mm of the points' edge (or outside it by
    up to 600 mm: what stands before a corner hides the wall there, not the walls that meet in it).
    """
    found = [Edge(float(place)) for place in edges]
    middle = (edges[:2] + edges[2:]) / 2
    for number, plane in enumerate(planes):
        if plane is fit.plane:
            continue
        line = _meeting_line(fit, plane)
        if line is None:
            continue
        axis, slope, start = line
        place = start + slope * middle[1 - axis]
        side = axis if abs(place - edges[axis]) < abs(place - edges[axis + 2]) else axis + 2
        outward = (place - edges[side]) * (1 if side > 1 else -1)
        if not -MOVED < outward < NARROW or not _reaches(fit, plane, thinned, edges, axis, place, slope):
            continue
        other = found[side]
        # a pipe or a cupboard's side is flat too: of surfaces much unlike in size the larger one bounds the wall
        ratio = 1.0 if other.plane is None else plane.area / planes[other.plane].area
        nearer = abs(place - edges[side]) < abs(other.place - edges[side])
        if other.plane is None or ratio > 4 or (nearer and ratio > 0.25):
            found[side] = Edge(float(place), number)
    return tuple(found)


def _meeting_line(fit: Fit, plane: Candidate) -> tuple[int, float, float] | None:
    """Where a plane cuts the wall: (axis 0 along or 1 up, slope, start): place = start + slope x the other axis."""
    frame = fit.frame
    up = unit(frame.up + fit.lean * frame.out)
    across = np.array([plane.normal @ frame.along, plane.normal @ up])
    size = float(np.hypot(*across))
    if size < _NOT_PARALLEL:
        return None
    axis = int(np.argmax(np.abs(across)))
    if abs(across[1 - axis]) > 0.35 * abs(across[axis]):
        return None
    offset = float((plane.centre - frame.at) @ plane.normal)
    return axis, float(-across[1 - axis] / across[axis]), offset / float(across[axis])


def _reaches(fit: Fit, plane: Candidate, thinned: Thinned, edges: Array, axis: int, place: float, slope: float) -> bool:
    """Whether the plane's own points come to the line over a good part of it: a third of the edge, or 600 mm."""
    points = fit.local(thinned.points[plane.members])
    other = 1 - axis
    line = place + slope * (points[:, other] - (edges[other] + edges[other + 2]) / 2)
    near = (np.abs(points[:, axis] - line) < REACH) & (np.abs(points[:, 2]) < REACH)
    near &= (points[:, other] > edges[other] - 0.05) & (points[:, other] < edges[other + 2] + 0.05)
    covered = len(np.unique(np.floor(points[near, other] / 0.1))) * 0.1
    return bool(covered > min(0.6, (edges[other + 2] - edges[other]) / 3))
