"""Cloud and wall to a relief of cells: robust cell means in two streaming passes, whatever the number of points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from flatscan.core import geometry
from flatscan.core.aside import Aside
from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.geometry import Array, Mask
from flatscan.core.holes import GIVEN
from flatscan.core.independence import Independence
from flatscan.core.kernels import in_lanes
from flatscan.core.model import Cloud, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.reliefs import Grid, Why
from flatscan.core.warp import CommonError
from flatscan.relief.cell_size import (
    ENOUGH_CELLS,
    FINEST,
    STEP,
    CellSize,
    choose_cell,
    held_share,
    largest_cell,
    small_counts,
)
from flatscan.relief.doubles import doubles
from flatscan.relief.footprint import extent, footprint, opening_area
from flatscan.relief.gates import Gates, gates_of
from flatscan.relief.in_pockets import in_pockets
from flatscan.relief.independent import least_scatter, said_of, shown_by
from flatscan.relief.narrow import InCells, with_narrow
from flatscan.relief.patches import Picking
from flatscan.relief.pieces import Cells
from flatscan.relief.smooth import with_plateau
from flatscan.relief.spread import known_spread
from flatscan.relief.standing import Choices, with_objects
from flatscan.relief.sums import Sums
from flatscan.relief.unmeasured import SCRAP

# Points further than this off the surface around them are something standing before the wall, or a hole in it.
GATE = 0.025
_COARSE = 0.100
_LEAST_POINTS = 10
# from so many points in a finest cell on, on the average, the first pass may well be of these
_MAY_BE_FINEST = 5.0
_LARGEST_GRID = 40_000_000
_LANES, _LARGE = 2, 5_000_000
_PLENTY = 16
_ON_EDGE = 1e-9
# how far off an edge people draw it [m]
_DRAWN_BY = 0.050
_NO_CHOICES = Choices()


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

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right and top [m] of the points that count: no point of a strip left out moves a cell."""
        x0, y0, _, _ = extent(self.wall)
        rows, cols = self.shape
        # a point on an edge belongs to the cell above it, also where rounding puts it a little off
        low, slack = (x0 - _ON_EDGE * self.cell, y0 - _ON_EDGE * self.cell), 2 * _ON_EDGE
        cells = (*low, x0 + (cols - slack) * self.cell, y0 + (rows - slack) * self.cell)
        (left, bottom), (right, top) = self.wall.outline.min(axis=0), self.wall.outline.max(axis=0)
        (low_x, low_y), (high_x, high_y) = self.wall.whole.min(axis=0), self.wall.whole.max(axis=0)
        # where nothing is left out the outer cells take all points that fall into them
        strips = (left > low_x, bottom > low_y, right < high_x, top < high_y)
        kept = (left, bottom, min(right, cells[2]), min(top, cells[3]))
        edges = [float(strip) if there else cell for there, strip, cell in zip(strips, kept, cells, strict=True)]
        return edges[0], edges[1], edges[2], edges[3]

    @property
    def clear(self) -> tuple[slice, slice]:
        """Rows and columns of the cells that lie clear of strips left out."""
        x0, y0, _, _ = extent(self.wall)
        left, bottom, right, top = self.bounds
        low = (int(np.ceil((start - at) / self.cell - 1e-6)) for start, at in ((bottom, y0), (left, x0)))
        high = (int(np.floor((stop - at) / self.cell + 1e-6)) for stop, at in ((top, y0), (right, x0)))
        rows, cols = (slice(start, max(stop, start + 1)) for start, stop in zip(low, high, strict=True))
        return rows, cols

    def add_up(
        self, cloud: Cloud, coarse: Array, gates: Gates, every: int = 1, picking: Picking | None = None
    ) -> tuple[tuple[Sums, Sums], Array, Array]:
        """Sums of both halves of all points within `GATE` of the coarse surface and the gates of their cells.

        Also number and sum of offsets (rows, cols, 2) of the points further proud of the coarse surface, and what lies
        over three spreads off (6, rows, cols; see the kernel). With ``every`` only every so manieth point is taken.
        ``picking`` keeps those over its squares, of a pass that takes them all.
        """
        from flatscan.relief.cell_sums_kernel import add_near
        from flatscan.relief.patches_kernel import add_and_pick

        frame = self.wall.frame
        axes, corner = np.stack([frame.along, frame.up, frame.out]), np.array(extent(self.wall)[:2])
        cells = (corner, self.cell, self.bounds, self.shape[1])
        size = self.shape[0] * self.shape[1]
        lanes = _LANES if size <= _LARGE else 1
        sums, proud = np.zeros((lanes, size, 2, 3)), np.zeros((lanes, size, 2))
        near = np.stack([_spread_out(coarse, self), gates.middle, gates.gate], axis=1)
        calm = np.stack([gates.calm, gates.three], axis=1)
        beyond = np.zeros((lanes, 6, size if len(calm) else 0), np.float32)

        def add(lane: int, points: Array, start: int) -> None:
            some, here = np.ascontiguousarray(points), (sums[lane], proud[lane], beyond[lane])
            if picking is None:
                add_near(some, start, every, frame.at, axes, *cells, GATE, near, calm, *here)
                return
            picked = picking.room(len(some))
            found = add_and_pick(some, start, frame.at, axes, cells, GATE, near, calm, *here, picking.lattice, picked)
            picking.keep(start, picked[:found])

        in_lanes(cloud.chunks(), add, lanes)
        outside = beyond.sum(axis=0).reshape(6, *self.shape) if len(calm) else beyond[0]
        return Sums.halves(sums.sum(axis=0), self.shape), proud.sum(axis=0).reshape(*self.shape, 2), outside


