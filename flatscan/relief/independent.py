"""Whether the points of a capture are measurements of their own, told from a sample of them (methods/uncertainty 3).

Independent errors make neighbours' residuals from the wall's form uncorrelated. A rough wall correlates them as well,
so correlation alone proves nothing: points are called repeats only where something else shows it that no wall does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from flatscan.core.geometry import Array, Mask, fit_quadratic, quadratic_terms, robust_scale
from flatscan.core.independence import Independence, Patches
from flatscan.core.model import Cloud
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share, square_metres

_FEWEST_PATCHES = 3
_APART = 10.0
# neighbours looked at first, of so many points in a square; a mean correlation below this is none (4 sigma)
_NEAR, _LOOKED_AT, _CORRELATED = 6, 220, 0.06
# residuals further off are features or strays and do not count for more
_CLIP = 3.0
# a share of independent points above this is told from all of them by nothing
_ENOUGH = 0.8
# blocks along a square's side, to find how far the variance of block means stays above 1 / number
_BLOCKS = (14, 10, 7, 5)
# copies: circles as parts of the points' spacing; so many times the points chance puts there, so much more alike than
# those in the ring around, and in no one direction
_CIRCLES, _CROWDED, _FADES, _ROUND = (0.1, 0.16, 0.25, 0.4, 0.6, 0.9, 1.3), 1.5, 0.7, 0.35
# and so many times those in the ring: where a scan is denser here than there both are crowded
_DENSER = 1.25
_FEWEST_PAIRS, _CLEAR = 60, 6.0
_RING = (1.6, 2.5)
_RING_AREA = _RING[1] ** 2 - _RING[0] ** 2
# between others: points and their neighbours, how exact [m], and by how many times more often than chance
_TRIED, _AROUND, _EXACT, _COARSEST, _BEYOND_CHANCE = 600, 12, 1e-6, 2e-5, 4.0
_SHARE_EXACT = 0.03
# smooth: what no sensor of walls scatters less than, while the points do from a smooth form [m]
_SENSOR, _TEXTURE, _TIMES = 1.0e-4, 3.0e-5, 3.0
_KRIGED, _LENGTHS, _NUGGET = 16, (0.8, 1.3, 2.0, 3.5), 1e-4
_SAID = {
    "copies": "relief.points-copies",
    "between": "relief.points-between",
    "smooth": "relief.points-smooth",
    "drawn": "relief.points-drawn",
}


@dataclass(frozen=True, eq=False, slots=True)
class _Points:
    """Points (n, 3) of squares moved apart, their residuals ``rest`` (n,) [m] and which square they are of.

    ``spacing`` [m] is the root of the area of one point, ``chosen`` (m,) numbers those that are looked at.
    """

    at: Array
    rest: Array
    square: Array
    chosen: Array
    spacing: float
    side: float
    tree: cKDTree

    @property
    def variance(self) -> float:
        """Variance of the residuals [m2]."""
        return float(np.mean(self.rest**2))


def independence_of(patches: Patches) -> Independence | None:
    """What the points over some squares of a wall show of repeating each other; None where they show nothing.

    Where neighbours' residuals do not correlate there is nothing more to look for, and that costs some milliseconds.
    """
    squares = patches.each()
    if len(squares) < _FEWEST_PATCHES:
        return None
    points = _laid_out(squares, patches.side)
    if points.variance <= 0 or not _alike(points):
        return None
    part = _independent_part(points)
    kind = _kind(points, patches)
    if kind is None or part > _ENOUGH:
        return None
    density = points.spacing**-2
    return Independence(kind, density, density * part, float(np.sqrt(points.variance)))


def shown_by(patches: Patches, cloud: Cloud, density: float) -> Independence | None:
    """`independence_of` the points of a capture of ``density`` a m2; points on a mesh always do."""
    found = independence_of(patches)
    part = cloud.independent_share
    if cloud.drawn and part < _ENOUGH:
        scatter = 0.0 if found is None else found.scatter
        return Independence("drawn", density, density * part, scatter)
    if found is None or part == 1.0:
        return found
    # rows that are there twice are no measurements either
    return replace(found, density=found.density / part)


def said_of(found: Independence) -> Note:
    """What is to be said of points that repeat each other."""
    return note(
        _SAID[found.kind],
        area=square_metres(1.0),
        density=round(found.density),
        independent=max(1, round(found.independent)),
        shared=share(found.shared),
        scatter=metres(found.scatter),
    )


def _laid_out(squares: Sequence[Array], side: float) -> _Points:
    """Squares side by side, far apart, with the residuals from a quadratic through each."""
    moved, rests, numbers, chosen, start = [], [], [], [], 0
    for number, square in enumerate(squares):
        middle = square.mean(axis=0)
        at = square - middle
        rests.append(_residuals(at, side))
        at[:, 0] += _APART * number
        moved.append(at)
        numbers.append(np.full(len(at), number))
        # those at the rim have neighbours on one side only
        inner = np.flatnonzero(np.all(np.abs(square[:, :2] - middle[:2]) < 0.42 * side, axis=1))
        chosen.append(start + inner[:: max(1, len(inner) // _LOOKED_AT)])
        start += len(at)
    all_at = np.concatenate(moved)
    spacing = float(np.sqrt(np.median([side**2 / len(square) for square in squares])))
    tree = cKDTree(all_at[:, :2])
    return _Points(all_at, np.concatenate(rests), np.concatenate(numbers), np.concatenate(chosen), spacing, side, tree)


def _residuals(at: Array, side: float) -> Array:
    """What is left (n,) [m] of heights over a quadratic, features cut off at three spreads."""
    design = quadratic_terms(at[:, 0] / side, at[:, 1] / side)
    keep = np.ones(len(at))
    for _ in range(2):
        rest: Array = at[:, 2] - design @ fit_quadratic(design, at[:, 2], keep)
        scale = max(robust_scale(rest), 1e-12)
        keep = (np.abs(rest) <= _CLIP * scale).astype(float)
    return np.clip(rest, -_CLIP * scale, _CLIP * scale)


def _alike(points: _Points) -> bool:
    """Whether neighbours' residuals correlate in most squares."""
    _, near = points.tree.query(points.at[points.chosen, :2], k=_NEAR)
    products = points.rest[points.chosen] * points.rest[near[:, 1:]].mean(axis=1)
    squares = points.square[points.chosen]
    number = int(points.square[-1]) + 1
    total = np.bincount(points.square, weights=points.rest**2, minlength=number)
    variance = total / np.bincount(points.square, minlength=number)
    looked = np.maximum(np.bincount(squares, minlength=number), 1)
    together = np.bincount(squares, weights=products, minlength=number) / looked
    return bool(np.median(together / np.maximum(variance, 1e-30)) > _CORRELATED)


