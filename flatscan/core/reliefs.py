"""The two bodies of a relief: square cells side by side, and readings at free places."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from flatscan.core.aside import Aside
from flatscan.core.errors import BadValue
from flatscan.core.geometry import SAME_STATION, Array, Mask, among, neighbour_pairs, samples_within
from flatscan.core.holes import InPocket
from flatscan.core.independence import Independence, Patches
from flatscan.core.model import Counts, Relief, WallObject
from flatscan.core.notes import Place
from flatscan.core.resolution import BETWEEN_LINES, narrowest_kept

# 100 mm dots, common practice; where no cell so near was measured, those within 150 mm
_DOT, _AROUND = 0.050, 0.150
# a circle round a place holds at least the cell it lies in
_IN_CELL = 0.75
_SLACK = 1e-9
# a place counts as measured where this much of its weight falls on measured cells: it lies within a part of a cell
_MEASURED = 0.6
_ROUNDS = 4
# cells beside a thing left out that what was looked for around them, over up to eleven cells, still felt
_BESIDE = 6


class Why(IntEnum):
    """Why a cell on the wall was not measured."""

    MEASURED = 0
    NO_POINTS = 1
    STRIP = 2
    SKIRTING = 3
    COLLAR = 4
    OBJECT = 5
    SEAM = 6
    DRAWN = 7


@dataclass(frozen=True, eq=False, slots=True)
class Narrow:
    """Cells ``found`` (rows, cols) that hold something narrower than they can show.

    ``rise`` (rows, cols) [m] is how much further than the cell's mean it stands, with its random ``u`` [m]; NaN where
    the points are too few to tell.
    """

    found: Mask
    rise: Array
    u: Array

    def clear_of(self, out: Mask) -> Narrow:
        """The same where cells ``out`` (rows, cols) and those beside them are not looked at."""
        from scipy.ndimage import binary_dilation

        near = binary_dilation(out, np.ones((3, 3)), iterations=_BESIDE)
        return Narrow(self.found & ~near, np.where(near, np.nan, self.rise), np.where(near, np.nan, self.u))


@dataclass(frozen=True, eq=False)
class Standing:
    """What stands before a wall: its ``objects``, and which of them lies on each cell: ``number`` (rows, cols), 0 none.

    ``as_wall`` (4, rows, cols) [m] are offset, u and both halves of every cell with all of them taken for wall.
    """

    objects: tuple[WallObject, ...]
    number: NDArray[np.int16]
    as_wall: Array

    def numbers(self, *states: str) -> frozenset[int]:
        """Numbers of the objects in one of these states."""
        return frozenset(one.number for one in self.objects if one.state in states)

    def tied(self, taken: Array) -> Standing:
        """The same on a relief from whose offsets ``taken`` (rows, cols) [m] was taken out."""
        return replace(self, as_wall=self.as_wall - np.stack([taken, np.zeros_like(taken), taken, taken]))

    def cut(self, rows: int, cols: int) -> Standing:
        """The same on the lower left ``rows`` and ``cols``."""
        return replace(self, number=self.number[:rows, :cols], as_wall=self.as_wall[:, :rows, :cols])


@dataclass(frozen=True, eq=False, kw_only=True)
class Grid(Relief):
    """A relief of square cells of size ``cell`` [m], out of many points.

    ``half_a`` and ``half_b`` are the means of two random halves of the points, None where they are not known.
    ``window`` is the width in cells of the local quadratic it was smoothed with (1: not at all), ``hidden`` counts
    cells where something narrow may be hidden, ``hidden_at`` names the largest such places. ``u_floor`` [m] is the part
    of ``u`` that neighbouring cells share and smoothing does not lower. ``narrow`` is what stands on less than a cell,
    None where nothing shows; ``looked_over`` the window whose residuals were looked over for it already (0: none).
    ``why`` (rows, cols) tells by `Why` why a cell inside was not measured. ``doubled`` [m] is how far two surfaces lie
    apart where captures put together do not meet. ``standing`` is what stands before the wall, None where nothing does.
    ``independence`` is how its points show that they repeat each other, None where they do not; ``patches`` are all
    points over a few small squares of it.
    ``aside`` is measured wall in openings that somebody drew, ``pocketed`` what was measured in chases, ``uncut``
    (rows, cols) [m] the wall as measured within the outlines of humps that are taken as cut, NaN elsewhere. ``apart``
    [m] is how far the lines lie from each other that its points stand on, 0 where they stand on none.
    """

    cell: float
    half_a: Array | None = None
    half_b: Array | None = None
    window: int = 1
    hidden: int = 0
    hidden_at: tuple[Place, ...] = ()
    u_floor: float = 0.0
    narrow: Narrow | None = None
    looked_over: int = 0
    why: NDArray[np.int8] | None = None
    doubled: float | None = None
    standing: Standing | None = None
    independence: Independence | None = None
    patches: Patches | None = None
    aside: tuple[Aside, ...] = ()
    pocketed: tuple[InPocket, ...] = ()
    uncut: Array | None = None
    apart: float = 0.0

    def leaving_out(self, numbers: Collection[int]) -> Grid:
        """The relief as measured with just these of its objects left out, the others taken for wall."""
        if self.standing is None:
            return self
        out = np.isin(self.standing.number, list(numbers)) & (self.standing.number > 0)
        offset, u, *halves = (np.where(out, np.nan, field) for field in self.standing.as_wall)
        known = [None if half is None else new for half, new in zip((self.half_a, self.half_b), halves, strict=True)]
        why = np.zeros(out.shape, dtype=np.int8) if self.why is None else self.why
        lost = np.where(np.isfinite(self.standing.as_wall[0]), np.int8(Why.MEASURED), np.int8(Why.NO_POINTS))
        why = np.where(why == Why.OBJECT, lost, why)
        why = np.where(out & self.inside & (why < Why.STRIP), np.int8(Why.OBJECT), why)
        narrow = None if self.narrow is None else self.narrow.clear_of(out)
        return replace(self, offset=offset, u=u, half_a=known[0], half_b=known[1], why=why, narrow=narrow)

    @property
    def known_between(self) -> bool:
        """True: cells stand side by side."""
        return True

    @property
    def step(self) -> float:
        """Size of a cell [m]."""
        return self.cell

    @property
    def laser(self) -> None:
        """None: a scan is not read from a laser plane."""
        return

    @property
    def smoothed_over(self) -> float:
        """Width of the local quadratic [m], 0 without one."""
        return self.window * self.cell if self.window > 1 else 0.0

    @property
    def noise(self) -> Array | None:
        """Half the difference of both halves, which has the scatter and the likeness of the error of their mean."""
        return None if self.half_a is None or self.half_b is None else (self.half_a - self.half_b) / 2

    @property
    def smallest_feature(self) -> float:
        """Width [m] at half height of the narrowest ridge that keeps 95 % of its height wherever it lies."""
        return max(narrowest_kept(self.window) * self.cell, BETWEEN_LINES * self.apart)

    def connected(self, chosen: Mask) -> tuple[Counts, int]:
        """Labels 1..n of the groups of chosen cells that touch, also at a corner (8 neighbours)."""
        from scipy import ndimage

        labels, number = ndimage.label(chosen, structure=np.ones((3, 3)))
        return labels.astype(np.int64), int(number)

    def size_of(self, row: Counts, col: Counts) -> tuple[float, float]:
        """Width and height [m] over whole cells."""
        return float(np.ptp(self.x[col])) + self.cell, float(np.ptp(self.y[row])) + self.cell

    def ground_of(self, row: Counts, col: Counts) -> tuple[float, float]:
        """Width and height [m] over whole cells: a cell stands for itself."""
        return self.size_of(row, col)

    def value_at(self, x: float, y: float) -> tuple[float, float] | None:
        """Mean of the cells within 50 mm, or where none of them was measured within 150 mm, and its random u [m]."""
        for reach in (_DOT, _AROUND):
            near = self._within(x, y, max(reach, _IN_CELL * self.cell))
            if near is not None:
                u = np.nan_to_num(self.u[near])
                return float(self.offset[near].mean()), float(np.sqrt((u**2).sum())) / len(u)
        return None

    def _within(self, x: float, y: float, reach: float) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
        """Rows and columns of the measured cells within ``reach`` [m], None where there are none."""
        columns = np.flatnonzero(np.abs(self.x - x) <= reach)
        rows = np.flatnonzero(np.abs(self.y - y) <= reach)
        distance = np.hypot(self.x[columns][None, :] - x, self.y[rows][:, None] - y)
        row, col = np.nonzero(self.valid[np.ix_(rows, columns)] & (distance <= reach))
        return (rows[row], columns[col]) if len(row) else None

    def beside(self, x: float, y: float, reach: float) -> Mask:
        """Measured cells (rows, cols) within ``reach`` [m]."""
        across, upward = self.places
        return self.valid & (np.hypot(across - x, upward - y) <= reach)

    def columns_near(self, x: float, reach: float) -> Mask:
        """Columns within ``reach`` [m], at least the one that x falls in."""
        return np.asarray(np.abs(self.x - x) <= max(reach, _IN_CELL * self.cell))

    def laid_on(self, other: Relief, turn: Array, shift: Array) -> tuple[Array, Array]:
        """Offsets and u (rows, cols) [m], bilinear between the measured ones of the four cells around each place."""
        from scipy.ndimage import map_coordinates

        across, upward = other.places
        fields = [np.where(self.valid, field, 0.0) for field in (self.offset, self.u)]
        here, z, x, y = self.valid.astype(float), np.zeros(across.shape), across, upward
        # the place on this wall that comes to lie at x, y depends on its own height: a few rounds settle it
        for _ in range(_ROUNDS):
            local = (np.stack([across, upward, z], axis=-1) - shift) @ turn
            x, y = local[..., 0], local[..., 1]
            at = [among(y, self.y, self.cell), among(x, self.x, self.cell)]
            weight = map_coordinates(here, at, order=1, mode="nearest")
            whole = weight > _MEASURED
            found, u = (map_coordinates(f, at, order=1, mode="nearest") / np.where(whole, weight, 1.0) for f in fields)
            moved = np.stack([x, y, found], axis=-1) @ turn.T + shift
            z = np.where(whole, moved[..., 2], 0.0)
        keep = whole & other.inside & self._reaches(x, y)
        return np.where(keep, z, np.nan), np.where(keep, u, np.nan)

    def _reaches(self, x: Array, y: Array) -> Mask:
        """Places on the grid, or off its outer centres by no more than lets most of a cell's weight fall on it."""
        slack = (1 - _MEASURED) * self.cell
        along = (x > self.x[0] - slack) & (x < self.x[-1] + slack)
        return along & (y > self.y[0] - slack) & (y < self.y[-1] + slack)

    def slope_of(self, values: Array) -> Array:
        """Steepness (rows, cols) [m per m] by central differences, 0 where a neighbour is missing."""
        if min(values.shape) < 3:
            return np.zeros(values.shape)
        up, along = np.gradient(values, self.cell)
        return np.nan_to_num(np.hypot(up, along))

    def profile_along(self, start: Place, end: Place) -> tuple[Array, Array]:
        """Distances (n,) and offsets (n,) [m], bilinear between cells that were measured.

        A sample is missing where one of the cells it leans on is; on a cell's centre it is that cell's value.
        """
        length = float(np.hypot(end[0] - start[0], end[1] - start[1]))
        along = np.arange(samples_within(length, self.cell), dtype=np.float64) * self.cell
        share = along / length if length > 0 else along
        x, y = start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])
        return along, self._bilinear(x, y)

    def _bilinear(self, x: Array, y: Array) -> Array:
        rows, cols = self.offset.shape
        col, row = (x - self.x[0]) / self.cell, (y - self.y[0]) / self.cell
        # the outer half of the rim's cells belongs to the rim
        inside = (col >= -0.5 - _SLACK) & (col <= cols - 0.5 + _SLACK)
        inside &= (row >= -0.5 - _SLACK) & (row <= rows - 0.5 + _SLACK)
        col, row = np.clip(col, 0, cols - 1), np.clip(row, 0, rows - 1)
        left, low = np.floor(col + _SLACK).astype(int), np.floor(row + _SLACK).astype(int)
        across, up = np.clip(col - left, 0, 1), np.clip(row - low, 0, 1)
        known = np.where(self.valid, self.offset, np.nan)
        total = np.zeros(len(x))
        for j, i, weight in (
            (0, 0, (1 - up) * (1 - across)),
            (0, 1, (1 - up) * across),
            (1, 0, up * (1 - across)),
            (1, 1, up * across),
        ):
            used = weight > _SLACK
            value = known[np.minimum(low + j, rows - 1), np.minimum(left + i, cols - 1)]
            total = total + np.where(used, weight * value, 0.0)
        return np.where(inside, total, np.nan)


