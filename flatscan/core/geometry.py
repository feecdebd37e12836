"""Frames, plane fits, polygons, neighbours of places, and cells of grids; no knowledge of walls."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
# left, bottom, right, top [m]
Rectangle = tuple[float, float, float, float]
# a station is read again where it stands within this of the first (common practice: a pencil cross)
SAME_STATION = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A wall's own axes in file space: ``at`` (3,) is the foot of its left edge; the rest are unit vectors.

    ``out`` is horizontal and points toward the room, ``up`` is against gravity, and ``along = up x out`` runs
    to the right for somebody standing in the room and facing the wall.
    """

    at: Array
    along: Array
    up: Array
    out: Array

    def to_wall(self, points: Array) -> Array:
        """File coordinates (n, 3) as (x right, y up, z toward the room), all in metres."""
        x, y, z = (np.asarray(points, float) - self.at).T
        # three products by hand: a threaded matrix product of so narrow a matrix is several times slower
        return np.stack([x * a[0] + y * a[1] + z * a[2] for a in (self.along, self.up, self.out)], axis=1)

    def to_file(self, points: Array) -> Array:
        """Wall coordinates (n, 3) back in the file's axes."""
        return np.asarray(points, float) @ np.stack([self.along, self.up, self.out]) + self.at


class FacePlane(Protocol):
    """A plane over a wall: z = offset + turn x + lean y in wall coordinates [m]."""

    @property
    def offset(self) -> float:
        """Height at x = y = 0 [m]."""

    @property
    def turn(self) -> float:
        """Slope along [m per m]."""

    @property
    def lean(self) -> float:
        """Slope up [m per m]."""


def unit(vector: Array) -> Array:
    """The vector at length 1; the zero vector raises `ValueError`."""
    size = float(np.linalg.norm(vector))
    if size == 0:
        raise ValueError("a direction of length zero")
    return np.asarray(vector, float) / size


def plumb_frame(at: Array, out: Array, up: Array) -> Frame:
    """Frame whose ``up`` is exactly ``up`` and whose ``out`` is the horizontal part of ``out``."""
    up = unit(up)
    level = unit(np.asarray(out, float) - np.dot(out, up) * up)
    return Frame(np.asarray(at, float), np.cross(up, level), up, level)


def angle_between(a: Array, b: Array) -> float:
    """Angle in radians between two directions, 0 to pi."""
    a, b = unit(a), unit(b)
    return float(np.arctan2(np.linalg.norm(np.cross(a, b)), np.dot(a, b)))


def widest_angle(normals: Array) -> float:
    """The largest angle [rad] between any two unit vectors (n, 3)."""
    return float(np.arccos(np.clip(normals @ normals.T, -1, 1)).max())


def fit_plane(x: Array, y: Array, z: Array, weight: Array | None = None) -> tuple[Array, Array]:
    """Weighted least-squares plane z = c0 + c1 x + c2 y through n >= 3 points.

    Returns the coefficients (3,) and their cofactor matrix (3, 3), which times the variance of unit weight is
    their covariance (JCGM 100:2008, H.3 for the line). Points on one line raise `numpy.linalg.LinAlgError`.
    """
    weight = np.ones_like(z) if weight is None else weight
    total = float(weight.sum())
    if total == 0:
        raise np.linalg.LinAlgError("points without weight do not fix a plane")
    # centring and scaling first keeps the normal equations well conditioned at map coordinates
    mx, my = float((weight * x).sum()) / total, float((weight * y).sum()) / total
    size = max(float(np.ptp(x)), float(np.ptp(y)), 1e-12)
    design = np.stack([np.ones_like(x), (x - mx) / size, (y - my) / size])
    normal = (design * weight) @ design.T
    if np.linalg.matrix_rank(normal, tol=1e-10 * normal[0, 0]) < 3:
        raise np.linalg.LinAlgError("points on one line do not fix a plane")
    cofactor = np.linalg.inv(normal)
    local = cofactor @ (design @ (weight * z))
    back = np.array([[1.0, -mx / size, -my / size], [0.0, 1 / size, 0.0], [0.0, 0.0, 1 / size]])
    return back @ local, back @ cofactor @ back.T


