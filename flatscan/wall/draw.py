"""One wall from its fit and its grid: edges, strips left out, openings, frame and what is said of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Opening, Wall
from flatscan.wall.adjoin import SIDES, Edge, adjoining_edges
from flatscan.wall.adjust import in_order
from flatscan.wall.candidates import Candidate, Thinned
from flatscan.wall.facing import Facing
from flatscan.wall.fit import Fit, fit_wall
from flatscan.wall.occupancy import SLAB, Occupancy
from flatscan.wall.openings import find_openings
from flatscan.wall.outline import bounds, clean, left_out, outline_polygon
from flatscan.wall.plates import find_plates
from flatscan.wall.skirting import Skirting, find_skirting
from flatscan.wall.upright import Upright

SMEARED = 0.05
OVER_SKIRTING = 0.01
LEAST_CELLS = 12


@dataclass(frozen=True, eq=False)
class Context:
    """What all walls of a capture share."""

    cloud: Cloud
    thinned: Thinned
    planes: list[Candidate]
    upright: Upright


@dataclass(frozen=True, eq=False)
class Drawn:
    """What corners and numbers need of a wall beside the wall itself.

    Its surface, its grid, the surfaces at its edges, where its left edge lies in the grid's coordinates [m], and
    about which share of its net area holds points.
    """

    plane: Candidate
    grid: Occupancy
    edges: tuple[Edge, ...]
    planes: list[Candidate]
    left: float
    covered: float


def draw_wall(
    context: Context, fit: Fit, grid: Occupancy, face: Facing, level: tuple[Candidate, float] | None
) -> tuple[Wall, Drawn]:
    """One wall, not yet numbered: its frame stands at the lower left of its full outline.

    Raises `TooFewPoints` where the points near its plane are too scattered to be a surface.
    """
    cloud = context.cloud
    occupied = clean(grid.surface)
    if occupied.sum() < LEAST_CELLS or min(np.ptp(index) for index in np.nonzero(occupied)) < 2:
        raise TooFewPoints(
            cloud.origin.file, f"{int(grid.surface.sum())} scattered points on a wall",
            needed="a surface", remedy="Scan the wall more densely",
        )  # fmt: skip
    edges = adjoining_edges(fit, bounds(grid, occupied), context.planes, context.thinned)
    adjoined = np.array([edge.plane is not None for edge in edges])
    whole = outline_polygon(grid, occupied, np.array([edge.place for edge in edges]), adjoined)
    holes = find_openings(grid, occupied, whole)
    plates = tuple(plate.place for plate in find_plates(grid, occupied))
    corner = whole.min(axis=0)
    skirting = find_skirting(cloud.sample, fit)
    strips = np.where(adjoined, SMEARED, 0.0)
    if skirting is not None:
        strips[1] = max(strips[1], skirting.top + OVER_SKIRTING - corner[1])
    full = whole - corner
    fit, at = _foot(context, fit, face, corner, skirting)
    wall = Wall(
        number=1, frame=replace(fit.frame, at=at), outline=left_out(full, strips),
        openings=in_order(_moved(opening, corner) for opening in holes.openings + plates),
        share=float(grid.surface.sum() / max(grid.seen, 1)), up_from=context.upright.words, facing_from=face.words,
        plumb=context.upright.plumb, slab=SLAB + abs(fit.lean) * float(np.ptp(full[:, 1])),
        notes=(
            *face.notes, *_strip_notes(adjoined, skirting), *_plate_notes(plates, corner),
            *_level_notes(level, face), *holes.notes,
        ),
        full=full if strips.any() else None,
    )  # fmt: skip
    net = wall.gross_area - sum(opening.width * opening.height for opening in wall.openings)
    filled = float(ndimage.binary_closing(occupied, np.ones((3, 3))).sum()) * grid.cell**2
    return wall, Drawn(fit.plane, grid, edges, context.planes, float(corner[0]), filled / max(net, 1e-6))


def _foot(context: Context, fit: Fit, face: Facing, corner: Array, skirting: Skirting | None) -> tuple[Fit, Array]:
    """The fit, made again clear of a skirting, and the point (3,) on it at the outline's lower left."""
    lower_left = np.array([[*corner, fit.lean * corner[1]]])
    if skirting is not None:
        up = fit.frame.up
        clear = float(fit.frame.at @ up) + skirting.top + OVER_SKIRTING
        again = fit_wall(context.cloud.sample, context.thinned, fit.plane, up, face.sign, clear_below=clear)
        lower_left = again.frame.to_wall(fit.frame.to_file(lower_left))
        lower_left[:, 2] = again.lean * lower_left[:, 1]
        fit = again
    return fit, fit.frame.to_file(lower_left)[0]


def _moved(opening: Opening, corner: Array) -> Opening:
    return replace(opening, left=float(opening.left - corner[0]), bottom=float(opening.bottom - corner[1]))


def _strip_notes(adjoined: Array, skirting: Skirting | None) -> list[str]:
    """Say which strips were left out of the measurement."""
    notes = []
    sides = [side for side, there in zip(SIDES, adjoined, strict=True) if there]
    if sides:
        notes.append(
            f"{SMEARED * 1000:.0f} mm were left out along the {', '.join(sides)} edge{'s' if len(sides) > 1 else ''}, "
            "where another surface adjoins and scanners smear: sizes are corner to corner, the strips are not measured"
        )
    if skirting is not None:
        notes.append(
            f"a skirting {skirting.thickness * 1000:.0f} mm thick was found along the foot and left out: "
            "the wall behind it was not measured"
        )
    return notes


def _plate_notes(plates: tuple[Opening, ...], corner: Array) -> list[str]:
    return [
        f"{plate.evidence} at x {(plate.left - corner[0]) * 1000:.0f}, y {(plate.bottom - corner[1]) * 1000:.0f} mm "
        "and left out like an opening; --no-opening takes it as wall"
        for plate in plates
    ]


def _level_notes(level: tuple[Candidate, float] | None, face: Facing) -> list[str]:
    if level is None:
        return []
    other, step = level
    proud = step * face.sign
    return [
        f"the wall is on two levels: {other.area:.1f} m2 beside this part stand {abs(proud) * 1000:.0f} mm "
        f"{'proud of' if proud > 0 else 'behind'} it; each level is a wall of its own here"
    ]
