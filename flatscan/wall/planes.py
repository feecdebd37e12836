"""Flat surfaces in a thinned cloud: seeded RANSAC for the inliers, one connected surface at a time; and curved ones.

The draws come from one seeded generator and every sum is taken in a fixed order, so the planes are the same whatever
the number of threads. The planes found here only say which points belong together; the wall itself is refitted.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from flatscan.core.geometry import Array, Mask, fit_plane_total, fit_quadratic, quadratic_slopes, quadratic_terms

MOST_POINTS = 40_000
FINEST_BOX = 0.02
SEED = 20260
NEIGHBOURS = 24
DRAWS = 240
MOST_PLANES = 24
LEAST_AREA = 0.25
LEAST_POINTS = 60
COHERENT = np.cos(np.radians(30.0))
LINK = 0.35
STILL = 1e-4
COMPANY = 0.5
# a plane holds a short chord of a sharp bend: from there to a whole bay, and no step so long that it guesses
GROWTH, STEPS, FURTHER = 5.0, 17, 1.02
CURVED_SAGITTA = 0.06
MORE = 1.25
LARGEST_RADIUS = 25.0
LEVELS = (0.015, 0.25)
# the row of cells that a line runs through holds points of both levels: a third of the narrowest part
SHARED = 0.3


@dataclass(frozen=True, eq=False)
class Candidate:
    """A flat surface: centre (3,), unit normal (3,) of either sign, its points' indices, and its area [m2]."""

    centre: Array
    normal: Array
    members: NDArray[np.int64]
    area: float


@dataclass(frozen=True, eq=False)
class Thinned:
    """The thinned points (n, 3), their local normals (n, 3), the box size and the scatter about local planes [m].

    ``spacing`` [m] is how far apart the points typically stand, the box size or more.
    """

    points: Array
    normals: Array
    box: float
    scatter: float
    spacing: float

    @property
    def reach(self) -> float:
        """Distance from a plane within which a point may belong to it: three scatters, 20 to 40 mm."""
        return float(np.clip(3 * self.scatter, 0.02, 0.04))


def box_numbers(points: Array, size: float) -> NDArray[np.int64]:
    """One whole number (n,) per cubic box of ``size`` [m] for the points (n, 3)."""
    steps = np.floor((points - points.min(axis=0)) / size).astype(np.int64)
    spans = steps.max(axis=0) + 1
    return (steps[:, 0] * spans[1] + steps[:, 1]) * spans[2] + steps[:, 2]


def thin(points: Array, *, most: int = MOST_POINTS, finest: float = FINEST_BOX) -> tuple[Array, float]:
    """First point of each occupied box, and the box size [m]: the finest that leaves at most ``most`` points."""
    size, first = finest, np.empty(0, np.int64)
    held = len(np.unique(box_numbers(points, size)))
    while held > most or not len(first):
        size *= max(1.1, float(np.sqrt(held / most))) if held > most else 1.0
        # where the first of each box stands takes a stable sort, several times as long as the count to begin with
        _, first = np.unique(box_numbers(points, size), return_index=True)
        held = len(first)
    return points[np.sort(first)], size


def with_normals(points: Array, box: float) -> Thinned:
    """Local normals (n, 3) by the least-spread direction of each point's nearest neighbours."""
    count = min(NEIGHBOURS, len(points))
    away, near = _nearest(points, count)
    # the k-th neighbour of evenly strewn points is sqrt(k / pi) spacings away
    spacing = float(np.median(away[:, -1])) * np.sqrt(np.pi / max(count - 1, 1))
    spread, axes = np.linalg.eigh(_moments(points, near))
    scatter = float(np.sqrt(np.median(np.clip(spread[:, 0], 0, None)) / max(count - 3, 1)))
    return Thinned(points, axes[:, :, 0], box, scatter, max(box, float(spacing)))


def _nearest(points: Array, count: int) -> tuple[Array, NDArray[np.int64]]:
    """Distances and numbers (n, count) of each point's nearest points, itself first."""
    tree = cKDTree(points)
    # not the tree's own workers: it does not wait for them when Ctrl-C comes, and they go on in memory given back
    with ThreadPoolExecutor(2) as pool:
        halves = list(pool.map(lambda some: tree.query(some, k=count), np.array_split(points, 2)))
    away, near = (np.concatenate(part).reshape(len(points), count) for part in zip(*halves, strict=True))
    return away, near