def fit_plane_total(points: Array, weight: Array | None = None) -> tuple[Array, Array]:
    """Total least-squares plane: the weighted centroid (3,) and the unit normal (3,) of least spread.

    Smallest eigenvector of the weighted covariance (Shakarji, J. Res. NIST 103, 1998, 633).
    """
    weight = np.ones(len(points)) if weight is None else weight
    centre = np.average(points, axis=0, weights=weight)
    arm = points - centre
    _, vectors = np.linalg.eigh(arm.T @ (arm * weight[:, None]))
    return centre, vectors[:, 0]


def robust_scale(residuals: Array) -> float:
    """Standard deviation by 1.4826 x median absolute deviation, which holds with up to half outliers."""
    middle = np.median(residuals)
    return float(1.4826 * np.median(np.abs(residuals - middle)))


def tukey_weight(residuals: Array, scale: float, *, cut: float = 4.685) -> Array:
    """Tukey's biweight: 1 at 0 falling to 0 at ``cut`` scales (95 % efficient for normal errors at 4.685)."""
    ratio = np.clip(np.abs(residuals) / (cut * max(scale, 1e-12)), 0.0, 1.0)
    return (1 - ratio**2) ** 2


def fit_plane_robust(
    x: Array, y: Array, z: Array, weight: Array | None = None, *, floor: float = 1e-4, rounds: int = 30
) -> tuple[Array, Array]:
    """Plane by iteratively reweighted least squares with Tukey's biweight, started from least absolute deviations.

    ``floor`` [m] keeps the scale off zero on a perfect plane. Returns coefficients (3,) and final weights (n,).
    """
    base = np.ones_like(z) if weight is None else weight
    factor = base
    coefficients = np.zeros(3)
    for turn in range(rounds):
        previous = coefficients
        coefficients, _ = fit_plane(x, y, z, factor)
        residual = z - (coefficients[0] + coefficients[1] * x + coefficients[2] * y)
        scale = max(robust_scale(residual), floor)
        # the first rounds weigh by 1/|r| (least absolute deviations): Tukey's loss alone can lock on a bad start
        loss = 1 / np.maximum(np.abs(residual), floor) if turn < 10 else tukey_weight(residual, scale)
        factor = base * loss
        if turn > 12 and np.allclose(coefficients, previous, rtol=0, atol=1e-9):
            break
    return coefficients, factor


def quadratic_terms(x: Array, y: Array) -> Array:
    """The terms 1, x, y, x^2, xy, y^2 (n, 6) at each place."""
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def quadratic_slopes(x: Array, y: Array) -> Array:
    """The derivatives along x and y of the six terms (2, n, 6) at each place."""
    zero, one = np.zeros_like(x), np.ones_like(x)
    return np.stack([np.stack([zero, one, zero, 2 * x, y, zero], 1), np.stack([zero, zero, one, zero, x, 2 * y], 1)])


def fit_quadratic(design: Array, z: Array, weight: Array | None = None) -> Array:
    """Weighted least-squares coefficients (6,) of the terms ``design`` (n, 6), which should be of order 1."""
    weighted = design if weight is None else design * weight[:, None]
    normal = weighted.T @ design
    # a whisper of damping lets points on one line through: the terms they leave open come out as 0
    damping = 1e-12 * np.trace(normal) * np.eye(6)
    result: Array = np.linalg.solve(normal + damping, weighted.T @ z)
    return result


def fit_quadratic_robust(design: Array, z: Array, *, floor: float = 5e-4, rounds: int = 20) -> Array:
    """Coefficients (6,) by Tukey's biweight, started from least absolute deviations.

    ``floor`` [m] keeps the scale off zero on a perfect sheet.
    """
    terms = fit_quadratic(design, z)
    for turn in range(rounds):
        rest = z - design @ terms
        # Tukey's loss alone can lock on a bad start
        far = np.maximum(np.abs(rest), floor)
        terms = fit_quadratic(design, z, 1 / far if turn < 8 else tukey_weight(rest, max(robust_scale(rest), floor)))
    return terms


