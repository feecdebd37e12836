"""Bounds on the largest gap: one it does not pass, and one it passes, at the confidence asked for.

See methods/decision 3 and 4.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from scipy import ndimage
from scipy.special import ndtri

from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.notes import Note, note
from flatscan.core.quantity import COVER, share
from flatscan.core.reliefs import Grid, Why
from flatscan.core.resolution import KEPT
from flatscan.straightedge.gaps import (
    Direction,
    Gap,
    Lattice,
    Laying,
    Lines,
    Triple,
    end_triple,
    in_order,
    lattice,
    lay,
    lines_through,
)
from flatscan.straightedge.largest import COARSE, NEAR, Added, Interval, Reach, growth
from flatscan.straightedge.triples import find_triple, parts_of, supports, value_of
from flatscan.straightedge.uncertainty import confidence_of, half_factor, variance_bound

# cells and smoothing take up to 5 % off a feature that is just wide enough to be seen (core/resolution.py), and off a
# wider one less by the square of its width
LOST = 1 - KEPT
# the two halves' difference is known to a few per cent: less than this of shared error is not told from none
LEAST_SHARED = 0.1
# Student's t of 4 degrees of freedom, 97.5 % (tables): about what 12 to 20 readings leave of an error whose size,
# length and roughness they tell as well [setting; tried in methods/tie 11]
TIED_T = 2.776
# halves so many u off their mean: of normal noise one cell in 80 has that by chance [setting]
WILD = 2.5
# a wall in more pieces than these, or in scraps of less than this share, is not called outside by the rest of them
MOST_SURFACES, SCRAP = 4, 0.01


def interval(reach: Reach | None, deepest: Array, *, bounded: bool = True) -> Interval:
    """The interval of the largest gap found; without ``bounded`` its lower end is left out (methods/decision 3, 4)."""
    if reach is None:
        return Interval(None, None, None)
    relief, found = reach.work.relief, reach.gap
    if found.u is None or not np.isfinite(relief.u[relief.valid]).all():
        return Interval(abs(found.value), None, None)
    halves = halves_apart(relief)
    added = growth([reach], halves[0])
    bias = float(min(added.taken, abs(found.value)))
    gap = float(abs(found.value) - bias)
    high = float(max(upper_bound(reach, deepest) - added.taken, gap) + taken_off(relief, gap))
    low = lower_bound([reach], added, halves) if bounded else None
    low = None if low is None else low - less_told(relief, found)
    gap, high, bias = float(gap), float(high), float(bias)
    return Interval(
        gap, None if low is None else min(max(float(low), 0.0), gap), high, bias, shared_notes(relief, halves)
    )


def less_told(relief: Grid, found: Gap) -> float:
    """What the lower end of a tied scan's largest gap does without besides [m].

    How large and how rough its error is few readings told: its share of the gap has the tails of a t, not of a normal.
    """
    return (TIED_T - COVER) * (found.u_common or 0.0) if relief.common.tied else 0.0


def taken_off(relief: Grid, gap: float) -> float:
    """What cells and smoothing may have taken off a gap [m]."""
    return LOST * min(relief.smallest_feature / COARSE, 1.0) ** 2 * gap


def shared_notes(relief: Grid, halves: tuple[float, float]) -> tuple[Note, ...]:
    """What is to be said of an error that both halves share."""
    alone = relief.half_a is None or relief.half_b is None
    return (note("straightedge.halves-share", share=share(halves[1])),) if halves[1] and not alone else ()


def upper_bound(reach: Reach, deepest: Array) -> float:
    """The largest of gap + k u over all positions, or a little over it (methods/decision 3).

    ``deepest`` (rows, cols) is the deepest resting gap at each cell: where that is far from the largest, no bound need
    be looked for.

    The bound must hold for every triple, not only for the worst of each position. u^2 <= r + d with
    r = l s_a + (1 - l) s_b + s_c, s of the cells, and d of the arms p, q or of the place (`variance_bound`). A root is
    concave, so sqrt(r + d) <= c r + phi(d) (`_root_line`); and phi(d) <= alpha + beta p q, where p q / 2 is what a
    parabola puts under a straightedge. So k u separates into a part of the contacts, which lifts the profile the
    straightedge rests on, a part of the place, which lowers the profile the gap is read to, and a bow of the whole
    wall: one more exact sweep.
    """
    work, judged = reach.work, reach.gap
    relief, valid, k = work.relief, work.relief.valid, work.k
    least_u = float(relief.u[valid].min())
    factor, products, extra = variance_bound(relief.common, relief.window, work.grid.w, relief.x, relief.y, least_u)
    u2 = np.where(valid, relief.u, np.nan) ** 2 * factor
    placed = not relief.common.stationary
    # any s0 gives a bound; the one where the largest gap stands gives a close one
    typical = max(float(np.median(extra[valid])), (judged.u_common or 0.0) ** 2) if placed else float(extra.max())
    s0 = typical + 2 * float(np.median(u2[valid]))
    if s0 == 0:
        return abs(judged.value)
    slope = 1 / (2 * math.sqrt(s0))
    alpha, beta = _root_line(np.full(1, typical) if placed else extra, products, s0, 2 * float(u2[valid].max()))
    spread = slope * u2 + (slope * (extra - typical) if placed else 0.0)
    known = max(abs(gap.value) + k * (gap.u or 0.0) for gap in (judged, *reach.places))
    if np.ptp(spread[valid]) * k < 1e-9 and beta == 0:
        # cells of one u and one common u: the largest gap has the largest bound, but for short arms
        return known
    # samples between cells are linear, so at the place of the gap a parabola stands up to this much too high
    beyond = beta * work.grid.cell**2 / 4
    across, upward = np.meshgrid(relief.x - relief.x.mean(), relief.y - relief.y.mean())
    bow = k * beta * (across**2 + upward**2)
    raised, lowered = k * slope * u2, k * spread
    jobs: list[Callable[[], float]]
    if work.method == "resting":
        high, low = work.z + raised + bow, work.z - lowered + bow
        row, col = _may_be_highest(work, judged, deepest, u2, float(extra.max()))
        jobs = [partial(_highest, work.grid, high, low, turn, lines_through(turn, row, col)) for turn in work.turns]
    else:
        jobs = [
            partial(_highest, work.grid, sign * work.z + lowered - bow, sign * work.z - raised - bow, turn)
            for sign in work.signs
            for turn in work.turns
        ]
    whole = max(in_order(jobs, work.workers)) + k * (alpha + beyond)
    return max(whole - _slack(reach, k, spread, slope * u2, alpha, beta), known)


def _slack(reach: Reach, k: float, spread: Array, raised: Array, alpha: float, beta: float) -> float:
    """How much more than gap + k u the bound says where the largest gap stands [m], for which u is known exactly."""
    work, gap = reach.work, reach.gap
    near, far = math.dist(gap.left, gap.at), math.dist(gap.at, gap.right)
    share = far / max(near + far, 1e-12)
    at = [_cell_at(work, place) for place in (gap.left, gap.at, gap.right)]
    bound = alpha + share * raised[at[0]] + (1 - share) * raised[at[2]] + spread[at[1]] + beta * near * far
    return max(float(k * (bound - (gap.u or 0.0))), 0.0)


def _cell_at(work: Laying, place: tuple[float, float]) -> tuple[int, int]:
    """Row and column of the cell nearest to a place."""
    x, y = work.relief.x, work.relief.y
    return int(np.argmin(np.abs(y - place[1]))), int(np.argmin(np.abs(x - place[0])))


def _root_line(extra: Array, products: Array, s0: float, most: float) -> tuple[float, float]:
    """alpha [m] and beta [1/m] with sqrt(r + d) <= r / (2 sqrt(s0)) + alpha + beta p q for all r up to ``most`` [m2].

    ``extra`` (n,) are the d [m2] of arms whose product p q is ``products`` (n,) [m2]. beta is the steepest slope that
    leaves the line at the largest d where it is, so that the bound there stays as close as without it.
    """
    slope = 1 / (2 * math.sqrt(s0))
    # r - s0 + d -> sqrt(r + d) - slope r is largest at r + d = s0, or at the largest r there is
    phi = np.sqrt(np.minimum(s0, most + extra)) - slope * np.minimum(s0 - extra, most)
    top = int(np.argmax(phi))
    shorter = products < products[top] * (1 - 1e-9)
    slopes = (phi[top] - phi[shorter]) / (products[top] - products[shorter])
    beta = max(float(slopes.min()), 0.0) if slopes.size else 0.0
    return float((phi - beta * products).max()), beta


def _may_be_highest(work: Laying, judged: Gap, deepest: Array, u2: Array, extra: float) -> tuple[Lines, Lines]:
    """Rows and columns (n,) of the cells whose deepest gap + k u can be the largest of all: no less than one known."""
    k = work.k
    known = judged.value + k * (judged.u or 0.0)
    u2 = np.where(np.isfinite(u2), u2, 0.0)
    # a sample between cells has their u, and contacts lie within the rule
    here, reached = (ndimage.maximum_filter(u2, size, mode="constant") for size in (3, 2 * work.grid.w + 1))
    most = deepest + k * np.sqrt(here + reached + extra)
    row, col = np.nonzero(most >= known - 1e-9)
    return row, col


def _highest(grid: Lattice, h: Array, base: Array, turn: Direction, lines: Lines | None = None) -> float:
    """Largest value one pass finds: over the cells on some lines, or without them over all windows' ends."""
    deepest, best, *_ = lay(grid, h, base, turn, edges=lines is not None, ends=lines is None, lines=lines)
    if lines is None:
        return float(best[0])
    return float(np.nanmax(deepest)) if np.isfinite(deepest).any() else -math.inf