def grid(
    cloud: Cloud, wall: Wall, common: CommonError, *, cell: float | None = None, choices: Choices = _NO_CHOICES
) -> tuple[Grid, tuple[Note, ...]]:
    """Relief of a wall from all points of a cloud, without what hangs on it, and what must be said about it.

    ``choices`` are what somebody says of objects that are found.

    Without ``cell`` [m] the smallest multiple of 5 mm from 10 to 200 mm is taken in which at least 95 % of the cells
    that the capture saw hold at least 5 points. Raises `TooFewPoints` where the wall holds next to none and
    `BadValue` for a cell that is not positive, larger than a fifth of the wall, or too fine for the wall's size.
    """
    coarse = _coarse_surface(cloud, wall)
    chosen, first = _chosen_cells(cloud, wall, coarse, cell)
    halves, proud, every = first
    both = halves[0] + halves[1]
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
    gates, spread = gates_of(both)
    if every > 1:
        # where the part holds too few to tell a stray by, as far from the scanner, all points count
        gates = gates.but(both.n.ravel() < 3)
    # of cells with room for it the points are summed in quarters, so that a narrow thing on an edge is seen whole
    parts = 1 if chosen.size <= FINEST + 1e-9 else 2
    whole, fine = _Lattice(wall, chosen.size), _Lattice(wall, chosen.size / parts)
    picking = Picking.over(
        wall, every * float(both.n.sum()) / max(float((both.n > 0).sum()) * chosen.size**2, 1e-9), cloud
    )
    quarters, _, beyond = fine.add_up(cloud, coarse, gates.over(both.n.shape, parts, fine.shape), picking=picking)
    first_sums, patches = both, picking.patches(GATE)
    # of swept lines and of photos it is known what their points share
    known = cloud.swept is not None or cloud.photographed is not None
    alone = None if known else shown_by(patches, cloud, picking.density)
    if alone is not None:
        cloud = replace(cloud, independent_share=alone.share)
    spread = np.maximum(spread, least_scatter(cloud, alone))
    halves = quarters[0].merged(parts), quarters[1].merged(parts)
    both = halves[0] + halves[1]
    relief, doubts = _relief(cloud, wall, common, chosen, halves, alone)
    relief = with_plateau(replace(relief, patches=patches, pocketed=in_pockets(cloud, wall)))
    relief, said = with_objects(relief, Cells.of(first_sums, proud, _measurable(relief), chosen.size), choices)
    step = float(np.linalg.norm(wall.frame.out * cloud.u_step))
    u = random_u(both.n, spread, cloud, wall)
    widened = -gates.gate.reshape(spread.shape) > 3 * spread + 1e-9
    inside = InCells(parts, widened, both, quarters[0] + quarters[1], beyond, spread, u, step, cloud.independent_share)
    surface = _spread_out(coarse, whole)
    relief = with_narrow(relief, cloud, wall, surface, GATE, inside)
    off = proud[..., 0] if relief.standing is None else np.where(relief.standing.number > 0, 0.0, proud[..., 0])
    doubts = doubts if alone is None else (said_of(alone), *doubts)
    twice = doubles(cloud, wall)
    if twice is not None:
        relief, doubts = replace(relief, doubled=twice.apart), (twice.said, *doubts)
    return relief, (*chosen.notes, *doubts, *said, *_standing_before(off, both.n, chosen.size))


def _measurable(relief: Grid) -> Mask:
    """Cells on the wall clear of strips and collars."""
    return relief.inside if relief.why is None else relief.inside & (relief.why < Why.STRIP)


_First = tuple[tuple[Sums, Sums], Array, int]