def in_polygon(x: Array, y: Array, corners: Array) -> Mask:
    """Which points lie inside the polygon with ``corners`` (k, 2), by the even-odd rule."""
    inside = np.zeros(np.broadcast(x, y).shape, dtype=bool)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        crosses = (y0 > y) != (y1 > y)
        inside ^= crosses & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return inside


def polygon_area(corners: Array) -> float:
    """Area of a simple polygon by the shoelace formula, positive whichever way it runs."""
    x, y = corners[:, 0], corners[:, 1]
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def clipped(corners: Array, at: Array, away: Array) -> Array:
    """The part of a convex polygon (k, 2) on the near side of the line through ``at`` square to ``away``; (0, 2): none.

    Sutherland and Hodgman, Comm. ACM 17, 1974, 32, for one edge.
    """
    if not len(corners):
        return corners
    side = (corners - at) @ away
    kept = []
    for (p, q), (a, b) in zip(
        zip(corners, np.roll(corners, -1, axis=0), strict=True), zip(side, np.roll(side, -1), strict=True), strict=True
    ):
        if a <= 0:
            kept.append(p)
        if a * b < 0:
            kept.append(p + (q - p) * a / (a - b))
    return np.array(kept).reshape(-1, 2)


def in_rectangle(corners: Array, box: Rectangle) -> Array:
    """The part of a convex polygon (k, 2) in a rectangle; (0, 2) where there is none."""
    x0, y0, x1, y1 = box
    for at, away in (((x0, y0), (-1.0, 0.0)), ((x0, y0), (0.0, -1.0)), ((x1, y1), (1.0, 0.0)), ((x1, y1), (0.0, 1.0))):
        corners = clipped(corners, np.array(at), np.array(away))
    return corners


def disjoint(boxes: Sequence[Rectangle]) -> tuple[Rectangle, ...]:
    """Rectangles that share no area and cover what ``boxes`` cover together."""
    kept = []
    across, up = (sorted({box[k] for box in boxes for k in (axis, axis + 2)}) for axis in (0, 1))
    for x0, x1 in pairwise(across):
        for y0, y1 in pairwise(up):
            if any(a <= x0 and b <= y0 and x1 <= c and y1 <= d for a, b, c, d in boxes):
                kept.append((x0, y0, x1, y1))
    return tuple(kept)


def area_clear_of(corners: Array, boxes: Sequence[Rectangle]) -> float:
    """Area [m2] of a convex polygon (k, 2) less what rectangles that share no area (`disjoint`) take of it."""
    lost = sum(polygon_area(part) for part in (in_rectangle(corners, box) for box in boxes) if len(part) > 2)
    return polygon_area(corners) - float(lost)


_SLACK = 1e-9


def cell_count(extent: float, cell: float) -> int:
    """Cells of size ``cell`` that cover ``extent``; the last may be partly outside."""
    return max(1, math.ceil(extent / cell - _SLACK))


def edges(extent: float, cell: float) -> Array:
    """Cell edges from 0, one more than there are cells."""
    return np.arange(cell_count(extent, cell) + 1, dtype=np.float64) * cell


def centres(extent: float, cell: float) -> Array:
    """Cell centres; cell i spans [i cell, (i + 1) cell]."""
    return (np.arange(cell_count(extent, cell), dtype=np.float64) + 0.5) * cell


def index(position: Array, cell: float) -> NDArray[np.int64]:
    """Cell in which each position lies; a position on an edge belongs to the cell above it."""
    return np.floor(np.asarray(position) / cell + _SLACK).astype(np.int64)


def among(position: Array, centre: Array, cell: float) -> Array:
    """Fractional index of positions among cell ``centre`` (n,); a rounding error off the outer ones is taken off."""
    index, last = (position - centre[0]) / cell, len(centre) - 1
    near = np.clip(index, 0, last)
    return np.where(np.abs(near - index) < 1e-6, near, index)


def samples_within(length: float, step: float) -> int:
    """How many samples ``step`` apart lie at most ``length`` apart from first to last.

    >>> samples_within(1.8, 0.01)
    181
    """
    return int(math.floor(length / step + _SLACK)) + 1


def overlap(extent: float, cell: float, start: float, stop: float) -> Array:
    """Length of each cell of [0, extent] that lies in [start, stop]."""
    edge = edges(extent, cell)
    low, high = np.maximum(edge[:-1], max(start, 0.0)), np.minimum(edge[1:], min(stop, extent))
    return np.clip(high - low, 0.0, None)