def _independent_part(points: _Points) -> float:
    """How many independent points each is worth: 1 over the largest excess of the variance of block means.

    The mean of n independent residuals has the variance of one over n, whatever the size of the block.
    """
    most = 1.0
    number = int(points.square[-1]) + 1
    middles = _APART * np.arange(number)
    for many in _BLOCKS:
        col = np.floor((points.at[:, 0] - middles[points.square]) / points.side * many + many / 2).astype(int)
        row = np.floor(points.at[:, 1] / points.side * many + many / 2).astype(int)
        here = (col >= 0) & (col < many) & (row >= 0) & (row < many)
        block = (points.square * many + row) * many + col
        size = number * many**2
        count = np.bincount(block[here], minlength=size)
        total = np.bincount(block[here], weights=points.rest[here], minlength=size)
        full = count > 0.3 * count[count > 0].mean()
        # a quadratic takes six of the blocks' freedoms
        most = max(most, float(np.mean(total[full] ** 2 / count[full])) / points.variance / (1 - 6 / many**2))
    return 1 / most


def _kind(points: _Points, patches: Patches) -> str | None:
    """How points show that they repeat each other, None where they do not."""
    # what lies exactly between others is foretold by them and may crowd as well: the most telling first
    if _between(points, patches.step):
        return "between"
    if _smooth(points, patches.step):
        return "smooth"
    return "copies" if _copies(points, patches.raster) else None


def _copies(points: _Points, raster: float) -> bool:
    """Whether points crowd together in small circles, on all sides, with errors more alike there than just outside."""
    spacing = points.spacing
    pairs = points.tree.query_pairs(_RING[1] * _CIRCLES[-1] * spacing, output_type="ndarray")
    if not len(pairs):
        return False
    apart = points.at[pairs[:, 0], :2] - points.at[pairs[:, 1], :2]
    far = np.hypot(apart[:, 0], apart[:, 1])
    alike = points.rest[pairs[:, 0]] * points.rest[pairs[:, 1]] / points.variance
    number = len(points.at)
    for part in _CIRCLES:
        reach = part * spacing
        # what is rounded lies at equal places, and at whole steps from each other, by chance
        if reach < 2 * raster:
            continue
        near, ring = far < reach, (far > _RING[0] * reach) & (far < _RING[1] * reach)
        expected = number * np.pi * reach**2 / spacing**2 / 2
        if near.sum() < max(_FEWEST_PAIRS, _CROWDED * expected + _CLEAR * np.sqrt(expected)):
            continue
        inside, around = float(alike[near].mean()), float(alike[ring].mean()) if ring.any() else 0.0
        sure = inside * np.sqrt(near.sum()) > _CLEAR and near.sum() > _DENSER * ring.sum() / _RING_AREA
        if sure and around < _FADES * inside and on_all_sides(apart[near], reach):
            return True
    return False


