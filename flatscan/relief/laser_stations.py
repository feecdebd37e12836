"""Laser readings to a `Wall` and a `Relief` whose cells are the stations themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array, Frame, Mask, Rectangle, area_clear_of, clipped, disjoint, in_rectangle
from flatscan.core.holes import LIKELY, InPocket, Opening, Plumb
from flatscan.core.model import Readings, Wall
from flatscan.core.notes import Note, Place, note
from flatscan.core.quantity import metres, share
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError
from flatscan.relief.chases import U_WIDTH, likely_chases

# Without a size the wall's edges lie this far beyond the outer stations (methods/record 6).
MARGIN = 0.100
# places are typed to a millimetre: on an edge is inside
_ON = 1e-6


def from_stations(stations: Readings, common: CommonError, u_lean: float) -> tuple[Wall, Stations, tuple[Note, ...]]:
    """Wall, relief and notes of a set of laser readings; nothing is interpolated between stations.

    Each station owns the part of the wall nearer to it than to any other (its Voronoi cell, which for a full table is
    its rectangle to the midlines), less openings, pockets and parts that are not plastered. ``u_lean`` [m per m] is
    how well the laser plane is plumb.
    """
    wall, said = wall_of(stations, u_lean)
    openings, pockets, skips = (
        tuple(Opening(x0, y0, x1 - x0, y1 - y0) for x0, y0, x1, y1 in boxes)
        for boxes in (stations.openings, stations.pockets, stations.skips)
    )
    wall = replace(wall, openings=openings, pockets=pockets, skips=skips)
    wall, relief, more = stations_on(stations, wall, common)
    return wall, relief, (*said, *more)


def wall_of(stations: Readings, u_lean: float) -> tuple[Wall, tuple[Note, ...]]:
    """The bare wall that readings were taken on, before openings, and how its size is known."""
    (left, right), (bottom, top), notes = _extent(stations)
    wall = Wall(
        number=1,
        frame=Frame(np.zeros(3), *np.eye(3)),
        outline=np.array([[left, bottom], [right, bottom], [right, top], [left, top]]),
        openings=(),
        share=1.0,
        up_from=note("wall.laser"),
        facing_from=note("wall.laser"),
        plumb=Plumb(note("wall.laser-plane"), u_lean),
    )
    return wall, tuple(notes)


def stations_on(
    stations: Readings, wall: Wall, common: CommonError, *, accepted: Sequence[Place] | None = None
) -> tuple[Wall, Stations, tuple[Note, ...]]:
    """The readings of a wall with its openings, pockets and skips; and the wall with the chases that only they show.

    Chases that nobody named are looked for where ``accepted`` is given: places that somebody says are wall, no chase.
    Raises `TooFewPoints` where no reading is left on the wall.
    """
    x, y, offset, repeats = _merged(stations)
    notes = list[Note]()
    if repeats:
        notes.append(
            note("relief.station-read-again") if repeats == 1 else note("relief.stations-read-again", count=repeats)
        )
    on = ~taken_out(x, y, wall)
    chases = () if accepted is None else likely_chases(x[on], y[on], offset[on], wall, accepted)
    wall = replace(wall, pockets=(*wall.pockets, *(chase.place for chase in chases)))
    notes += [chase.said for chase in chases]
    boxes = disjoint([_box(hole) for hole in wall.cut_out])
    on = ~taken_out(x, y, wall)
    notes += _set_aside(x[~on], y[~on], wall)
    if not on.any():
        raise TooFewPoints(
            "wall {wall}",
            "all {count} stations lie in openings, pockets and parts left out",
            needed="at least one reading on the wall",
            remedy="Check the places of the openings",
            wall=wall.number,
            count=len(x),
        )
    owned = owned_areas(x[on], y[on], wall.outline, boxes)
    missing = _missing_share(stations, x[on], y[on], wall, boxes)
    if missing:
        notes.append(note("relief.not-read", share=share(missing)))
    relief = _relief(x[on], y[on], offset[on], owned, stations.u, common, missing)
    pocketed = tuple(_in_pocket(x, y, offset, stations.u, hole, wall) for hole in wall.pockets)
    return wall, replace(relief, highs=stations.highs, pocketed=pocketed), tuple(notes)


def _box(hole: Opening) -> Rectangle:
    return hole.left, hole.bottom, hole.right, hole.top


def lies_in(x: Array, y: Array, holes: Sequence[Opening], rim: float = -_ON) -> Mask:
    """Which places (n,) lie in one of some openings, well within their edges; those on one, with a ``rim`` [m] over."""
    inside = np.zeros(len(x), dtype=bool)
    for hole in holes:
        inside |= (x > hole.left - rim) & (x < hole.right + rim) & (y > hole.bottom - rim) & (y < hole.top + rim)
    return inside


def taken_out(x: Array, y: Array, wall: Wall) -> Mask:
    """Places (n,) that are none of the wall's: in an opening or a part left out, or in a pocket or on its edge.

    At the edge of an opening stands wall; at the edge of a chase a reading may be of its floor.
    """
    return lies_in(x, y, (*wall.openings, *wall.skips)) | lies_in(x, y, wall.pockets, _ON)


def _set_aside(x: Array, y: Array, wall: Wall) -> Iterator[Note]:
    """Say which readings are none of the wall's, because an opening or a part left out takes them."""
    out = np.flatnonzero(lies_in(x, y, (*wall.openings, *wall.skips)))
    if len(out):
        first = (float(x[out[0]]), float(y[out[0]]))
        yield note(
            "relief.stations-in-openings" if len(out) > 1 else "relief.station-in-opening", first, count=len(out)
        )