def midline_widths(at: Array, extent: float) -> Array:
    """Length each station of a sorted row owns: to the midlines, and to the wall's ends 0 and ``extent``."""
    borders = np.concatenate(([0.0], (at[1:] + at[:-1]) / 2, [extent]))
    return np.diff(borders)


Pairs = NDArray[np.int64]
# corners of regions this near each other, in spacings, are one: places are typed to a millimetre, tables are not exact
_ONE_CORNER = 0.02


def neighbour_pairs(x: Array, y: Array) -> Pairs:
    """Pairs (m, 2) of places (n,) whose own regions touch, also at a corner: rows of indices i < j, each pair once.

    A place's region is what lies nearer to it than to any other (Voronoi), within a box half a spacing beyond the
    outermost places. On a full table these are the eight around each station; on a line the one before and the one
    after. Of two equal places one has no neighbours.
    """
    from scipy.spatial import Delaunay

    count = len(x)
    if count < 2:
        return np.empty((0, 2), dtype=np.int64)
    places = np.stack([x, y], axis=1).astype(np.float64)
    spacing = _spacing(places)
    # places mirrored in the box's sides cut the regions off there: no region reaches over the side
    low, high = places.min(axis=0) - spacing / 2, places.max(axis=0) + spacing / 2
    mirrored = [places]
    for axis in (0, 1):
        for side in (low[axis], high[axis]):
            other = places.copy()
            other[:, axis] = 2 * side - other[:, axis]
            mirrored.append(other)
    drawn = Delaunay(np.concatenate(mirrored))
    pairs = [drawn.simplices[:, ends] for ends in ([0, 1], [1, 2], [2, 0])]
    pairs.append(_at_one_corner(drawn.points, drawn.simplices, drawn.neighbors, _ONE_CORNER * spacing))
    every = np.concatenate(pairs)
    own = np.sort(every[(every < count).all(axis=1)], axis=1)
    return np.unique(own, axis=0).astype(np.int64)


def _spacing(places: Array) -> float:
    """Median distance [m] of a place to its nearest one."""
    from scipy.spatial import cKDTree

    away = cKDTree(places).query(places, k=2)[0][:, 1]
    apart = away[away > 0]
    return float(np.median(apart)) if apart.size else 1.0


def _at_one_corner(points: Array, triangles: Pairs, beside: Pairs, near: float) -> Pairs:
    """Pairs of the far corners of adjoining triangles whose circles' centres fall together within ``near`` [m].

    The centres are corners of regions; four places on one circle have one in common, whichever diagonal was drawn.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    centres = _circle_centres(points[triangles])
    first, side = np.nonzero(beside >= 0)
    second = beside[first, side]
    same = np.hypot(*(centres[first] - centres[second]).T) <= near
    # scipy 1.11 takes no wider indices here
    ends = (first[same].astype(np.int32), second[same].astype(np.int32))
    joined = coo_array((np.ones(len(ends[0])), ends), shape=(len(triangles),) * 2)
    number, corner = connected_components(joined, directed=False)
    shared = np.flatnonzero(np.bincount(corner, minlength=number) > 1)
    found = [np.empty((0, 2), dtype=np.int64)]
    for which in shared:
        around = np.unique(triangles[corner == which])
        one, other = np.triu_indices(len(around), 1)
        found.append(np.stack([around[one], around[other]], axis=1))
    return np.concatenate(found)


def _circle_centres(corners: Array) -> Array:
    """Centres (n, 2) of the circles through triangles (n, 3, 2); NaN for one without area."""
    start = corners[:, 0]
    (ax, ay), (bx, by) = (corners[:, 1] - start).T, (corners[:, 2] - start).T
    twice = 2 * (ax * by - ay * bx)
    square_a, square_b = ax**2 + ay**2, bx**2 + by**2
    with np.errstate(divide="ignore", invalid="ignore"):
        away = np.stack([by * square_a - ay * square_b, ax * square_b - bx * square_a], axis=1) / twice[:, None]
    return start + np.where(np.isfinite(away), away, np.nan)
