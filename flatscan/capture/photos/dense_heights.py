"""The wall's relief from photos whose places are known: what is left between photos laid on its plane, everywhere.

Coarse pixels try all heights; finer ones move the surface to where the pairs look alike; blocks of the finest, no two
of which share a pixel, are the points. So what neighbours are off by has nothing in common but the cameras' own error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.photos.edge_strays import on_the_wall
from flatscan.capture.photos.fine_heights import closer, pair_sums
from flatscan.capture.photos.first_heights import LEVEL, FirstHeights, first_heights
from flatscan.capture.photos.flattened import Flattened, Floats, Ground
from flatscan.capture.photos.pairs_joined import Joined, Levers, joined
from flatscan.capture.photos.pairs_seen import Pair, base, pairs_of
from flatscan.core.geometry import Array, Mask

Told = Callable[[float], None]
# where texture is weak three by three blocks are one point
_WEAK = 3
_BY_ONE, _BY_NINE = 1, 2
# no point's u is above this [m]
U_MOST = 0.002
# about how many of the finest pixels a tile is wide, and what around it is looked at with it
_TILE, _MARGIN = 960, 64
_LANES = 2
# coarse heights are taken for a first guess where photos are so much alike
_ALIKE = 0.35
# how far apart places lie at which it is kept what each pair has in them [m]
SHARES_APART = 0.05


@dataclass(frozen=True, eq=False)
class DenseHeights:
    """Points (n, 3) [m] on the wall with their ``u`` (n,) [m] and how many ``independent`` pairs (n,) each has.

    ``surface`` (rows, cols) [m] on the coarsest pixels of ``ground`` is what it about looks like everywhere, a guess
    where nothing was measured. ``shares`` (pairs, rows, cols) says what each of ``pairs`` has in the points of squares
    of `SHARES_APART` from the ground's corner on, ``apart`` [m] by how much it is off there in the mean, and ``own``
    (pairs, rows, cols) [m2] what of that mean's square is matching's own.
    """

    points: Array
    u: Array
    independent: Array
    ground: Ground
    surface: Floats
    pairs: tuple[Pair, ...]
    shares: Floats
    apart: Floats
    own: Floats


@dataclass(frozen=True, slots=True)
class _Tile:
    """Rows and columns of the ground: ``own``, and ``around`` with a margin, both in the finest pixels."""

    own: tuple[slice, slice]
    around: tuple[slice, slice]

    def coarse(self, level: int) -> tuple[slice, slice]:
        """``around`` in the pixels of a level."""
        rows, cols = (slice(one.start >> level, one.stop >> level) for one in self.around)
        return rows, cols

    def inside(self, margin: int) -> tuple[slice, slice]:
        """``own`` with so many pixels around it where there are any, counted from the corner of ``around``."""
        rows, cols = (
            slice(max(own.start - margin, one.start) - one.start, min(own.stop + margin, one.stop) - one.start)
            for own, one in zip(self.own, self.around, strict=True)
        )
        return rows, cols


@dataclass(frozen=True, eq=False)
class _Found:
    tile: _Tile
    points: Array
    u: Array
    independent: Array
    surface: Floats
    pairs: tuple[Pair, ...]
    by_pairs: tuple[Floats, ...]


def dense_heights(photos: Sequence[Flattened], ground: Ground, told: Told = lambda _: None) -> DenseHeights:
    """Measure the wall at every place that two photos or more see, where texture tells it."""
    pairs, tiles = pairs_of(photos, ground), tuple(_tiles(ground))
    rows, cols = (int(np.ceil(many * ground.step / SHARES_APART)) for many in (ground.rows, ground.cols))
    shares, tried, apart = np.zeros((3, len(pairs), rows, cols))
    coarse = ground.coarser(LEVEL)
    surface = np.zeros((coarse.rows, coarse.cols), np.float32)
    kept = list[_Found]()
    with ThreadPoolExecutor(_LANES) as pool:
        for number, found in enumerate(pool.map(lambda tile: _measured(photos, pairs, ground, tile), tiles), 1):
            told(number / len(tiles))
            rows_, cols_ = (slice(one.start >> LEVEL, one.stop >> LEVEL) for one in found.tile.own)
            surface[rows_, cols_] = found.surface
            if len(found.points):
                _add_shares((shares, tried, apart), found, pairs, ground)
                kept.append(found)
    points, u, independent = (
        np.concatenate([np.asarray(getattr(one, name), np.float64) for one in kept]) if kept else none
        for name, none in (("points", np.empty((0, 3))), ("u", np.empty(0)), ("independent", np.empty(0)))
    )
    here = on_the_wall(points)
    known = np.maximum(tried, 1e-12)
    by_pairs = (np.asarray(of, np.float32) for of in (shares, apart / known, 1 / known))
    return DenseHeights(points[here], u[here], independent[here], ground, surface, pairs, *by_pairs)


def _tiles(ground: Ground) -> Iterator[_Tile]:
    size = ground.unit * max(1, round(_TILE / ground.unit))
    for row in range(0, ground.rows, size):
        for col in range(0, ground.cols, size):
            own = slice(row, min(row + size, ground.rows)), slice(col, min(col + size, ground.cols))
            around = tuple(
                slice(max(0, one.start - _MARGIN), min(most, one.stop + _MARGIN))
                for one, most in zip(own, (ground.rows, ground.cols), strict=True)
            )
            yield _Tile(own, (around[0], around[1]))


def _measured(photos: Sequence[Flattened], every: Sequence[Pair], ground: Ground, tile: _Tile) -> _Found:
    """All that pairs say of one tile, from coarse to fine."""
    pairs = tuple(pair for pair in every if photos[pair.one].sees(tile.own) and photos[pair.two].sees(tile.own))
    shape = tuple((one.stop - one.start) >> LEVEL for one in tile.own)
    if not pairs:
        nothing, none = np.empty(0), np.empty((0, 0), np.float32)
        return _Found(tile, np.empty((0, 3)), nothing, nothing, np.zeros(shape, np.float32), (), (none,) * 3)
    first = first_heights(photos, pairs, ground.coarser(LEVEL), *tile.coarse(LEVEL))
    surface = _guess(first)
    for level in range(LEVEL - 1, -1, -1):
        surface = closer(photos, pairs, ground.coarser(level), level, tile.coarse(level), _twice(surface))
    points, u, independent, by_pairs = _points(photos, pairs, ground, tile, surface, first)
    own = surface[tile.inside(0)]
    small = own.reshape(shape[0], 1 << LEVEL, shape[1], 1 << LEVEL).mean(axis=(1, 3))
    return _Found(tile, points, u, independent, small, pairs, by_pairs)


def _guess(first: FirstHeights) -> Floats:
    """Coarse heights without single outliers, where nothing is alike those of the nearest place where something is."""
    import cv2
    from scipy import ndimage

    known = first.alike > _ALIKE
    if not known.any():
        return np.zeros_like(first.height)
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    filled: Floats = first.height[tuple(nearest)]
    return np.asarray(cv2.medianBlur(cv2.medianBlur(filled, 5), 5), np.float32)


def _twice(surface: Floats) -> Floats:
    """A surface in pixels half as large."""
    import cv2

    rows, cols = surface.shape
    return np.asarray(cv2.resize(surface, (2 * cols, 2 * rows), interpolation=cv2.INTER_LINEAR), np.float32)


def _points(
    photos: Sequence[Flattened],
    pairs: tuple[Pair, ...],
    ground: Ground,
    tile: _Tile,
    surface: Floats,
    first: FirstHeights,
) -> tuple[Array, Array, Array, tuple[Floats, ...]]:
    """Points of a tile, u, independent pairs, and of each pair (pairs, n) weight, weight tried, how far it is off."""
    block = ground.block
    inside = tile.inside(_WEAK * block)
    part = tuple(
        slice(one.start + own.start, one.start + own.stop) for one, own in zip(tile.around, inside, strict=True)
    )
    height = surface[inside]
    sums = pair_sums(photos, pairs, ground, (part[0], part[1]), height, block)
    levers = _levers(photos, pairs, ground, (part[0], part[1]))
    plain, known = (_at_blocks(mask, inside, block) for mask in (first.alone, first.alike > _ALIKE))
    fine, weak = (
        joined(one, pairs, plain, levers, ground.step, U_MOST).only(known) for one in (sums, sums.over(_WEAK))
    )
    blocks = tuple(size // block for size in height.shape)
    mean = height.reshape(blocks[0], block, blocks[1], block).mean(axis=(1, 3), dtype=np.float64)
    own = tuple(
        slice((one.start - p.start) // block, (one.stop - p.start) // block)
        for one, p in zip(tile.own, part, strict=True)
    )
    chosen = _chosen(fine, weak, (own[0], own[1]))
    row, col = np.nonzero(chosen)
    of = np.where(chosen == _BY_ONE, 0, 1)[row, col]
    z, u, independent = (
        np.stack([getattr(fine, name), getattr(weak, name)])[of, row, col] for name in ("move", "u", "independent")
    )
    by_pairs = tuple(
        np.where(of == 0, getattr(fine, name)[:, row, col], getattr(weak, name)[:, row, col])
        for name in ("weights", "tried", "apart")
    )
    x = ground.left + (part[1].start + (col + 0.5) * block) * ground.step
    y = ground.bottom + (part[0].start + (row + 0.5) * block) * ground.step
    around = _mean_around(mean)
    points = np.column_stack([x, y, np.where(of == 0, mean[row, col], around[row, col]) + z])
    return points, u.astype(np.float64), independent.astype(np.float64), by_pairs


def _chosen(fine: Joined, weak: Joined, own: tuple[slice, slice]) -> NDArray[np.int8]:
    """Which blocks (rows, cols) are points: `_BY_ONE` by themselves, `_BY_NINE` in the middle of nine, else 0.

    Nine are one point where most of them are none by themselves.
    """
    chosen = np.zeros(fine.move.shape, np.int8)
    measured = np.isfinite(fine.move)[own]
    rows, cols = (size // _WEAK for size in measured.shape)
    many = measured.reshape(rows, _WEAK, cols, _WEAK).sum(axis=(1, 3))
    by_nine = np.isfinite(weak.move[own][1::_WEAK, 1::_WEAK]) & (2 * many < _WEAK**2)
    part = np.where(measured & ~np.repeat(np.repeat(by_nine, _WEAK, 0), _WEAK, 1), _BY_ONE, 0).astype(np.int8)
    part[1::_WEAK, 1::_WEAK][by_nine] = _BY_NINE
    chosen[own] = part
    return chosen


def _mean_around(mean: Array) -> Array:
    import cv2

    return np.asarray(cv2.blur(mean, (_WEAK, _WEAK)))


def _levers(photos: Sequence[Flattened], pairs: Sequence[Pair], ground: Ground, part: tuple[slice, slice]) -> Levers:
    """What the pairs' levers are in the middle of a part."""
    y, x = (np.array(float(at.mean())) for at in (ground.upward(part[0]), ground.along(part[1])))
    alone = [float(((np.array([x, y]) - one.centre[:2]) ** 2).sum() / one.centre[2] ** 2) for one in photos]
    return Levers(
        np.array([base(photos[pair.one], photos[pair.two], x, y) for pair in pairs]),
        np.array([alone[pair.one] + alone[pair.two] for pair in pairs]),
    )


def _at_blocks(coarse: Mask, inside: tuple[slice, slice], block: int) -> Mask:
    """A mask of coarse pixels at the blocks."""
    rows, cols = ((np.arange(one.start + block // 2, one.stop, block)) >> LEVEL for one in inside)
    return coarse[np.ix_(np.minimum(rows, coarse.shape[0] - 1), np.minimum(cols, coarse.shape[1] - 1))]


def _add_shares(into: tuple[Array, Array, Array], found: _Found, pairs: Sequence[Pair], ground: Ground) -> None:
    """Add what each pair has in a tile's points to the squares they lie in, and what it is off there times that."""
    col = ((found.points[:, 0] - ground.left) / SHARES_APART).astype(int)
    row = ((found.points[:, 1] - ground.bottom) / SHARES_APART).astype(int)
    number = {pair: k for k, pair in enumerate(pairs)}
    for pair, weight, tried, apart in zip(found.pairs, *found.by_pairs, strict=True):
        for sums, values in zip(into, (weight, tried, tried * apart), strict=True):
            np.add.at(sums[number[pair]], (row, col), values)
