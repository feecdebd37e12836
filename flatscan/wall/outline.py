"""The wall's outline from its occupancy: a rectangle, cut by slanting edges where the points show them.

An edge is put where the counts of points say that the surface ends, which neither loses half a spacing nor follows
stray points. Notches do not cut the outline: what hides behind furniture is not measured, what is a door is an
opening.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from scipy.spatial import ConvexHull

from flatscan.core.geometry import Array, Mask, polygon_area
from flatscan.core.model import Counts
from flatscan.wall.occupancy import Occupancy

BAND, INWARD = 6, 28
BACKGROUND = 0.1
REACHED = 0.8
SLANT = np.radians(3.0)
LEAST_SLANT = 0.3
SUPPORT = 0.6
CUT_SHARE = 0.015


def clean(surface: Counts) -> Mask:
    """Occupied cells with company: at least three in ten of the 25 about them are occupied too."""
    occupied = surface > 0
    company = ndimage.uniform_filter(occupied.astype(float), 5, mode="constant")
    result: Mask = occupied & (company > 0.3)
    return result


def right_edge(surface: Counts, occupied: Mask) -> float:
    """Where the rows end on the right, in cells from the grid's left.

    The end that a fifth of the rows reach is taken; rows that end early (a notch, a gable) do not count.
    """
    rows = occupied.any(axis=1)
    ends = occupied.shape[1] - np.argmax(occupied[:, ::-1], axis=1)
    target = int(np.quantile(ends[rows], REACHED, method="lower"))
    inward = min(INWARD, target)
    if inward < 2 * BAND:
        return float(target)
    reference = surface[:, target - inward : target - BAND]
    usable = rows & (np.abs(ends - target) <= BAND) & ((reference > 0).mean(axis=1) > 0.6)
    per_column = reference[usable].sum() / reference.shape[1] if usable.any() else 0.0
    if per_column == 0:
        return float(target)
    profile = surface[usable, target - BAND : min(target + BAND, surface.shape[1])].sum(axis=0)
    return target - BAND + end_of_profile(profile / per_column, float(per_column))


def end_of_profile(share: Array, per_column: float) -> float:
    """Where a surface ends along columns that hold ``share`` (n,) of what a full column does, in columns from 0.

    The end of greatest Poisson likelihood: full columns before it, a part in its own, a little `BACKGROUND` (mixed
    pixels, strays) after it. Its error is that of the last few points, not that of all that were counted.
    """
    ends = np.arange(0, len(share) + 1e-9, 0.05)
    covered = np.clip(ends[:, None] - np.arange(len(share)), 0, 1)
    rate = BACKGROUND + (1 - BACKGROUND) * covered
    # another surface that meets the wall here puts many points into the last columns: they count as one surface's
    seen = np.minimum(share, 1.3)
    likelihood = per_column * (seen * np.log(rate) - rate).sum(axis=1)
    best = likelihood >= likelihood.max() - 1e-9 * max(1.0, abs(float(likelihood.max())))
    return float(ends[best].mean())


def bounds(grid: Occupancy, occupied: Mask) -> Array:
    """Left, bottom, right and top edge [m] of the surface."""
    counts = np.where(ndimage.binary_dilation(occupied, iterations=2), grid.surface, 0)
    rows, columns = occupied.shape
    turned, marks = counts.T, occupied.T
    return np.array(
        [
            grid.left + grid.cell * (columns - right_edge(counts[:, ::-1], occupied[:, ::-1])),
            grid.bottom + grid.cell * (rows - right_edge(turned[:, ::-1], marks[:, ::-1])),
            grid.left + grid.cell * right_edge(counts, occupied),
            grid.bottom + grid.cell * right_edge(turned, marks),
        ]
    )


def rectangle(edges: Array) -> Array:
    """Corners (4, 2), counter-clockwise from the lower left, of left, bottom, right, top."""
    left, bottom, right, top = edges
    return np.array([[left, bottom], [right, bottom], [right, top], [left, top]])


def slanting_edges(grid: Occupancy, occupied: Mask) -> list[tuple[Array, Array]]:
    """Edges of the surface's convex hull that slant and have points all along: (point, outward normal) each."""
    row, column = np.nonzero(occupied)
    places = np.stack([grid.x[column], grid.y[row]], axis=1)
    hull = ConvexHull(places)
    ring = places[hull.vertices]
    found = []
    for start, stop in _straight_runs(ring, 1.5 * grid.cell):
        step = stop - start
        length = float(np.hypot(*step))
        angle = abs(np.arctan2(abs(step[1]), abs(step[0])))
        if length < LEAST_SLANT or min(angle, np.pi / 2 - angle) < SLANT:
            continue
        outward = np.array([step[1], -step[0]]) / length
        along = (places - start) @ step / length
        near = (places - start) @ outward > -2.5 * grid.cell
        cells = np.unique(np.floor(along[near & (along >= 0) & (along <= length)] / (2 * grid.cell)))
        if len(cells) >= SUPPORT * length / (2 * grid.cell):
            found.append((start + outward * grid.cell / 2, outward))
    return found


