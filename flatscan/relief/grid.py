"""Cloud and wall to a relief of cells: robust cell means in two streaming passes, whatever the number of points."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from flatscan.core import geometry
from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.geometry import Array, Mask, in_polygon, polygon_area
from flatscan.core.kernels import in_lanes
from flatscan.core.model import Cloud, CommonError, Opening, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.core.reliefs import Grid
from flatscan.relief.smooth import with_plateau

CELL_SIZES = (0.010, 0.020, 0.050)
ENOUGH_POINTS, ENOUGH_CELLS = 5, 0.95
# Points further than this off the surface around them are something standing before the wall, or a hole in it.
GATE = 0.025
_COARSE = 0.100
_FEWEST, _LEAST_POINTS = 2, 10
_LARGEST_GRID = 40_000_000
_LANES, _LARGE = 2, 5_000_000
_PLENTY = 16
# mixed pixels smear the edge of an opening over some 20 mm (methods/walls 8: shrink the mask at edges)
COLLAR = 0.020
_FINE = 4  # a sloping edge is followed to a quarter of a cell


@dataclass(frozen=True, slots=True)
class _Lattice:
    """The cells of one wall."""

    wall: Wall
    cell: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        _, _, width, height = extent(self.wall)
        return geometry.cell_count(height, self.cell), geometry.cell_count(width, self.cell)

    def add_up(
        self, cloud: Cloud, coarse: Array, middle: Array, gate: Array, every: int = 1
    ) -> tuple[tuple[Sums, Sums], Array]:
        """Sums of both halves of all points within `GATE` of the coarse surface and ``gate`` of ``middle`` (cells,).

        Also how many points stand further proud of the coarse surface, in each cell. With ``every`` only every so
        manieth point is taken.
        """
        from flatscan.relief.cell_sums_kernel import add_near

        frame = self.wall.frame
        axes, corner = np.stack([frame.along, frame.up, frame.out]), np.array(extent(self.wall)[:2])
        size = self.shape[0] * self.shape[1]
        lanes = _LANES if size <= _LARGE else 1
        sums, proud = np.zeros((lanes, size, 2, 3)), np.zeros((lanes, size))
        near = np.stack([_spread_out(coarse, self), middle, gate], axis=1)

        def add(lane: int, points: Array, start: int) -> None:
            wall = (frame.at, axes, corner, self.cell, self.shape)
            add_near(np.ascontiguousarray(points), start, every, *wall, GATE, near, sums[lane], proud[lane])

        in_lanes(cloud.chunks(), add, lanes)
        return Sums.halves(sums.sum(axis=0), self.shape), proud.sum(axis=0).reshape(self.shape)


def grid(cloud: Cloud, wall: Wall, common: CommonError, *, cell: float | None = None) -> tuple[Grid, tuple[Note, ...]]:
    """Relief of a wall from all points of a cloud, and what must be said about it.

    Without ``cell`` [m] the smallest of 10, 20 and 50 mm is taken in which at least 95 % of the cells that the
    capture saw hold at least 5 points, else 50 mm. Raises `TooFewPoints` where the wall holds next to none and
    `BadValue` for a cell that is not positive, larger than a fifth of the wall, or too fine for the wall's size.
    """
    finest = _checked_cell(cell if cell is not None else CELL_SIZES[0], wall)
    coarse = _coarse_surface(cloud, wall)
    start = _Lattice(wall, finest)
    anywhere = np.full(start.shape[0] * start.shape[1], np.inf)
    every = _stride(cloud.count * wall.share / anywhere.size)
    halves, proud = start.add_up(cloud, coarse, np.zeros_like(anywhere), anywhere, every)
    size, notes = (cell, []) if cell is not None else _choose_cell(every * (halves[0].n + halves[1].n), finest)
    block = round(size / finest)
    both = halves[0].merged(block) + halves[1].merged(block)
    if both.n.sum() < _LEAST_POINTS:
        raise TooFewPoints(
            "wall {wall}",
            "{points} points on it",
            needed="at least {least}",
            remedy="Scan the wall more densely, or choose another wall or region",
            wall=wall.number,
            points=int(both.n.sum()),
            least=_LEAST_POINTS,
        )
    # strays that moved their cell's first mean no longer count in the second
    middle, gate = _gates(both)
    if every > 1:
        # where the part holds too few to tell a stray by, as far from the scanner, all points count
        few = both.n.ravel() < 3
        middle, gate = np.where(few, 0.0, middle), np.where(few, np.inf, gate)
    halves, _ = _Lattice(wall, size).add_up(cloud, coarse, middle, gate)
    relief = with_plateau(_relief(cloud, wall, common, size, halves))
    return relief, (*notes, *_standing_before(proud, halves[0].n + halves[1].n, finest, size))


def _stride(density: float) -> int:
    """Every how manieth point the first pass takes where so many fall on a cell; the second takes them all.

    First means and spreads only say which points are strays. From m of n points they are off by s / sqrt(m), and
    three-spread gates around them shift the cell's mean by 1/40 of that: next to nothing beside its own s / sqrt(n)
    while m is at least 16 and 2 sqrt(n).
    """
    return max(1, int(min(density / _PLENTY, np.sqrt(density) / 2)))


def _checked_cell(cell: float, wall: Wall) -> float:
    _, _, width, height = extent(wall)
    most = min(width, height) / 5
    if not 0 < cell <= most + 1e-9 or width * height / cell**2 > _LARGEST_GRID:
        raise BadValue(
            "cell",
            "{cell:length.g} on a wall of {width:length} x {height:length}",
            needed="at most {most:length} and no more than {cells:count} cells",
            remedy="Choose such a size, or leave {set:cell} out",
            cell=metres(cell),
            width=metres(width),
            height=metres(height),
            most=metres(most),
            cells=_LARGEST_GRID,
        )
    return cell


def _coarse_surface(cloud: Cloud, wall: Wall) -> Array:
    """Median offset of the sample in 100 mm cells (rows, cols) [m]; empty cells take their nearest neighbour's."""
    lattice = _Lattice(wall, _COARSE)
    # a quarter of a million points over the capture make a median in a 100 mm cell as well as more do
    some = cloud.sample[:: max(1, len(cloud.sample) // 250_000)]
    local, (left, bottom, _, _), (rows, cols) = wall.frame.to_wall(some), extent(wall), lattice.shape
    col, row = geometry.index(local[:, 0] - left, _COARSE), geometry.index(local[:, 1] - bottom, _COARSE)
    near = (np.abs(local[:, 2]) <= wall.slab) & (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    flat, z = (row * cols + col)[near], local[near, 2]
    order = np.argsort(z)
    # numbers of 16 bits are sorted by radix, and 100 mm cells are never many
    order = order[np.argsort(flat[order].astype(np.uint16 if rows * cols < 2**16 else np.int64), kind="stable")]
    flat, z = flat[order], z[order]
    places, first, count = np.unique(flat, return_index=True, return_counts=True)
    surface = np.full(lattice.shape, np.nan)
    surface.ravel()[places] = (z[first + (count - 1) // 2] + z[first + count // 2]) / 2
    if not len(places):
        raise TooFewPoints(
            "wall {wall}",
            "no point near its plane",
            needed="points on the wall",
            remedy="Choose another wall or region",
            wall=wall.number,
        )
    nearest = ndimage.distance_transform_edt(np.isnan(surface), return_distances=False, return_indices=True)
    return surface[tuple(nearest)]


def _spread_out(coarse: Array, lattice: _Lattice) -> Array:
    """The coarse surface at every cell of a finer lattice over the same wall, flattened."""
    row, col = (
        np.minimum(((np.arange(fine) + 0.5) * lattice.cell / _COARSE).astype(int), most - 1)
        for fine, most in zip(lattice.shape, coarse.shape, strict=True)
    )
    return coarse[np.ix_(row, col)].ravel()


def _gates(both: Sums) -> tuple[Array, Array]:
    """Middle of each cell and how far from it points still count, flattened [m].

    Three spreads, where the spread is the median of the cells around, which a stray does not move. Where a cell is
    really split, as on a step, its own spread widens the gate: 1.5 of it keeps both levels but not a lone stray among
    five or more. A cell of fewer points that scatter too much cannot tell its stray, so its neighbours' middle serves.
    """
    mean, alone = both.mean(), both.pooled_sd(0)
    own = np.where(both.n >= 3, alone, np.nan)
    typical = float(np.nanmedian(own)) if np.isfinite(own).any() else 0.0
    spread = _median_around(np.where(np.isfinite(own), own, typical))
    apart = alone > 3 * spread
    few = both.n < ENOUGH_POINTS
    middle = mean
    if (few & apart).any():
        around = _median_around(np.where(np.isfinite(mean), mean, np.nanmedian(mean)))
        middle = np.where(few & apart, around, mean)
    gate = np.maximum(3 * spread, np.where(few, 0.0, 1.5 * np.nan_to_num(own)))
    return middle.ravel(), np.maximum(gate, 1e-6).ravel()


def _median_around(values: Array) -> Array:
    """Medians over 5 x 5 cells; the upper and the lower half of the rows are worked on side by side."""
    middle = len(values) // 2
    bands = ((0, min(middle + 2, len(values)), 0, middle), (max(middle - 2, 0), len(values), middle, len(values)))
    with ThreadPoolExecutor(len(bands)) as pool:
        done = pool.map(lambda band: ndimage.median_filter(values[band[0] : band[1]], 5, mode="nearest"), bands)
        return np.concatenate([one[a - low : b - low] for one, (low, _, a, b) in zip(done, bands, strict=True)])


def _choose_cell(count: Array, finest: float) -> tuple[float, list[Note]]:
    # what stands in the way of the capture is a matter of coverage, not of density
    widest = round(CELL_SIZES[-1] / finest)
    seen = np.repeat(np.repeat(Sums.block_sum(count, widest) > 0, widest, 0), widest, 1).astype(float)
    held_share = 0.0
    for size in CELL_SIZES:
        held = Sums.block_sum(count, round(size / finest))
        here = Sums.block_sum(seen[: count.shape[0], : count.shape[1]], round(size / finest)) > 0
        held_share = float((held[here] >= ENOUGH_POINTS).mean()) if here.any() else 0.0
        if held_share >= ENOUGH_CELLS:
            return size, []
    return CELL_SIZES[-1], [
        note(
            "relief.sparse",
            share=share(held_share),
            cell=metres(CELL_SIZES[-1]),
            points=ENOUGH_POINTS,
            needed=share(ENOUGH_CELLS),
        )
    ]


def _relief(cloud: Cloud, wall: Wall, common: CommonError, cell: float, halves: tuple[Sums, Sums]) -> Grid:
    both = halves[0] + halves[1]
    inside, area = footprint(wall, cell)
    measured = inside & (both.n >= _FEWEST)
    spread = both.pooled_sd(2)
    u = random_u(both.n, spread, cloud, wall)
    x0, y0, width, height = extent(wall)
    masked = [np.where(measured, values, np.nan) for values in (both.mean(), u, halves[0].mean(), halves[1].mean())]
    return Grid(
        x=x0 + geometry.centres(width, cell),
        y=y0 + geometry.centres(height, cell),
        offset=masked[0],
        u=masked[1],
        count=both.n.astype(np.int64),
        inside=inside,
        area=area,
        cell=cell,
        common=common,
        half_a=masked[2],
        half_b=masked[3],
        u_point=float(np.nanmedian(np.where(measured, spread, np.nan))) if measured.any() else None,
    )


def random_u(count: Array, spread: Array, cloud: Cloud, wall: Wall) -> Array:
    """Random standard uncertainty of cell means (rows, cols) [m]: spread^2 / n_eff, and the file's own step.

    n_eff counts independent returns only (methods/uncertainty 3). A step is averaged out by scatter wider than half of
    it; under less scatter all points round the same way and the step stays whole.
    """
    typical = np.nanmedian(spread) if np.isfinite(spread).any() else 0.0
    spread = np.where(np.isfinite(spread), spread, typical)
    effective = np.maximum(count * cloud.independent_share, 1.0)
    step = float(np.linalg.norm(wall.frame.out * cloud.u_step))
    stepped = np.where(spread < 0.5 * step * np.sqrt(12), step**2, step**2 / effective)
    return np.sqrt(spread**2 / effective + stepped)


def _standing_before(proud: Array, count: Array, finest: float, cell: float) -> list[Note]:
    """Say where most points stand over 25 mm off the surface around them, so those cells were not measured."""
    off = Sums.block_sum(proud, round(cell / finest))
    labels, number = ndimage.label((off > count) & (off >= 5))
    if not number:
        return []
    size = ndimage.sum_labels(np.ones_like(off), labels, np.arange(1, number + 1)) * cell**2
    places = ndimage.center_of_mass(off, labels, np.arange(1, number + 1))
    large = [
        note("relief.spot", (float(col + 0.5) * cell, float(row + 0.5) * cell))
        for area, (row, col) in sorted(zip(size, places, strict=True), reverse=True)[:3]
        if area >= 0.001
    ]
    if not large:
        return []
    return [note("relief.standing-before", gate=metres(GATE), spots=tuple(large))]


@dataclass(slots=True)
class Sums:
    """Number, sum and sum of squares of offsets in each cell, arrays of equal shape."""

    n: Array
    z: Array
    zz: Array

    @classmethod
    def halves(cls, sums: Array, shape: tuple[int, int]) -> tuple[Sums, Sums]:
        """The sums of either half out of an array (cells, 2, 3) of number, sum and sum of squares."""
        first, second = np.ascontiguousarray(np.moveaxis(sums, 0, -1)).reshape(2, 3, *shape)
        return cls(*first), cls(*second)

    def merged(self, block: int) -> Sums:
        """The same sums over blocks of ``block`` x ``block`` cells."""
        return Sums(*(self.block_sum(total, block) for total in (self.n, self.z, self.zz)))

    def __add__(self, other: Sums) -> Sums:
        return Sums(self.n + other.n, self.z + other.z, self.zz + other.zz)

    def mean(self) -> Array:
        """Mean of each cell, NaN where it is empty."""
        return np.divide(self.z, self.n, out=np.full(self.n.shape, np.nan), where=self.n > 0)

    def pooled_sd(self, reach: int) -> Array:
        """Standard deviation within cells, pooled over ``2 reach + 1`` cells each way; NaN where no cell holds two."""
        squares = np.clip(self.zz - self.z**2 / np.maximum(self.n, 1), 0.0, None)
        freedom = np.clip(self.n - 1, 0.0, None)
        size = 2 * reach + 1
        top = ndimage.uniform_filter(squares, size, mode="constant")
        bottom = ndimage.uniform_filter(freedom, size, mode="constant")
        enough = bottom * size**2 > 0.5
        return np.sqrt(np.divide(np.clip(top, 0, None), bottom, out=np.full(top.shape, np.nan), where=enough))

    @staticmethod
    def block_sum(values: Array, block: int) -> Array:
        """Sums over blocks of ``block`` x ``block`` cells; the last block of a row may be cut off."""
        rows, cols = (-(-n // block) for n in values.shape)
        padded = np.zeros((rows * block, cols * block))
        padded[: values.shape[0], : values.shape[1]] = values
        return padded.reshape(rows, block, cols, block).sum(axis=(1, 3))


def footprint(wall: Wall, cell: float) -> tuple[Mask, Array]:
    """Cells at least half on the outline less openings (rows, cols), and the area each owns [m2].

    The areas sum to the net area of the whole wall: slivers of cells less than half inside, strips left out of the
    measured outline along corners, and a collar round each opening, where a scanner's beam is split between the wall
    and what lies behind it, go to the others in proportion.
    """
    shares = _outline_share(wall, cell)
    for opening in wall.openings:
        shares = np.clip(shares - _opening_share(wall, opening, cell), 0.0, None)
    inside = shares >= 0.5
    area = np.where(inside, shares, 0.0) * cell**2
    return inside, area * (_net_area(wall) / area.sum()) if area.sum() > 0 else area


def _net_area(wall: Wall) -> float:
    """Area of the whole wall less the part of each opening that lies within its bounds [m2]."""
    whole = wall.outline if wall.full is None else wall.full
    (left, bottom), (right, top) = whole.min(axis=0), whole.max(axis=0)
    cut = sum(
        max(0.0, min(hole.right, right) - max(hole.left, left))
        * max(0.0, min(hole.top, top) - max(hole.bottom, bottom))
        for hole in wall.openings
    )
    return max(wall.gross_area - float(cut), 0.0)


def extent(wall: Wall) -> tuple[float, float, float, float]:
    """Left, bottom, width and height of the part of the wall that is measured [m]."""
    (left, bottom), (width, height) = wall.outline.min(axis=0), np.ptp(wall.outline, axis=0)
    return float(left), float(bottom), float(width), float(height)


def _outline_share(wall: Wall, cell: float) -> Array:
    corners = wall.outline
    _, _, width, height = extent(wall)
    box: Array = (
        np.outer(geometry.overlap(height, cell, 0.0, height), geometry.overlap(width, cell, 0.0, width)) / cell**2
    )
    if np.isclose(polygon_area(corners), width * height, rtol=1e-9):
        return box
    rows, cols = box.shape
    step = cell / _FINE
    across, upward = np.meshgrid((np.arange(cols * _FINE) + 0.5) * step, (np.arange(rows * _FINE) + 0.5) * step)
    low = corners.min(axis=0)
    fine = in_polygon(across + low[0], upward + low[1], corners)
    return fine.reshape(rows, _FINE, cols, _FINE).mean(axis=(1, 3))


def _opening_share(wall: Wall, opening: Opening, cell: float) -> Array:
    x0, y0, width, height = extent(wall)
    low, high = opening.bottom - y0 - COLLAR, opening.top - y0 + COLLAR
    up = geometry.overlap(height, cell, low, high)
    along = geometry.overlap(width, cell, opening.left - x0 - COLLAR, opening.right - x0 + COLLAR)
    return np.outer(up, along) / cell**2