def lower_bound(
    reaches: Sequence[Reach], added: Added, halves: tuple[float, float], *, whole: bool = True
) -> float | None:
    """Lower bound [m] of the largest gap over its limit; None where no straightedge has room for it.

    ``reaches`` are straightedges of several lengths on one relief, each with its limit (0 for the gap itself); all of
    them are one choice. From the gap that stands out most over k u is taken what noise adds to the largest of as many
    equals as the data leave open (methods/decision 4). ``halves`` are the shares of the cells'
    variance that the halves do not share and that they do. A straightedge counts only with both contacts on one
    connected surface, and with ``whole`` only where its whole length, or all the wall has room for, is measured.
    """
    relief = reaches[0].work.relief
    factors = _factors(reaches, halves)
    u = max(reach.gap.u_random or 0.0 for reach in reaches)
    least = max(reach.over for reach in reaches) - NEAR * u
    parts = surfaces(relief, tame(relief))
    found = _standing_out(reaches, parts, factors, [reach.near(least, 1) for reach in reaches], whole=whole)
    if found is None or found[1] < least:
        # the largest lies where no whole straightedge has room, or on two surfaces: the others are looked at
        apart = max(1, 2 * relief.window // 3)
        every = [tuple(lines[apart // 2 :: apart] for lines in reach.lines) for reach in reaches]
        found = _standing_out(reaches, parts, factors, every, whole=whole)
    if found is None:
        return None
    largest = max(reach.over + reach.limit for reach in reaches)
    margin = reaches[0].work.k * max(reach.gap.u or 0.0 for reach in reaches)
    if largest < added.of_flat + margin:
        # a flat wall shows as much: nothing but 0 is ruled out
        return -min(reach.limit for reach in reaches)
    return float(found[0] - added.at_most)


def _factors(reaches: Sequence[Reach], halves: tuple[float, float]) -> tuple[float, float]:
    """Coverage factors of the random and the common part of u.

    An error that both halves share, or all of it without halves, may hang together in any way: every triple that could
    have been chosen counts (Bonferroni), which is valid for any correlation, and wide.
    """
    relief, k = reaches[0].work.relief, half_factor(reaches[0].work.k)
    many = sum(float(relief.valid.sum()) * len(one.work.turns) * one.work.grid.w**2 / 2 for one in reaches)
    cautious = float(-ndtri((1 - confidence_of(k)) / max(many, 1)))
    if relief.half_a is None or relief.half_b is None:
        return cautious, k
    apart, shared = halves
    return (math.hypot(k * math.sqrt(apart), cautious * math.sqrt(shared)) if shared else k), k


def _standing_out(
    reaches: Sequence[Reach],
    parts: Sequence[Mask],
    factors: tuple[float, float],
    lines: Sequence[tuple[Lines, ...]],
    *,
    whole: bool,
) -> tuple[float, float] | None:
    """The largest value less its margin and limit [m] on some lines, and the largest value over its limit."""
    best: tuple[float, float] | None = None
    for cells in parts:
        for reach, some in zip(reaches, lines, strict=True):
            work = reach.work
            grid = lattice(work.relief, work.rule, cells, whole=whole)
            z = np.ascontiguousarray(np.where(cells, work.z, np.nan))
            for sign, triple in _candidates(work, grid, z, some):
                random, common = parts_of(work, triple)
                if random is None:
                    continue
                value = sign * value_of(triple, supports(grid, z, triple)) - reach.limit
                score = value - math.hypot(factors[0] * random, factors[1] * common)
                best = (score, value) if best is None else (max(best[0], score), max(best[1], value))
    return best


def tame(relief: Grid) -> Mask:
    """Measured cells (rows, cols) whose two halves are no further apart than normal noise of their u has them.

    A cell that a few wild points threw off shows so in its halves, since the wild ones are in one of them. What halves
    differ by is independent of their mean, so to leave such cells out does not choose among the others.
    """
    return relief.valid if relief.noise is None else relief.valid & ~(np.abs(relief.noise) > WILD * relief.u)


def surfaces(relief: Grid, cells: Mask) -> list[Mask]:
    """The connected surfaces that chosen cells (rows, cols) form, the largest first, small scraps left out.

    Cells that touch, also at a corner or over one or two missing ones, are one surface; an object parts them.
    """
    reached = ndimage.binary_dilation(cells, np.ones((3, 3)))
    reached &= relief.inside if relief.why is None else relief.inside & (relief.why != Why.OBJECT)
    labels, number = ndimage.label(reached, np.ones((3, 3)))
    if number <= 1:
        return [cells]
    size = np.bincount(labels[cells], minlength=number + 1)
    largest = [int(one) for one in np.argsort(-size, kind="stable")[:MOST_SURFACES] if size[one] > SCRAP * cells.sum()]
    return [cells & (labels == one) for one in largest]


def halves_apart(relief: Grid) -> tuple[float, float]:
    """Shares of the cells' variance that the two halves do not share and that they do.

    Halves of independent points differ by 4 u^2; fused or meshed points, or a coarse step of the file, by less. What
    is missing is an error both halves have, so neither can test a place the other chose.
    """
    if relief.half_a is None or relief.half_b is None:
        return 1.0, 0.0
    both = relief.valid & np.isfinite(relief.half_a) & np.isfinite(relief.half_b) & (relief.u > 0)
    if not both.any():
        return 1.0, 0.0
    apart = robust_scale((relief.half_a[both] - relief.half_b[both]) / relief.u[both]) ** 2 / 4
    shared = 1 - apart
    return (apart, shared) if shared > LEAST_SHARED else (max(apart, 1.0), 0.0)


def _candidates(work: Laying, grid: Lattice, z: Array, lines: Sequence[Lines]) -> list[tuple[int, Triple]]:
    """The largest gap of each direction on its ``lines``, with the sign that makes it positive."""
    some = [(turn, one) for turn, one in zip(work.turns, lines, strict=True) if len(one)]
    if work.method == "resting":
        jobs = [partial(_deepest_triple, grid, z, turn, one) for turn, one in some]
        return [(1, triple) for triple in in_order(jobs, work.workers) if triple]
    chosen: list[tuple[int, Triple]] = []
    for sign in work.signs:
        passes = [partial(lay, grid, sign * z, sign * z, turn, edges=False, ends=True, lines=one) for turn, one in some]
        ends = (end_triple(turn, got[1]) for (turn, _), got in zip(some, in_order(passes, work.workers), strict=True))
        chosen += [(-sign, triple) for triple in ends if triple]
    return chosen


def _deepest_triple(grid: Lattice, z: Array, turn: Direction, lines: Lines) -> Triple | None:
    """The largest gap of one direction on some lines."""
    deepest, *_ = lay(grid, z, z, turn, lines=lines)
    return find_triple(grid, z, turn, int(np.nanargmax(deepest))) if np.isfinite(deepest).any() else None
