"""Narrow features that cells and their means flatten: where they are, and how high they really stand."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy import ndimage
from scipy.special import gammainc, ndtri

from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Cloud, Counts, Wall
from flatscan.core.reliefs import Grid, Narrow, Why
from flatscan.relief.runs import spread_over, stand_out
from flatscan.relief.smooth import choose_window, inner_quadratic, local_quadratic
from flatscan.relief.sums import Sums

# a clean wall raises an alarm in at most this share of surveys, parted among the three tests
FALSE_ALARM = 0.01
_NOMINAL, _LEAST_WINDOW, _WIDE_WINDOW = 0.003, 5, 11
_FEWEST = 4
_BLOCKS = (1, 2, 4)
_EVERY = 3
_GROUND, _GROUND_WIDTH = 9, 0.25
# from larger cells nothing is called within, and what is narrower than they are is said [m]
_COARSEST = 0.052
_WIDEST = 0.300
# a beam is split on edges over some 100 mm: strips and collars are a matter of coverage
_SPLIT = 0.100
_CLEARLY = 3.0
_FAR = 3.0
_MANY = 5000
_RAREST = 2e-6
# so few points over 4.8 spreads off on a whole wall are no strays by habit: each that is so many off (which chance
# does not do) may be all that fell on a nib
_FEW_FAR, _FEW_IN_CELL, _NO_CHANCE = 3, 40, 7.0
# cells that a stray moves: its own, and one beside it
_OF_STRAYS = 2
_PAIRS = 20
# the share of points beyond the gate is also looked at this far around, since noise is not alike everywhere [cells]
_AROUND = 41


@dataclass(frozen=True, slots=True)
class InCells:
    """What the points show inside cells: ``both`` their sums, ``spread`` [m] that of the cells around (rows, cols).

    ``quarters`` are the sums in cells a ``parts``-th as wide, and ``beyond`` (6, .., ..) what lies there over three
    spreads off: numbers, hollow and proud, of these and of those 1.6 times as far, number and sum [m] of those that
    count in the sums nevertheless. ``widened`` cells let points further off count. ``u`` [m] is the random uncertainty
    that ``spread`` gives a cell's mean, ``step`` [m] that of the file's own rounding, ``share`` how many independent
    returns a point is.
    """

    parts: int
    widened: Mask
    both: Sums
    quarters: Sums
    beyond: Array
    spread: Array
    u: Array
    step: float
    share: float

    @property
    def scatter(self) -> Array:
        """Spread of single points (rows, cols) [m], at least that of the rounding."""
        return np.maximum(self.spread, max(self.step, 1e-7))

    def in_quarters(self, values: Array) -> Array:
        """Values (rows, cols) of cells at their quarters, bilinear."""
        if self.parts == 1:
            return values
        rows, cols = ((np.arange(size) + 0.5) / self.parts - 0.5 for size in self.quarters.n.shape)
        at = np.stack(np.meshgrid(rows, cols, indexing="ij"))
        fine: Array = ndimage.map_coordinates(values, at, order=1, mode="nearest")
        return fine


def narrow_places(relief: Grid, inside: InCells) -> tuple[Mask, Mask]:
    """Cells (rows, cols) in which something narrow shows: in all their points, and in some few of them.

    Four tests share a false alarm of 1 % of surveys: means of cells that stand off a local quadratic, alone or along
    lines; points that scatter more within a cell than in those around; means of quarters of cells that stand off;
    points over three spreads off in numbers. The last two may also be strays that fell together.
    """
    window = window_looked_over(relief)
    fitted = local_quadratic([relief.offset], relief.u, relief.valid, _LEAST_WINDOW)[0][0]
    if window > _LEAST_WINDOW:
        # at the rim, where no wide window is whole, the narrow one serves
        wide, inner = inner_quadratic(relief.offset, relief.valid, window)
        fitted = np.where(inner, wide, fitted)
    each = FALSE_ALARM / 4
    lone = _lone(relief, inside)
    jobs = [
        partial(_scattered, relief, fitted, inside, each),
        partial(_in_numbers, relief, inside, each),
        partial(_quarters_off, relief, fitted, inside, each),
    ]
    with ThreadPoolExecutor(2) as pool:
        found, many, off = pool.map(lambda job: job(), jobs)
    if inside.parts > 1:
        # lines of whole cells are longer, and off a wider quadratic see what lies deeper in the noise
        wider = min(_WIDE_WINDOW, 2 * int((_WIDEST / relief.cell - 1) / 2 + 1e-9) + 1)
        wide, inner = inner_quadratic(relief.offset, relief.valid, max(wider, window))
        fitted = np.where(inner, wide, fitted)
        found |= stand_out(_off_the_surface(relief, fitted, inside), relief.valid, each)
    finer = Sums.block_sum((many | off).astype(float), inside.parts).astype(bool)
    return (found | lone) & relief.valid, finer & relief.valid


def _lone(relief: Grid, inside: InCells) -> Mask:
    """Cells (rows, cols) with a point over 4.8 spreads off where the whole wall has next to none.

    So few points fall on a nib that it may have one alone; where strays are usual, or cells hold many points, a lone
    one tells nothing.
    """
    found = np.zeros(relief.valid.shape, bool)
    if not relief.valid.any() or float(np.median(inside.both.n[relief.valid])) > _FEW_IN_CELL:
        return found
    for side in (2, 3):
        here = np.where(_at_quarters(relief.valid, inside), inside.beyond[side], 0)
        if 0 < here.sum() <= _FEW_FAR:
            found |= Sums.block_sum(here, inside.parts) > 0
    return found


def window_looked_over(relief: Grid) -> int:
    """Window in cells of the local quadratic that narrow things are held against."""
    return max(_LEAST_WINDOW, choose_window(relief, _NOMINAL))


def _off_the_surface(relief: Grid, fitted: Array, inside: InCells) -> Array:
    """How far each cell's mean stands off the local quadratic in units of its u, 0 where there is none."""
    u = np.maximum(np.hypot(inside.u, relief.u_floor), 1e-9)
    deviate = (relief.offset - fitted) / u
    return np.where(np.isfinite(deviate), deviate, 0.0)