def _moments(points: Array, near: NDArray[np.int64]) -> Array:
    """Second moments (n, 3, 3) about their mean of the points that each row of ``near`` (n, k) names."""
    # coordinate by coordinate: a sum over the short axis of (n, k, 3) is several times slower
    arms = [points[:, axis][near] for axis in range(3)]
    arms = [arm - arm.mean(axis=1, keepdims=True) for arm in arms]
    moments = np.empty((len(near), 3, 3))
    for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)):
        moments[:, i, j] = moments[:, j, i] = np.einsum("nk,nk->n", arms[i], arms[j])
    return moments


def find_planes(thinned: Thinned, *, least_area: float = LEAST_AREA, most: int = MOST_PLANES) -> list[Candidate]:
    """Flat connected surfaces of at least ``least_area`` [m2], in the order in which they were found (large first)."""
    rng = np.random.default_rng(SEED)
    free = np.arange(len(thinned.points))
    found: list[Candidate] = []
    misses = 0
    while len(found) < most and len(free) >= LEAST_POINTS and misses < 3:
        best = _best_hypothesis(thinned, free, rng)
        if best is None:
            break
        centre, normal, near = _refine(thinned, free, *best)
        members = _largest_piece(thinned, free[near], centre, normal)
        area = area_of(thinned, members, centre, normal)
        small = len(members) < LEAST_POINTS or (area < least_area and found)
        if small or not _is_sheet(thinned, members, centre, normal):
            misses += 1
            free = np.setdiff1d(free, members, assume_unique=True)
            continue
        found.append(Candidate(centre, normal, members, area))
        free = np.setdiff1d(free, _claimed(thinned, free, members, centre, normal), assume_unique=True)
    return found


def _best_hypothesis(thinned: Thinned, free: NDArray[np.int64], rng: np.random.Generator) -> tuple[Array, Array] | None:
    """Point and normal of the drawn triple that holds the most free points within reach."""
    points = thinned.points[free]
    seeds = rng.integers(len(free), size=DRAWS)
    mates = rng.integers(len(free), size=(DRAWS, 300))
    start, direction = points[seeds], thinned.normals[free[seeds]]
    # coordinate by coordinate: sums over a short last axis are several times slower
    arm = [column[mates] - start[:, axis, None] for axis, column in enumerate(np.ascontiguousarray(points.T))]
    away = np.sqrt(arm[0] ** 2 + arm[1] ** 2 + arm[2] ** 2)
    off = np.abs(arm[0] * direction[:, :1] + arm[1] * direction[:, 1:2] + arm[2] * direction[:, 2:])
    fits = (away > 0.15) & (away < 2.5) & (off < 0.15 * away + thinned.reach)
    # the first two that fit
    row, first = np.arange(DRAWS), fits.argmax(axis=1)
    usable = fits[row, first]
    fits[row, first] = False
    second = fits.argmax(axis=1)
    usable &= fits[row, second]
    normal = np.cross(points[mates[row, first]] - start, points[mates[row, second]] - start)
    size = np.linalg.norm(normal, axis=1)
    usable &= size > 0.01
    if not usable.any():
        return None
    normal, start = normal[usable] / size[usable, None], start[usable]
    trial = points[rng.integers(len(points), size=min(4000, len(points)))]
    gap = trial @ normal.T - np.einsum("si,si->s", start, normal)
    top = np.argsort(-_support(gap, thinned.reach).sum(axis=0), kind="stable")[:12]
    normals = thinned.normals[free]
    scores = [_weights(points, normals, thinned.reach, start[i], normal[i]).sum() for i in top]
    best = top[int(np.argmax(scores))]
    return start[best], normal[best]


def _support(off: Array, reach: float) -> Array:
    """1 on the plane falling to 0 at ``reach``: a count alone prefers a plane tilted across a step to either level."""
    share: Array = off / reach
    # in place: of all hypotheses at once these are millions of numbers
    np.clip(share, -1.0, 1.0, out=share)
    np.multiply(share, share, out=share)
    np.subtract(1.0, share, out=share)
    return np.multiply(share, share, out=share)


def _weights(points: Array, normals: Array, reach: float, centre: Array, normal: Array) -> Array:
    """Support (n,) of the points near the plane whose own surface also faces its way, 0 for the others."""
    off = (points - centre) @ normal
    return np.where(np.abs(normals @ normal) > COHERENT, _support(off, reach), 0.0)