def _straight_runs(ring: Array, slack: float) -> list[tuple[Array, Array]]:
    """The hull's edges with vertices that lie within ``slack`` of a longer straight side left out."""
    keep = list(range(len(ring)))
    changed = True
    while changed and len(keep) > 3:
        changed = False
        gaps = [_off_chord(ring[keep[i - 1]], ring[keep[i]], ring[keep[(i + 1) % len(keep)]]) for i in range(len(keep))]
        least = int(np.argmin(gaps))
        if gaps[least] < slack:
            keep.pop(least)
            changed = True
    corners = ring[keep]
    return list(zip(corners, np.roll(corners, -1, axis=0), strict=True))


def _off_chord(before: Array, at: Array, after: Array) -> float:
    chord = after - before
    arm = at - before
    return float(abs(chord[0] * arm[1] - chord[1] * arm[0]) / max(np.hypot(*chord), 1e-12))


def clip(corners: Array, point: Array, outward: Array) -> Array:
    """The polygon (k, 2) on the inner side of the line through ``point`` (Sutherland-Hodgman)."""
    kept: list[Array] = []
    side = (corners - point) @ outward
    for i in range(len(corners)):
        j = (i + 1) % len(corners)
        if side[i] <= 0:
            kept.append(corners[i])
        if (side[i] < 0 < side[j]) or (side[j] < 0 < side[i]):
            share = side[i] / (side[i] - side[j])
            kept.append(corners[i] + share * (corners[j] - corners[i]))
    return np.array(kept)


def outline_polygon(grid: Occupancy, occupied: Mask, edges: Array, fixed: Mask) -> Array:
    """Outline (k, 2) [m] counter-clockwise, from the edges left, bottom, right, top (4,) in the grid's coordinates.

    A rectangle unless slanting edges with points all along them (a gable, a stair) cut off more than 1.5 % of it;
    then edges that are not ``fixed`` (4,) by an adjoining surface reach as far as the points do.
    """
    slants = slanting_edges(grid, occupied)
    if not slants:
        return rectangle(edges)
    row, column = np.nonzero(occupied)
    places = np.stack([grid.x[column], grid.y[row]], axis=1)
    reach = np.concatenate([places.min(axis=0) - grid.cell / 2, places.max(axis=0) + grid.cell / 2])
    further = (reach - edges) * np.array([-1, -1, 1, 1]) > 4 * grid.cell
    whole = np.where(further & ~fixed, reach, edges)
    corners = rectangle(whole)
    for point, outward in slants:
        corners = clip(corners, point, outward)
    corners = without_stubs(corners, 4 * grid.cell)
    area = float(np.prod(whole[2:] - whole[:2]))
    return corners if area - polygon_area(corners) > CUT_SHARE * area else rectangle(edges)


def without_stubs(corners: Array, least: float) -> Array:
    """The polygon with sides shorter than ``least`` [m] replaced by the point where their neighbours meet."""
    while len(corners) > 4:
        sides = np.roll(corners, -1, axis=0) - corners
        lengths = np.hypot(*sides.T)
        short = int(np.argmin(lengths))
        before, after = sides[short - 1], sides[(short + 1) % len(corners)]
        turn = before[0] * after[1] - before[1] * after[0]
        if lengths[short] >= least or abs(turn) < 1e-6 * np.hypot(*before) * np.hypot(*after):
            break
        start, far = corners[short - 1], corners[(short + 1) % len(corners)]
        share = ((far - start)[0] * after[1] - (far - start)[1] * after[0]) / turn
        corners = corners.copy()
        corners[short] = start + share * before
        corners = np.delete(corners, (short + 1) % len(corners), axis=0)
    return corners


def left_out(corners: Array, strips: Array) -> Array:
    """The outline less strips [m] along its left, bottom, right and top extremes (4,)."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    for axis in (0, 1):
        away = np.eye(2)[axis]
        if strips[axis] > 0:
            corners = clip(corners, low + strips[axis], -away)
        if strips[axis + 2] > 0:
            corners = clip(corners, high - strips[axis + 2], away)
    return corners
