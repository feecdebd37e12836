"""Laser readings to a `Wall` and a `Relief` whose cells are the stations themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flatscan.core.geometry import Array, Frame, polygon_area
from flatscan.core.model import Plumb, Readings, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError

# Without a size the wall's edges lie this far beyond the outer stations (methods/record 6).
MARGIN = 0.100


def from_stations(stations: Readings, common: CommonError, u_lean: float) -> tuple[Wall, Stations, tuple[Note, ...]]:
    """Wall, relief and notes of a set of laser readings; nothing is interpolated between stations.

    Each station owns the part of the wall nearer to it than to any other (its Voronoi cell, which for a full table is
    its rectangle to the midlines). ``u_lean`` [m per m] is how well the laser plane is plumb.
    """
    (left, right), (bottom, top), notes = _extent(stations)
    outline = np.array([[left, bottom], [right, bottom], [right, top], [left, top]])
    wall = Wall(
        number=1,
        frame=Frame(np.zeros(3), *np.eye(3)),
        outline=outline,
        openings=(),
        share=1.0,
        up_from=note("wall.laser"),
        facing_from=note("wall.laser"),
        plumb=Plumb(note("wall.laser-plane"), u_lean),
    )
    x, y, offset, repeats = _merged(stations)
    if repeats:
        notes.append(
            note("relief.station-read-again") if repeats == 1 else note("relief.stations-read-again", count=repeats)
        )
    owned = owned_areas(x, y, outline)
    missing = _missing_share(stations, x, y, outline)
    if missing:
        notes.append(note("relief.not-read", share=share(missing)))
    relief = _relief(x, y, offset, owned, stations.u, common, missing)
    return wall, replace(relief, highs=stations.highs), tuple(notes)


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


def owned_areas(x: Array, y: Array, outline: Array) -> Array:
    """Area [m2] of each station's Voronoi cell (n,) clipped to the convex ``outline`` (k, 2)."""
    places = np.stack([x, y], axis=1)
    areas = np.empty(len(places))
    for i, place in enumerate(places):
        corners = outline
        away = np.hypot(*(places - place).T)
        for j in np.argsort(away, kind="stable")[1:]:
            # a bisector further off than the furthest corner cannot cut any more, nor can those after it
            if not len(corners) or away[j] / 2 > np.hypot(*(corners - place).T).max():
                break
            corners = _half_plane(corners, (place + places[j]) / 2, places[j] - place)
        areas[i] = polygon_area(corners) if len(corners) else 0.0
    return areas


def _half_plane(corners: Array, at: Array, away: Array) -> Array:
    """The part of a convex polygon on the near side of the line through ``at`` square to ``away``."""
    side = (corners - at) @ away
    kept = []
    for (p, q), (a, b) in zip(
        zip(corners, np.roll(corners, -1, axis=0), strict=True), zip(side, np.roll(side, -1), strict=True), strict=True
    ):
        if a <= 0:
            kept.append(p)
        if a * b < 0:
            kept.append(p + (q - p) * a / (a - b))
    return np.array(kept)


def _missing_share(stations: Readings, x: Array, y: Array, outline: Array) -> float:
    if not len(stations.missing):
        return 0.0
    everywhere = np.concatenate([np.stack([x, y], axis=1), stations.missing])
    areas = owned_areas(everywhere[:, 0], everywhere[:, 1], outline)
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
