"""Two surfaces in one scan: sweeps that did not meet lay half of the points beside the other half.

Points a few millimetres apart on the wall differ by noise alone where there is one surface. Where there are two, a
fixed share of such neighbours differs by their distance besides, however close they stand; over the edges of joints
and stones the share falls with the distance between the neighbours. So the differences of close neighbours in each
square of the wall are held against two descriptions, noise of two sizes (heavy tails) and noise about 0 and about a
distance, both fitted by expectation and maximisation (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39, 1977, 1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.relief.footprint import extent

# squares of the wall that are looked at one by one [m], points taken of each, neighbours within reach [m]
_SQUARE, _OF_EACH, _REACH, _NEIGHBOURS = 0.5, 600, 0.02, 6
_FEWEST = 150
# surfaces so far apart are looked for [m], in so many times their noise; what differs more is no neighbour
_LEAST, _MOST, _TIMES = 0.003, 0.060, 2.4
# of all neighbours so many lie on both surfaces, nearly as many however close; and how much likelier that must be
_BOTH, _STILL, _LIKELIER = 0.10, 0.75, 20.0
# of the file's own steps so many at least
_STEPS = 3.0
# of the squares so many, and no fewer than two, before it is the scan and not a place [setting; simulated]
_SHARE = 0.12
# [in parts of the scale]
_FINE = 0.004
_BINS, _ROUNDS, _STRAY = 120, 40, 0.02


@dataclass(frozen=True, slots=True)
class Doubles:
    """Two surfaces ``apart`` [m] in a ``share`` of the wall's squares, the middles (n, 2) [m] of those."""

    apart: float
    share: float
    places: Array

    @property
    def said(self) -> Note:
        """What must be said of it."""
        x, y = (float(middle) for middle in np.median(self.places, axis=0))
        return note("relief.doubled", (x, y), apart=metres(self.apart), share=share(self.share))


def doubles(cloud: Cloud, wall: Wall) -> Doubles | None:
    """The second surface in the sample of a cloud, or None where all points lie on one."""
    found = [_neighbours(points) for points in _squares(cloud, wall)]
    held = [(at, away, differ) for at, away, differ in found if len(differ) >= _FEWEST]
    if not held:
        return None
    scale = np.array([np.quantile(differ, 0.99) for _, _, differ in held])
    if not (scale > 0).all():
        return None
    edges = np.linspace(0.0, 1.1, _BINS + 1)
    counts = np.stack([np.histogram(it[2] / one, edges)[0] for it, one in zip(held, scale, strict=True)]).astype(float)
    middle = (edges[1:] + edges[:-1]) / 2
    two, one = _two_surfaces(counts, middle), _heavy_tails(counts, middle)
    still = np.array(
        [_still(it[1], it[2] / size, *fit) for it, size, fit in zip(held, scale, two.shapes, strict=True)], dtype=float
    )
    apart, noise = two.apart * scale, two.noise * scale
    sure = (two.likely - one > _LIKELIER) & (apart > _TIMES * noise) & (apart > _LEAST) & (apart < _MOST)
    # what the file rounds to lies on two levels too, and on three
    sure &= (two.both > _BOTH) & (apart > _STEPS * np.sqrt(12) * float(np.linalg.norm(wall.frame.out * cloud.u_step)))
    # one square's line is a guess: what edges make falls in most of them
    if not sure.any() or np.median(still[sure]) < _STILL:
        return None
    sure &= still > _STILL / 2
    if sure.sum() < max(min(2, len(held)), _SHARE * len(held)):
        return None
    places = np.array([at for at, _, _ in held])[sure]
    return Doubles(float(np.median(apart[sure])), float(sure.mean()), places)


def _squares(cloud: Cloud, wall: Wall) -> list[Array]:
    """Points (n, 3) of the sample in the middle of each square of the wall, as large a part of it as is enough."""
    local, (x0, y0, _, _) = wall.frame.to_wall(cloud.sample), extent(wall)
    (left, bottom), (right, top) = wall.outline.min(axis=0), wall.outline.max(axis=0)
    on = (np.abs(local[:, 2]) <= wall.slab) & (local[:, 0] > left) & (local[:, 0] < right)
    local = local[on & (local[:, 1] > bottom) & (local[:, 1] < top)]
    place = (local[:, :2] - (x0, y0)) / _SQUARE
    key = np.floor(place).astype(np.int64)
    # close neighbours are what tells: fewer points mean a smaller square, not a thinner one
    off = np.abs(place - key - 0.5).max(axis=1)
    part = 2 * _OF_EACH / max(len(local) * _SQUARE**2 / max(wall.gross_area, _SQUARE**2), 1.0)
    near = np.flatnonzero(off <= 0.5 * min(1.0, np.sqrt(part)))
    number = (key[near, 1] * (int(key[:, 0].max(initial=0)) + 1) + key[near, 0]).astype(np.int64)
    order = near[np.lexsort((off[near], number))]
    cuts = np.flatnonzero(np.diff(np.sort(number))) + 1
    return [local[rows[:_OF_EACH]] for rows in np.split(order, cuts) if len(rows) >= _FEWEST / _NEIGHBOURS]