def _in_pocket(x: Array, y: Array, offset: Array, u: float, hole: Opening, wall: Wall) -> InPocket:
    """What was read in a pocket: each reading stands for the part of it that is nearest."""
    corners = in_rectangle(wall.outline, _box(hole))
    others = disjoint([_box(other) for other in (*wall.openings, *wall.skips)])
    size = area_clear_of(corners, others) if len(corners) > 2 else 0.0
    here = lies_in(x, y, (hole,), _ON) & ~lies_in(x, y, (*wall.openings, *wall.skips))
    if not here.any() or size <= 0:
        return InPocket.unread(hole, size)
    area = owned_areas(x[here], y[here], corners, others)
    u_width = U_WIDTH if hole.evidence == LIKELY else 0.0
    return InPocket(hole, x[here], y[here], offset[here], np.full(int(here.sum()), u), area, size, u_width)


def _extent(stations: Readings) -> tuple[tuple[float, float], tuple[float, float], list[Note]]:
    named = np.concatenate([np.stack([stations.x, stations.y], axis=1), stations.missing])
    low, high = named.min(axis=0) - MARGIN, named.max(axis=0) + MARGIN
    notes, spans = list[Note](), []
    for axis, size in enumerate((stations.width, stations.height)):
        spans.append((float(low[axis]), float(high[axis])) if size is None else (0.0, size))
        if size is None:
            whole = metres((high - low)[axis])
            notes.append(note("relief.no-height" if axis else "relief.no-width", margin=metres(MARGIN), size=whole))
    return spans[0], spans[1], notes


def _merged(stations: Readings) -> tuple[Array, Array, Array, int]:
    """Readings at one place (to a millimetre) become one with their mean."""
    found: Array = np.round(np.stack([stations.x, stations.y], axis=1), 3).astype(np.float64)
    places, group, count = np.unique(found, axis=0, return_inverse=True, return_counts=True)
    mean = np.bincount(group.ravel(), stations.offset) / count
    return places[:, 0], places[:, 1], mean, int((count > 1).sum())


def owned_areas(x: Array, y: Array, outline: Array, boxes: Sequence[Rectangle] = ()) -> Array:
    """Area [m2] of each station's Voronoi cell (n,) clipped to the convex ``outline`` (k, 2).

    ``boxes`` are rectangles that share no area; what they take of a cell is nobody's.
    """
    places = np.stack([x, y], axis=1)
    cells = _cells(places, outline)
    return np.array([area_clear_of(corners, boxes) if len(corners) > 2 else 0.0 for corners in cells])


def _cells(places: Array, outline: Array) -> list[Array]:
    """Corners of the cell of each place (n, 2): the outline cuts those that reach over it."""
    from scipy.spatial import Voronoi

    # four places far off close every cell
    middle, reach = outline.mean(axis=0), 100 * float(np.ptp(np.concatenate([outline, places]), axis=0).max())
    far = middle + reach * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    drawn = Voronoi(np.concatenate([places, far]))
    edge = np.roll(outline, -1, axis=0) - outline
    # outward, whichever way the outline runs
    away = np.stack([edge[:, 1], -edge[:, 0]], axis=1)
    away *= np.sign(((outline - middle) * away).sum(axis=1))[:, None]
    cells = []
    for i, place in enumerate(places):
        corners = drawn.vertices[drawn.regions[drawn.point_region[i]]]
        arm = corners - place
        corners = corners[np.argsort(np.arctan2(arm[:, 1], arm[:, 0]), kind="stable")]
        over = ((corners[:, None, :] - outline) * away).sum(axis=2).max(axis=0) > 0
        for k in np.flatnonzero(over):
            corners = clipped(corners, outline[k], away[k])
        cells.append(corners)
    return cells


def _missing_share(stations: Readings, x: Array, y: Array, wall: Wall, boxes: Sequence[Rectangle]) -> float:
    """Share of the wall that stations named and not read would have owned; those in openings have nothing to own."""
    missing = stations.missing[~taken_out(stations.missing[:, 0], stations.missing[:, 1], wall)]
    if not len(missing):
        return 0.0
    everywhere = np.concatenate([np.stack([x, y], axis=1), missing])
    areas = owned_areas(everywhere[:, 0], everywhere[:, 1], wall.outline, boxes)
    return float(areas[len(x) :].sum() / areas.sum())


def _relief(x: Array, y: Array, offset: Array, owned: Array, u: float, common: CommonError, missing: float) -> Stations:
    """Readings in a matrix of all their distinct x and y, NaN where none stands."""
    across, col = np.unique(x, return_inverse=True)
    upward, row = np.unique(y, return_inverse=True)
    shape = (len(upward), len(across))
    fields = {name: np.full(shape, np.nan) for name in ("offset", "u")}
    fields["offset"][row, col], fields["u"][row, col] = offset, u
    area = np.zeros(shape)
    area[row, col] = owned
    here = np.isfinite(fields["offset"])
    return Stations(
        x=across,
        y=upward,
        offset=fields["offset"],
        u=fields["u"],
        count=here.astype(np.int64),
        inside=here,
        area=area,
        common=common,
        u_point=u,
        missing_share=missing,
    )