def _chosen_cells(cloud: Cloud, wall: Wall, coarse: Array, asked: float | None) -> tuple[CellSize, _First]:
    """The cells asked for or chosen, and the first pass on them: sums of both halves, proud points, its stride.

    Dense points, of which there are many, are tried on the finest cells first and counted no second time.
    """
    finest = _checked_cell(FINEST if asked is None else asked, wall)
    if asked is not None:
        return CellSize(asked, notes=_larger(cloud, wall, coarse, asked)), _first_pass(
            cloud, _Lattice(wall, asked), coarse
        )
    lattice = _Lattice(wall, finest)
    rows, cols = lattice.shape
    if cloud.count * wall.share / (rows * cols) >= _MAY_BE_FINEST:
        first = _first_pass(cloud, lattice, coarse)
        if held_share(first[2] * (first[0][0].n + first[0][1].n)[lattice.clear], finest) >= ENOUGH_CELLS:
            return CellSize(finest), first
    small = _Lattice(wall, STEP)
    counts = small_counts(cloud, wall, coarse, (small.bounds, _COARSE, GATE))[small.clear]
    chosen = choose_cell(counts, largest_cell(wall))
    return chosen, _first_pass(cloud, _Lattice(wall, chosen.size), coarse)


def _larger(cloud: Cloud, wall: Wall, coarse: Array, asked: float) -> tuple[Note, ...]:
    """That cells were asked for larger than the points do."""
    if asked <= FINEST + 1e-9:
        return ()
    small = _Lattice(wall, STEP)
    counts = small_counts(cloud, wall, coarse, (small.bounds, _COARSE, GATE))[small.clear]
    wanted = choose_cell(counts, largest_cell(wall)).size
    return (note("relief.larger-cells", cell=metres(asked), wanted=metres(wanted)),) if wanted < asked - 1e-9 else ()


def _first_pass(cloud: Cloud, lattice: _Lattice, coarse: Array) -> _First:
    """Sums of both halves without gates, points that stand proud, and every how manieth point was taken."""
    size = lattice.shape[0] * lattice.shape[1]
    every = _stride(cloud.count * lattice.wall.share / size)
    halves, proud, _ = lattice.add_up(cloud, coarse, Gates.open(size), every)
    return halves, proud, every


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
    local, (x0, y0, _, _), (rows, cols) = wall.frame.to_wall(some), extent(wall), lattice.shape
    col, row = geometry.index(local[:, 0] - x0, _COARSE), geometry.index(local[:, 1] - y0, _COARSE)
    left, bottom, right, top = lattice.bounds
    near = (np.abs(local[:, 2]) <= wall.slab) & (local[:, 0] >= left) & (local[:, 0] < right)
    near &= (local[:, 1] >= bottom) & (local[:, 1] < top)
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


def _relief(
    cloud: Cloud,
    wall: Wall,
    common: CommonError,
    cells: CellSize,
    halves: tuple[Sums, Sums],
    alone: Independence | None,
) -> tuple[Grid, tuple[Note, ...]]:
    cell, both = cells.size, halves[0] + halves[1]
    on = footprint(wall, cell)
    held = both.n >= cells.fewest
    measured = on.inside & (on.why == Why.MEASURED) & held
    spread, doubts = known_spread(both.mean(), both.pooled_sd(2), both.n, measured, common)
    spread = np.maximum(spread, least_scatter(cloud, alone))
    u = random_u(both.n, spread, cloud, wall)
    x0, y0, width, height = extent(wall)
    masked = [np.where(measured, values, np.nan) for values in (both.mean(), u, halves[0].mean(), halves[1].mean())]
    relief = Grid(
        x=x0 + geometry.centres(width, cell),
        y=y0 + geometry.centres(height, cell),
        offset=masked[0],
        u=masked[1],
        count=both.n.astype(np.int64),
        inside=on.inside,
        area=on.area,
        why=np.where(on.inside & (on.why == Why.MEASURED) & ~held, Why.NO_POINTS, on.why).astype(np.int8),
        cell=cell,
        common=common,
        half_a=masked[2],
        half_b=masked[3],
        u_point=float(np.median(spread[measured])) if np.isfinite(spread[measured]).any() else None,
        independence=alone,
        aside=_set_aside(wall, cell, held),
        apart=0.0 if cloud.swept is None else cloud.swept.apart,
    )
    return relief, doubts


def _set_aside(wall: Wall, cell: float, held: Mask) -> tuple[Aside, ...]:
    """Wall that the points show in openings drawn by hand: cells there whose points lie on its surface.

    A rim of it alone is a rectangle drawn a little large around a real opening, and none.
    """
    found = []
    for hole in wall.openings:
        rim = min(_DRAWN_BY, hole.width / 4, hole.height / 4)
        well_inside = float((opening_area(wall, hole, cell, rim) * held).sum())
        if hole.evidence == GIVEN and well_inside >= SCRAP / 2:
            area = float((opening_area(wall, hole, cell) * held).sum())
            found.append(Aside(hole.left, hole.bottom, hole.width, hole.height, area))
    return tuple(found)


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


def _standing_before(off: Array, count: Array, cell: float) -> list[Note]:
    """Say where most points stand over 25 mm off the surface around them, so those cells were not measured."""
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