@dataclass(frozen=True, eq=False, kw_only=True)
class Stations(Relief):
    """A relief of readings at free places, in a matrix of all their distinct x and y; nothing lies between them.

    ``missing_share`` is the part of the wall that stations named but not read would have owned, ``highs`` how many are
    high spots that a straightedge swept between the others found, ``pocketed`` what was read in chases. ``uncut``
    (rows, cols) [m] is the wall as read within the outlines of humps that are taken as cut, NaN elsewhere.
    """

    missing_share: float = 0.0
    highs: int = 0
    pocketed: tuple[InPocket, ...] = ()
    uncut: Array | None = None

    @property
    def covered_share(self) -> float:
        """Measured part of the net area, by area, less what stations not read would have owned."""
        return super().covered_share * (1 - self.missing_share)

    @property
    def known_between(self) -> bool:
        """False: between stations nothing was read."""
        return False

    @property
    def step(self) -> float:
        """0: a reading is of one point."""
        return 0.0

    @property
    def laser(self) -> float:
        """0: readings are offsets from the laser plane."""
        return 0.0

    @property
    def smoothed_over(self) -> float:
        """0: readings are taken as they are."""
        return 0.0

    @cached_property
    def _neighbours(self) -> tuple[Counts, Counts]:
        """Row and column (n, 2) of the stations read, and pairs (m, 2) of them that are neighbours."""
        places = np.argwhere(self.valid)
        return places, neighbour_pairs(self.x[places[:, 1]], self.y[places[:, 0]])

    def connected(self, chosen: Mask) -> tuple[Counts, int]:
        """Labels 1..n of the groups of chosen stations whose owned areas touch."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        places, pairs = self._neighbours
        here = chosen[tuple(places.T)]
        pairs = pairs[here[pairs].all(axis=1)]
        # scipy 1.11 takes no wider indices here
        graph = coo_array((np.ones(len(pairs)), tuple(pairs.T.astype(np.int32))), shape=(len(places), len(places)))
        _, group = connected_components(graph, directed=False)
        labels = np.zeros(chosen.shape, dtype=np.int64)
        kept, number_of = np.unique(group[here], return_inverse=True)
        labels[tuple(places[here].T)] = number_of + 1
        return labels, len(kept)

    def size_of(self, row: Counts, col: Counts) -> tuple[float, float]:
        """Width and height [m] from the outermost station to the opposite one."""
        return float(np.ptp(self.x[col])), float(np.ptp(self.y[row]))

    def ground_of(self, row: Counts, col: Counts) -> tuple[float, float]:
        """Width and height [m] with the mean ground of one station added."""
        wide, high = self.size_of(row, col)
        own = float(np.sqrt(self.area[row, col].sum() / len(row)))
        return wide + own, high + own

    def value_at(self, x: float, y: float) -> tuple[float, float] | None:
        """Offset and u [m] of the station at that very place; stations are never interpolated."""
        row, col = int(np.argmin(np.abs(self.y - y))), int(np.argmin(np.abs(self.x - x)))
        if not self.valid[row, col]:
            return None
        return float(self.offset[row, col]), float(np.nan_to_num(self.u[row, col]))

    def beside(self, x: float, y: float, reach: float) -> Mask:  # noqa: ARG002
        """The nearest station (rows, cols), however far."""
        across, upward = self.places
        away = np.where(self.valid, np.hypot(across - x, upward - y), np.inf)
        return self.valid & (away <= away.min(initial=np.inf))

    def columns_near(self, x: float, reach: float) -> Mask:  # noqa: ARG002
        """The column of stations at x."""
        return np.asarray(self.x == x)

    def laid_on(self, other: Relief, turn: Array, shift: Array) -> tuple[Array, Array]:
        """Offsets and u (rows, cols) [m] where a station stands within 50 mm of the other's place."""
        row, col = np.nonzero(self.valid)
        moved = np.stack([self.x[col], self.y[row], self.offset[row, col]], axis=1) @ turn.T + shift
        across, upward = other.places
        values, u = np.full(across.shape, np.nan), np.full(across.shape, np.nan)
        if not len(moved):
            return values, u
        apart = np.hypot(across[..., None] - moved[:, 0], upward[..., None] - moved[:, 1])
        nearest = apart.argmin(axis=-1)
        keep = (apart.min(axis=-1) <= SAME_STATION) & other.inside
        values[keep] = moved[nearest[keep], 2]
        u[keep] = self.u[row, col][nearest[keep]]
        return values, u

    def slope_of(self, values: Array) -> Array:
        """0 everywhere (rows, cols): between stations nothing was read."""
        return np.zeros(values.shape)

    def profile_along(self, start: Place, end: Place) -> tuple[Array, Array]:  # noqa: ARG002
        """Raises `BadValue`: between stations there is no profile."""
        raise BadValue(
            "profile",
            "stations at free places",
            needed="a relief of cells",
            remedy="Lay the straightedge on the wall itself",
        )
