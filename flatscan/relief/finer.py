"""Flagged places looked at again, point by point, in cells a quarter as wide: how high something narrow stands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Cloud, Counts, Wall
from flatscan.core.reliefs import Grid
from flatscan.relief.footprint import extent

if TYPE_CHECKING:
    from flatscan.relief.narrow import InCells

_PARTS = 4
# wider than the flagged cells, so that every box about them is whole
_MARGIN = 2
_SQUARES = (1, 2, 3, 4, 6, 8)
_STRIPS = tuple((wide, long) for long in (8, 20, 40) for wide in (1, 2, 4, 6))
# rise of a strip over its run: level, halfway to a diagonal, diagonal; on the turned field what is nearer upright
_SLOPES, _TURNED_SLOPES = (0.0, 0.5, -0.5, 1.0, -1.0), (0.0, 0.5, -0.5)
# of all boxes the one that stands off most after so many u is taken, and only where it stands off by more
_LESS, _CLEAR = 4.5, 5.0
# the largest of so many boxes stands off by about so many u more than what it stands on
_CHOSEN = 2.0
_FEWEST = 3
# a point this many spreads off counts where another one stands by it
_ALONE = 3.5


@dataclass(frozen=True, slots=True)
class _Fine:
    """Fine cells (rows, cols): number of points, sum of their heights [m] over the surface, spread [m] of one.

    ``whole`` are the sums of their offsets [m], the surface's own included.
    """

    n: Array
    z: Array
    whole: Array
    spread: Array


def heights_in(
    relief: Grid,
    cloud: Cloud,
    wall: Wall,
    coarse: Array,
    reach: float,
    found: Mask,
    surface: Array,
    inside: InCells,
) -> tuple[Array, Array, Mask, Array]:
    """Offset (rows, cols) [m] of what stands off most in each cell ``found``, and its u; NaN where nothing does.

    Also the cells in which points far off stand together, and how many spreads off one stands alone (0: none does).

    ``surface`` (rows, cols) [m] is what it stands on. Squares and strips of fine cells, turned eight ways, are laid
    over the points; the one whose mean stands off most after 3 u tells the height.
    """
    wanted = ndimage.binary_dilation(found, np.ones((3, 3)), iterations=_MARGIN)
    points = _points_over(relief, cloud, wall, coarse, reach, wanted)
    value, u = np.full(found.shape, np.nan), np.full(found.shape, np.nan)
    spread = inside.scatter
    place, off = _over_surface(relief, wall, points, surface)
    keep, far = _in_company(points, off, spread[place[:, 0], place[:, 1]], relief.cell)
    together, alone = np.zeros(found.shape, bool), np.zeros(found.shape)
    together[place[far, 0], place[far, 1]] = True
    by = np.abs(off) / spread[place[:, 0], place[:, 1]]
    np.maximum.at(alone, (place[~keep, 0], place[~keep, 1]), by[~keep])
    points, off = points[keep], off[keep]
    labels, _ = ndimage.label(wanted, structure=np.ones((3, 3)))
    for box in ndimage.find_objects(labels):
        fine = _fine_cells(relief, wall, points, off, spread, box)
        at, doubt = _stands_off(fine, inside.share)
        clear = found[box] & np.isfinite(at)
        value[box] = np.where(clear, at, value[box])
        u[box] = np.where(clear, doubt, u[box])
    return value, u, together, alone


def _points_over(relief: Grid, cloud: Cloud, wall: Wall, coarse: Array, reach: float, wanted: Mask) -> Array:
    """Wall coordinates (n, 3) of the points over some cells, near the coarse surface."""
    from flatscan.relief.cell_sums_kernel import pick_points

    frame = wall.frame
    axes, corner = np.stack([frame.along, frame.up, frame.out]), np.array(extent(wall)[:2])
    shape, some = relief.offset.shape, []
    for points in cloud.chunks():
        picked = np.empty((len(points), 3))
        flat = np.ascontiguousarray(wanted.ravel()), reach, np.ascontiguousarray(coarse.ravel())
        number = pick_points(np.ascontiguousarray(points), frame.at, axes, corner, relief.cell, shape, *flat, picked)
        some.append(picked[:number].copy())
    return np.concatenate(some)


def _over_surface(relief: Grid, wall: Wall, points: Array, surface: Array) -> tuple[Array, Array]:
    """Cell (n, 2) of each point and its height (n,) [m] over the surface, bilinear between cells."""
    x0, y0, _, _ = extent(wall)
    at = np.stack([(points[:, 1] - y0) / relief.cell - 0.5, (points[:, 0] - x0) / relief.cell - 0.5])
    under = ndimage.map_coordinates(surface, at, order=1, mode="nearest")
    cell = np.clip(np.floor(at.T + 0.5 + 1e-9).astype(int), 0, np.array(surface.shape) - 1)
    return cell, points[:, 2] - under


def _in_company(points: Array, off: Array, spread: Array, cell: float) -> tuple[Mask, Mask]:
    """Points (n,) that are no lone strays, and which of them are far off: another one as far stands within a cell."""
    far = np.flatnonzero(np.abs(off) > _ALONE * spread)
    keep = np.ones(len(off), bool)
    keep[far] = False
    if len(far) > 1:
        pairs = cKDTree(points[far, :2]).query_pairs(cell, output_type="ndarray")
        one, other = far[pairs[:, 0]], far[pairs[:, 1]]
        alike = np.abs(off[one] - off[other]) < np.maximum(
            _ALONE * spread[one], 0.5 * np.maximum(np.abs(off[one]), np.abs(off[other]))
        )
        alike &= np.sign(off[one]) == np.sign(off[other])
        keep[one[alike]] = keep[other[alike]] = True
    together = np.zeros(len(off), bool)
    together[far] = keep[far]
    return keep, together


def _fine_cells(relief: Grid, wall: Wall, points: Array, off: Array, spread: Array, box: tuple[slice, slice]) -> _Fine:
    x0, y0, _, _ = extent(wall)
    shape = tuple((part.stop - part.start) * _PARTS for part in box)
    fine = relief.cell / _PARTS
    row = np.floor((points[:, 1] - y0) / fine + 1e-9).astype(int) - box[0].start * _PARTS
    col = np.floor((points[:, 0] - x0) / fine + 1e-9).astype(int) - box[1].start * _PARTS
    here = (row >= 0) & (row < shape[0]) & (col >= 0) & (col < shape[1])
    flat = (row * shape[1] + col)[here]
    size = shape[0] * shape[1]
    n = np.bincount(flat, minlength=size).reshape(shape).astype(float)
    z, whole = (np.bincount(flat, weights=w[here], minlength=size).reshape(shape) for w in (off, points[:, 2]))
    return _Fine(n, z, whole, np.repeat(np.repeat(spread[box], _PARTS, 0), _PARTS, 1))


def _stands_off(fine: _Fine, share: float) -> tuple[Array, Array]:
    """Mean offset (rows, cols) [m] in the box that stands off most in each coarse cell, and its u; NaN without one.

    It is the points' own, for beside a step the surface between cells lies at neither level, less what the choice of
    the largest adds.
    """
    rows, cols = (size // _PARTS for size in fine.n.shape)
    best = np.full((rows, cols), 0.0)
    at, doubt = np.full((rows, cols), np.nan), np.full((rows, cols), np.nan)
    for n, z, whole in _boxes(fine):
        known = n >= _FEWEST - 0.5
        mean = np.where(known, z / np.maximum(n, 1.0), 0.0)
        u = fine.spread / np.sqrt(np.maximum(n * share, 1.0))
        score = np.where(known & (np.abs(mean) > _CLEAR * u), np.abs(mean) - _LESS * u, -np.inf)
        offset = np.where(known, whole / np.maximum(n, 1.0) - _CHOSEN * u * np.sign(mean), 0.0)
        blocks = (_in_blocks(values, rows, cols) for values in (score, offset, u))
        score, offset, u = blocks
        top = score.argmax(axis=-1)[..., None]
        most = np.take_along_axis(score, top, -1)[..., 0]
        better = most > best
        best = np.where(better, most, best)
        at = np.where(better, np.take_along_axis(offset, top, -1)[..., 0], at)
        doubt = np.where(better, np.take_along_axis(u, top, -1)[..., 0], doubt)
    return at, doubt


def _in_blocks(values: Array, rows: int, cols: int) -> Array:
    return values.reshape(rows, _PARTS, cols, _PARTS).swapaxes(1, 2).reshape(rows, cols, _PARTS**2)


def _boxes(fine: _Fine) -> Iterator[tuple[Array, ...]]:
    """Number of points, sums of heights and of offsets (rows, cols) in every square and strip about each fine cell."""
    fields = (fine.n, fine.z, fine.whole)
    for size in _SQUARES:
        yield tuple(_sums(values, (size, size)) for values in fields)
    for turned, slopes in ((False, _SLOPES), (True, _TURNED_SLOPES)):
        some = [values.T if turned else values for values in fields]
        for slope in slopes:
            shift = np.round(slope * np.arange(some[0].shape[1])).astype(int)
            level = [_sheared(values, shift) for values in some]
            for shape in _STRIPS:
                back = [_unsheared(_sums(values, shape), shift, len(some[0])) for values in level]
                yield tuple(values.T if turned else values for values in back)


def _sums(values: Array, shape: tuple[int, int]) -> Array:
    sums: Array = ndimage.uniform_filter(values, shape, mode="constant") * (shape[0] * shape[1])
    return sums


def _sheared(values: Array, shift: Counts) -> Array:
    """Columns moved up by ``shift`` (cols,) cells, so that a sloping line lies level; the field grows as it must."""
    low = int(shift.min())
    out = np.zeros((values.shape[0] + int(shift.max()) - low, values.shape[1]))
    rows = np.arange(values.shape[0])[:, None] + (int(shift.max()) - shift)[None, :]
    np.put_along_axis(out, rows, values, axis=0)
    return out


def _unsheared(values: Array, shift: Counts, rows: int) -> Array:
    at = np.arange(rows)[:, None] + (int(shift.max()) - shift)[None, :]
    return np.take_along_axis(values, at, axis=0)