def _quarters_off(relief: Grid, surface: Array, inside: InCells, false_alarm: float) -> Mask:
    """Quarters of cells in which, alone or together, means stand off the surface (see `stand_out`).

    Points over three spreads off count as if they stood three off: a stray, which is alone, does no more than that.
    """
    valid = _at_quarters(relief.valid, inside)
    hollow, proud, _, _, kept, kept_sum = inside.beyond
    spread = inside.in_quarters(inside.scatter).astype(np.float32)
    number = inside.quarters.n.astype(np.float32) - kept
    height = (inside.quarters.z - kept_sum - number * inside.in_quarters(surface)).astype(np.float32)
    height += np.float32(_FAR) * spread * (proud - hollow)
    n = (number + hollow + proud) * np.float32(inside.share)
    if relief.u_floor > 0:
        spread = np.hypot(spread, np.float32(relief.u_floor) * np.sqrt(np.maximum(n, 1)))
    deviate = np.where(valid, height * np.float32(inside.share) / spread, 0)
    # in the finest cells whatever is wide enough to be sought fills squares of them
    return stand_out(deviate, valid, false_alarm, weight=np.where(valid, n, 0), lines=inside.parts > 1)


def _at_quarters(mask: Mask, inside: InCells) -> Mask:
    rows, cols = inside.quarters.n.shape
    return np.repeat(np.repeat(mask, inside.parts, 0), inside.parts, 1)[:rows, :cols]


def _scattered(relief: Grid, surface: Array, inside: InCells, false_alarm: float) -> Mask:
    """Cells alone or in squares whose points scatter more than those around."""
    level = np.zeros((1, 1))
    found = stand_out(_scatter(relief, inside, level), relief.valid, false_alarm, signs=(1,), lines=False)
    if found.any():
        slope = relief.slope_of(surface)
        found &= stand_out(_scatter(relief, inside, slope), relief.valid, false_alarm, signs=(1,), lines=False)
    return found