def _neighbours(points: Array) -> tuple[Array, Array, Array]:
    """The middle (2,) of some points (n, 3), and how far apart neighbours lie and differ (m,) [m]."""
    from scipy.spatial import cKDTree

    away, other = cKDTree(points[:, :2]).query(points[:, :2], _NEIGHBOURS + 1, distance_upper_bound=_REACH, workers=1)
    this = np.broadcast_to(np.arange(len(points))[:, None], other.shape)
    # each pair once; a neighbour there is none of has the number of points
    pair = (this < other) & (other < len(points))
    differ = np.abs(points[this[pair], 2] - points[other[pair], 2])
    near = differ < _MOST + _REACH
    return points[:, :2].mean(axis=0), away[pair][near], differ[near]


def _normal(off: Array, sd: Array) -> Array:
    return np.asarray(np.exp(-0.5 * (off / sd) ** 2) / (sd * np.sqrt(2 * np.pi)))


@dataclass(frozen=True, slots=True)
class _Two:
    """Fits of two surfaces, one a square (n,): distance, noise, share of pairs on both, log-likelihood."""

    apart: Array
    noise: Array
    both: Array
    likely: Array

    @property
    def shapes(self) -> list[tuple[float, float, float]]:
        """Distance, noise and share of each."""
        return list(zip(self.apart.tolist(), self.noise.tolist(), self.both.tolist(), strict=True))


def _two_surfaces(counts: Array, at: Array) -> _Two:
    """Differences about 0 and about a distance, of one noise; the likeliest from some starts.

    ``counts`` (n, k) at differences ``at`` (k,), in parts of each square's own scale.
    """
    fits = [_fit_two(counts, at, times) for times in (2.5, 4.0, 8.0, 20.0)]
    best = np.argmax([fit.likely for fit in fits], axis=0)
    take = [np.stack([getattr(fit, name) for fit in fits]) for name in ("apart", "noise", "both", "likely")]
    return _Two(*(rows[best, np.arange(len(best))] for rows in take))


def _fit_two(counts: Array, at: Array, times: float) -> _Two:
    noise = np.maximum(_quantile(counts, at, 0.35) / 0.454 * 0.6, _FINE)[:, None]
    apart, both = times * noise, np.full_like(noise, 0.3)
    whole = np.ones_like(counts)
    for _ in range(_ROUNDS):
        here, up, down = 2 * _normal(at, noise), _normal(at - apart, noise), _normal(at + apart, noise)
        one, two = (1 - both) * (1 - _STRAY) * here, both * (1 - _STRAY) * (up + down)
        whole = one + two + _STRAY
        one, two = counts * one / whole, counts * two / whole
        rising = up / np.maximum(up + down, 1e-300)
        both = _sum(two) / np.maximum(_sum(one) + _sum(two), 1e-12)
        apart = _sum(two * (2 * rising - 1) * at) / np.maximum(_sum(two), 1e-9)
        spread = one * at**2 + two * (rising * (at - apart) ** 2 + (1 - rising) * (at + apart) ** 2)
        noise = np.maximum(np.sqrt(_sum(spread) / np.maximum(_sum(one) + _sum(two), 1e-9)), _FINE)
    return _Two(apart[:, 0], noise[:, 0], both[:, 0], (counts * np.log(whole)).sum(axis=1))


def _heavy_tails(counts: Array, at: Array) -> Array:
    """Log-likelihood (n,) of differences about 0 alone, by noise of two sizes; the likelier from two starts."""
    return np.max([_fit_tails(counts, at, times) for times in (2.0, 4.0)], axis=0)


def _fit_tails(counts: Array, at: Array, times: float) -> Array:
    usual = np.maximum(_quantile(counts, at, 0.5) / 0.6745, _FINE)[:, None]
    small, large, part = 0.7 * usual, times * usual, np.full_like(usual, 0.3)
    whole = np.ones_like(counts)
    for _ in range(_ROUNDS):
        one, two = (1 - part) * (1 - _STRAY) * 2 * _normal(at, small), part * (1 - _STRAY) * 2 * _normal(at, large)
        whole = one + two + _STRAY
        one, two = counts * one / whole, counts * two / whole
        part = _sum(two) / np.maximum(_sum(one) + _sum(two), 1e-12)
        small, large = (
            np.maximum(np.sqrt(_sum(some * at**2) / np.maximum(_sum(some), 1e-9)), _FINE) for some in (one, two)
        )
    return np.asarray((counts * np.log(whole)).sum(axis=1))


def _sum(values: Array) -> Array:
    return np.asarray(values.sum(axis=1, keepdims=True))


def _quantile(counts: Array, at: Array, part: float) -> Array:
    total = np.cumsum(counts, axis=1)
    return np.asarray(at[np.argmax(total >= part * total[:, -1:], axis=1)])


def _still(away: Array, differ: Array, apart: float, noise: float, both: float) -> float:
    """The share of pairs on both surfaces at no distance, by a line through all, over that of all; 0 with none."""
    two = both * (_normal(differ - apart, np.asarray(noise)))
    chance = two / np.maximum(two + (1 - both) * 2 * _normal(differ, np.asarray(noise)), 1e-300)
    if np.ptp(away) < 1e-4 or chance.mean() < 1e-6:
        # on a raster all neighbours are as far apart, and close: nothing to draw a line through
        return 1.0 if chance.mean() >= 1e-6 else 0.0
    slope, start = np.polyfit(away, chance, 1)
    return float(start / chance.mean())