def _refine(thinned: Thinned, free: NDArray[np.int64], centre: Array, normal: Array) -> tuple[Array, Array, Mask]:
    """Plane and its free inliers after refitting by reweighted least squares until the plane stays the same."""
    points, normals = thinned.points[free], thinned.normals[free]
    for _ in range(20):
        weight = _weights(points, normals, thinned.reach, centre, normal)
        if np.count_nonzero(weight) < 3:
            break
        before = centre, normal
        centre, normal = fit_plane_total(points, weight)
        moved = abs(float((centre - before[0]) @ before[1]))
        if moved < STILL and 1 - abs(float(normal @ before[1])) < STILL**2:
            break
    return centre, normal, _weights(points, normals, thinned.reach, centre, normal) > 0


def plane_axes(normal: Array) -> Array:
    """Two unit vectors (2, 3) within the plane of ``normal``."""
    helper = np.eye(3)[int(np.argmin(np.abs(normal)))]
    first = np.cross(normal, helper)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(normal, first)])


def in_plane(points: Array, centre: Array, normal: Array) -> Array:
    """Two coordinates (n, 2) [m] of each point within the plane, about its centre."""
    return (points - centre) @ plane_axes(normal).T


def _is_sheet(thinned: Thinned, members: NDArray[np.int64], centre: Array, normal: Array) -> bool:
    """Whether one side of a surface is much emptier than itself: within a heap of points every slab has company."""
    cell = max(0.1, 2 * thinned.spacing)
    place = np.floor(in_plane(thinned.points, centre, normal) / cell).astype(np.int64)
    place -= place.min(axis=0)
    number = place[:, 0] * (place[:, 1].max() + 1) + place[:, 1]
    over = np.isin(number, np.unique(number[members]))
    off = ((thinned.points - centre) @ normal)[over] / thinned.reach
    sides = [int(((side * off > 1) & (side * off < 3)).sum()) for side in (1, -1)]
    return min(sides) < COMPANY * int((np.abs(off) <= 1).sum())


def faces_along(thinned: Thinned, normal: Array) -> Mask:
    """Points (n,) whose own surface faces along ``normal``, one way or the other."""
    return np.asarray(np.abs(thinned.normals @ normal) > COHERENT)


def area_of(thinned: Thinned, members: NDArray[np.int64], centre: Array, normal: Array) -> float:
    """Area [m2] of the cells that the members fill, each large enough to hold a few of them."""
    if not len(members):
        return 0.0
    cell = max(0.05, 2 * thinned.spacing)
    place = np.floor(in_plane(thinned.points[members], centre, normal) / cell).astype(np.int64)
    place -= place.min(axis=0)
    return len(np.unique(place[:, 0] * (place[:, 1].max() + 1) + place[:, 1])) * cell**2


def _largest_piece(thinned: Thinned, members: NDArray[np.int64], centre: Array, normal: Array) -> NDArray[np.int64]:
    """Members of the largest connected part: a gap over twice LINK parts coplanar surfaces of different walls."""
    if not len(members):
        return members
    flat = in_plane(thinned.points[members], centre, normal)
    cell = max(0.1, 2 * thinned.spacing)
    place = np.floor((flat - flat.min(axis=0)) / cell).astype(np.int64)
    grid = np.zeros(place.max(axis=0) + 1, dtype=bool)
    grid[place[:, 0], place[:, 1]] = True
    margin = int(np.ceil(max(LINK, 2 * thinned.spacing) / cell))
    wide = ndimage.binary_dilation(np.pad(grid, margin), iterations=margin)
    labels, _ = ndimage.label(wide, structure=np.ones((3, 3)))
    label = labels[place[:, 0] + margin, place[:, 1] + margin]
    return members[label == np.bincount(label).argmax()]


def _claimed(
    thinned: Thinned, free: NDArray[np.int64], members: NDArray[np.int64], centre: Array, normal: Array
) -> NDArray[np.int64]:
    """The members, and the fuzz about them that would otherwise come back as a second plane beside the first."""
    off = np.abs((thinned.points[free] - centre) @ normal)
    slab = np.setdiff1d(free[off < 1.5 * thinned.reach], members, assume_unique=True)
    away, _ = cKDTree(thinned.points[members]).query(thinned.points[slab], workers=1)
    faces = np.abs(thinned.normals[slab] @ normal) > COHERENT
    return np.union1d(members, slab[(away < 3 * thinned.spacing) & faces])


@dataclass(frozen=True, slots=True)
class Bend:
    """A curved surface: smallest radius [m] and how far it leaves a plane over its own extent [m]."""

    radius: float
    sagitta: float