def _scatter(relief: Grid, inside: InCells, slope: Array) -> Array:
    """Scatter within each cell against that of the cells around, as a normal deviate, 0 where it cannot be told.

    (v / s^2)^(1/3) of a variance of f degrees of freedom is nearly normal with mean 1 - 2 / 9 f and variance 2 / 9 f
    (Wilson and Hilferty 1931). What a ``slope`` (rows, cols) of the wall over the cell puts into it, (slope cell)^2 /
    12, is taken off. Centre and width are those of the wall's own cells, so that what all of them have does not count.
    """
    both = inside.both
    freedom = np.maximum((both.n - 1) * inside.share, 0.0)
    # where strays opened the gate for others, what scatters is not the wall
    known = relief.valid & (both.n >= _FEWEST) & (freedom >= _FEWEST - 1)
    if inside.widened.any():
        outside = inside.beyond[0] + inside.beyond[1] - inside.beyond[4]
        known &= ~(inside.widened & (Sums.block_sum(outside, inside.parts) > 0))
    if not known.any():
        return np.zeros(known.shape)
    squares = (both.zz - both.z**2 / np.maximum(both.n, 1)) / np.maximum(both.n - 1, 1)
    part = (2 / (9 * np.maximum(freedom, 1))).astype(np.float32)
    ratio = np.maximum((squares - (slope * relief.cell) ** 2 / 12) / inside.scatter**2, 0).astype(np.float32)
    deviate = (np.cbrt(ratio) - (1 - part)) / np.sqrt(part)
    some = deviate[::_EVERY, ::_EVERY][known[::_EVERY, ::_EVERY]] if known.sum() >= 9 * _MANY else deviate[known]
    middle = float(np.median(some))
    width = max(1.0, 1.4826 * float(np.median(np.abs(some - middle))))
    if some.size >= _MANY:
        # heavier tails than normal widen the upper end first
        ends = (np.quantile(some, [0.99, 0.999]) - middle) / -ndtri([0.01, 0.001])
        width = max(width, float(ends.max()))
    return np.where(known, (deviate - middle) / width, 0.0)


def _in_numbers(relief: Grid, inside: InCells, false_alarm: float) -> Mask:
    """Quarters of cells in blocks where more points of one side lie over three spreads off than do by chance.

    Strays are as many as all over the wall, or as around the block where that is more (Poisson, Bonferroni).
    """
    valid = _at_quarters(relief.valid, inside)
    hollow, proud, _, _, kept, _ = inside.beyond
    n = np.where(valid, inside.quarters.n.astype(np.float32) - kept + hollow + proud, 0)
    found = np.zeros(n.shape, bool)
    least = false_alarm / (4 * len(_BLOCKS) * max(int(valid.sum()), 1))
    total = max(float(n.sum()), 1.0)
    usual = total / max(int(np.count_nonzero(n)), 1)
    for side in range(4):
        strays: Array = np.where(valid, inside.beyond[side], 0.0)
        number = float(strays.sum())
        for block in _BLOCKS if number >= 2 else ():
            sums = _block(strays, block)
            # no block of few points has fewer than it takes in one of a third of the usual number
            rate = max((number - float(sums.max())) / total, _RAREST)
            over = sums * inside.share > _least_number(rate * usual * block**2 / 3 * inside.share, least) - 0.5
            if over.any():
                found |= _gathered_in(strays, n, block, inside.share, least, over)
    return found & valid


def _chance(count: Array, mean: Array) -> Array:
    """Chance of so many or more where so many are the mean (Poisson)."""
    return np.asarray(gammainc(np.maximum(np.floor(count + 1e-6), 1.0), np.maximum(mean, 1e-12)))


def _least_number(mean: float, least: float) -> int:
    """The fewest that come together with a chance under ``least`` where ``mean`` are usual; two at least."""
    numbers = np.arange(2.0, 200.0)
    return 2 + int(np.argmax(_chance(numbers, np.full(numbers.shape, mean)) < least))


def _gathered_in(strays: Array, n: Array, block: int, share: float, least: float, some: Mask) -> Mask:
    """Cells (rows, cols) of those of ``some`` blocks that hold more strays than chance brings together."""
    row, col = np.nonzero(some)
    number = _block(n, block)[row, col]
    # what a block holds itself says nothing of what is usual
    others = (float(strays.sum()) - _block(strays, block)[row, col]) / max(float(n.sum()), 1.0)
    rate, held = np.maximum(others, _RAREST) * _gathered(strays, n), np.rint(_block(strays, block)[row, col]) * share
    marked = np.zeros(n.shape, bool)
    over = _chance(held, rate * number * share) < least
    if not over.any():
        return marked
    around = np.maximum(rate, _rates_around(strays, n, block, row, col))
    over = _chance(held, around * number * share) < least
    marked[row[over], col[over]] = True
    return spread_over(marked, block)