def on_all_sides(apart: Array, reach: float) -> bool:
    """Whether pairs (n, 2) point all ways, unlike those along the lines of a scanner."""
    spread = np.linalg.eigvalsh(apart.T @ apart / len(apart))
    return bool(spread[0] > _ROUND * spread[1] or spread[1] < (0.01 * reach) ** 2)


def _some(points: _Points, most: int) -> Array:
    return points.chosen[:: max(1, len(points.chosen) // most)]


def _between(points: _Points, step: float) -> bool:
    """Whether more points than chance would put there lie exactly in triangles, or on lines, between others."""
    exact = max(_EXACT, 3 * step)
    if exact > _COARSEST or points.variance < _TEXTURE**2:
        return False
    some = _some(points, _TRIED)
    _, near = points.tree.query(points.at[some, :2], k=_AROUND + 1)
    corners = np.array(list(combinations(range(1, _AROUND + 1), 3)))
    at = points.at[near] - points.at[some][:, None, :]
    a, b, c = (at[:, corners[:, k]] for k in range(3))
    off, inside = _over_triangles(a, b, c)
    hit = inside & (off <= exact)
    beyond = inside & (off > exact) & (off <= 21 * exact)
    expected = beyond.sum() / 20
    enough = np.count_nonzero(hit.any(axis=1)) > _SHARE_EXACT * len(some)
    return bool(enough and hit.sum() > _BEYOND_CHANCE * expected + 20)


def _over_triangles(a: Array, b: Array, c: Array) -> tuple[Array, Mask]:
    """Height of the origin over planes through corners (n, m, 3), and whether it lies within them seen from above."""
    one, two, three = (p[..., 0] * q[..., 1] - p[..., 1] * q[..., 0] for p, q in ((b, c), (c, a), (a, b)))
    area = one + two + three
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = np.nan_to_num(np.stack([one, two, three]) / area, nan=-1.0, posinf=-1.0, neginf=-1.0)
    inside = np.all(weights > -1e-6, axis=0) & np.all(weights < 1 - 1e-6, axis=0)
    off = np.abs(weights[0] * a[..., 2] + weights[1] * b[..., 2] + weights[2] * c[..., 2])
    return np.where(inside, off, np.inf), inside


def _smooth(points: _Points, step: float) -> bool:
    """Whether points can be told from their neighbours better than any sensor measures, though they do scatter.

    Each is foretold from its neighbours by kriging with several lengths; what is left, over the root of 1 and the
    squares of the weights, is at least the scatter of the sensor wherever points have errors of their own.
    """
    rounding = step**2 / 12
    texture = np.sqrt(max(points.variance - rounding, 0.0))
    if texture < max(_TEXTURE, 0.3 * step):
        return False
    some = _some(points, _TRIED)
    _, near = points.tree.query(points.at[some, :2], k=_KRIGED + 1)
    at = points.at[near, :2] / points.spacing
    rest = points.rest[near]
    least = np.inf
    square = ((at[:, 1:, None, :] - at[:, None, 1:, :]) ** 2).sum(-1)
    away = ((at[:, 1:] - at[:, :1]) ** 2).sum(-1)
    for length in _LENGTHS:
        among = np.exp(-square / (2 * length**2)) + _NUGGET * np.eye(_KRIGED)
        weights = np.linalg.solve(among, np.exp(-away / (2 * length**2))[..., None])[..., 0]
        left = (rest[:, 0] - (weights * rest[:, 1:]).sum(-1)) / np.sqrt(1 + (weights**2).sum(-1))
        least = min(least, float(np.sqrt(max(robust_scale(left) ** 2 - rounding, 0.0))))
    return bool(least < _SENSOR and _TIMES * least < texture)


def least_scatter(cloud: Cloud, alone: Independence | None) -> float:
    """What single points are off by at least [m]: within a cell those that repeat each other scatter less than that."""
    if cloud.swept is not None:
        return cloud.swept.scatter
    if cloud.photographed is not None:
        return cloud.photographed.scatter
    return 0.0 if alone is None else alone.scatter