def find_bend(thinned: Thinned, plane: Candidate) -> Bend | None:
    """The curvature of the surface that ``plane`` touches, or None where it is flat.

    A quadratic is grown outward from the plane's own points until it holds no more. The surface is curved if it holds
    a quarter more points than the plane does, leaves it by more than 60 mm over its extent, with a radius under 25 m.
    """
    flat = in_plane(thinned.points, plane.centre, plane.normal)
    off = (thinned.points - plane.centre) @ plane.normal
    half = np.quantile(np.abs(flat[plane.members]), 0.95, axis=0)
    size = float(half.max())
    around = np.flatnonzero((np.abs(flat) < GROWTH * half + 0.05).all(axis=1))
    flat, off, facing = flat[around], off[around], thinned.normals[around]
    axes = plane_axes(plane.normal)
    design = quadratic_terms(flat[:, 0] / size, flat[:, 1] / size)
    slopes = quadratic_slopes(flat[:, 0] / size, flat[:, 1] / size)
    held = np.isin(around, plane.members)
    before = 0
    for growth in np.geomspace(1.0, GROWTH, STEPS):
        terms = fit_quadratic(design[held], off[held])
        held = (np.abs(flat) < growth * half + 0.05).all(axis=1) & (np.abs(off - design @ terms) < thinned.reach)
        # what only crosses the sheet, as furniture does, faces another way than the sheet there
        slope = (slopes @ terms).T / size
        sheet = plane.normal - slope @ axes
        held &= np.abs((sheet * facing).sum(axis=1)) > COHERENT * np.linalg.norm(sheet, axis=1)
        if held.sum() < 10:
            return None
        if held.sum() < FURTHER * before:
            break
        before = held.sum()
    bend = np.linalg.eigvalsh(np.array([[2 * terms[3], terms[4]], [terms[4], 2 * terms[5]]]))
    sharpest = float(np.abs(bend).max()) / size**2
    bulge = design[held][:, 3:] @ terms[3:]
    # from the plane nearest to all of it: the one it was grown from may touch it at an end
    bulge -= design[held][:, :3] @ np.linalg.lstsq(design[held][:, :3], bulge, rcond=None)[0]
    span = float(np.ptp(bulge))
    if held.sum() < MORE * len(plane.members) or span < CURVED_SAGITTA or sharpest < 1 / LARGEST_RADIUS:
        return None
    return Bend(1 / sharpest, span)


def levels_beside(thinned: Thinned, plane: Candidate, others: list[Candidate]) -> list[tuple[Candidate, float]]:
    """The parallel surfaces that go on beside this one 15 to 250 mm before or behind it, and their steps [m].

    A step is + along ``plane``'s normal. Surfaces that overlap (a cupboard's front, the other face of a partition) are
    not a second level of the same wall.
    """
    own, found = in_plane(thinned.points[plane.members], plane.centre, plane.normal), list[tuple[Candidate, float]]()
    for other in others:
        if other is plane or abs(np.dot(other.normal, plane.normal)) < np.cos(np.radians(3.0)):
            continue
        points = thinned.points[other.members]
        step = float(np.median((points - plane.centre) @ plane.normal))
        if not LEVELS[0] < abs(step) < LEVELS[1]:
            continue
        beside = in_plane(points, plane.centre, plane.normal)
        # a proud level hides a strip of the other from where it was scanned
        if _touch(own, beside, apart=1 + int(np.ceil(abs(step) / 0.1))):
            found.append((other, step))
    return found


def _touch(one: Array, two: Array, *, cell: float = 0.1, apart: int = 1) -> bool:
    """Whether two point sets in one plane fill cells ``apart`` over 0.5 m and share at most three in ten of theirs."""
    low = np.minimum(one.min(axis=0), two.min(axis=0)) - (apart + 1) * cell
    size = np.ceil((np.maximum(one.max(axis=0), two.max(axis=0)) - low) / cell).astype(int) + apart + 2
    grids = []
    for points in (one, two):
        grid = np.zeros(size, dtype=bool)
        grid[tuple(np.floor((points - low) / cell).astype(int).T)] = True
        grids.append(grid)
    shared = (grids[0] & grids[1]).sum()
    wide = ndimage.binary_dilation(grids[0], iterations=apart)
    meeting = (wide & grids[1]).sum()
    return bool(meeting * cell > 0.5 and shared < SHARED * min(grids[0].sum(), grids[1].sum()) + 0.5 / cell)