def _gathered(strays: Array, n: Array) -> float:
    """How much more strays gather than chance lets them, all over the wall; 1 where too few tell.

    Pairs in blocks rise with the square of the rate, and more where it is not the same in all cells.
    """
    pairs = Sums.block_sum(strays, 2)
    mean = Sums.block_sum(n, 2) * float(strays.sum() / max(n.sum(), 1.0))
    seen, expected = float((pairs > 1.5).sum()), float((1 - np.exp(-mean) * (1 + mean)).sum())
    return float(np.sqrt(seen / expected)) if seen > _PAIRS and seen > expected else 1.0


def _block(values: Array, block: int) -> Array:
    if block == 1:
        return values
    if block not in _BLOCKS:
        around: Array = ndimage.uniform_filter(values, block, mode="constant") * block**2
        return around
    sums, step = np.pad(values, (block // 2, block - block // 2 - 1)), 1
    while step < block:
        sums = sums[:-step] + sums[step:]
        sums = sums[:, :-step] + sums[:, step:]
        step *= 2
    return sums


def _rates_around(strays: Array, n: Array, block: int, row: Counts, col: Counts) -> Array:
    """Share of strays (k,) in the cells around blocks, the blocks themselves and their neighbours left out."""
    wide, near = _AROUND, block + 4
    outer = _block(strays, wide) - _block(strays, near)
    number = _block(n, wide) - _block(n, near)
    return np.asarray(outer[row, col] / np.maximum(number[row, col], 1.0))


def middling(relief: Grid, size: int) -> Array:
    """Medians of so many cells each way (rows, cols) [m]; those not measured stand at the wall's median."""
    filled = np.where(relief.valid, relief.offset, np.median(relief.offset[relief.valid]))
    medians: Array = ndimage.median_filter(filled, size, mode="nearest")
    return medians


def with_narrow(relief: Grid, cloud: Cloud, wall: Wall, coarse: Array, reach: float, inside: InCells) -> Grid:
    """The relief with what is narrow on it: looked at in finer cells where the points allow.

    ``coarse`` (rows, cols) [m] is the surface points count near, within ``reach`` [m].
    """
    from flatscan.relief.finer import heights_in

    if relief.valid.sum() < 9 or relief.cell > _COARSEST:
        return relief
    in_all, in_some = narrow_places(relief, inside)
    if window_looked_over(relief) == _LEAST_WINDOW:
        relief = replace(relief, looked_over=_LEAST_WINDOW)
    away = ~_beside_gaps(relief)
    in_all, in_some = in_all & away, in_some & away
    found = in_all | in_some
    if not found.any():
        return relief
    # a surface that a ridge a few cells wide does not lift
    surface = middling(relief, min(_GROUND, max(5, 2 * int(_GROUND_WIDTH / relief.cell / 2) + 1)))
    value, u, together, alone = heights_in(relief, cloud, wall, coarse, reach, found, surface, inside)
    # points that stand off each by itself are strays, and so is a cell that no more of them moved than come together
    places, number = relief.connected(found)
    few = np.bincount(places.ravel(), minlength=number + 1)[places] <= _OF_STRAYS
    suspect = _lone(relief, inside)
    lone = suspect & (alone > _NO_CHANCE)
    usual = ~np.isin(places, np.unique(places[found & (in_some | lone)]))
    moved = np.isin(places, np.unique(places[found & ((alone > 0) | together)])) & few & usual
    told = (in_all & ~suspect) | lone | together | np.isfinite(value)
    found &= ~moved & np.isin(places, np.unique(places[found & told]))
    if not found.any():
        return relief
    rise, doubt = value - relief.offset, np.hypot(u, relief.u_floor)
    # what the cell's own mean shows as well needs no other height
    same = np.abs(rise) <= _CLEARLY * np.hypot(u, relief.u)
    narrow = Narrow(found, np.where(same, 0.0, rise), np.where(same, np.maximum(doubt, relief.u), doubt))
    return replace(relief, narrow=narrow)


def _beside_gaps(relief: Grid) -> Mask:
    """Cells (rows, cols) beside openings and larger places not measured, where a scanner's beam is split."""
    gone = ndimage.binary_opening(~relief.valid, np.ones((3, 3))) | ~relief.inside
    if relief.why is not None:
        # strips are as wide as the scan smears there
        gone &= (relief.why != Why.STRIP) & (relief.why != Why.SKIRTING)
    reach = max(1, math.ceil(_SPLIT / relief.cell - 1e-9))
    near: Mask = ndimage.binary_dilation(gone, np.ones((3, 3)), iterations=reach)
    return near
