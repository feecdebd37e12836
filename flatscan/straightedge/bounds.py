"""Bounds on the largest gap: one it does not pass, and one it passes, at the confidence asked for.

See methods/decision 3 and 4.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import ndimage
from scipy.special import ndtri

from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share
from flatscan.core.reliefs import Grid, Why
from flatscan.straightedge.gaps import (
    Direction,
    Gap,
    Lattice,
    Laying,
    Lines,
    Triple,
    all_lines,
    end_triple,
    find_triple,
    in_order,
    lattice,
    lay,
    lines_through,
    parts_of,
    supports,
    value_of,
)
from flatscan.straightedge.uncertainty import (
    common_factor,
    common_top,
    confidence_of,
    half_factor,
    variance_bound,
)

# the two halves' difference is known to a few per cent: less than this of shared error is not told from none
LEAST_SHARED = 0.1
# a wall in more pieces than these, or in scraps of less than this share, is not called outside by the rest of them
MOST_SURFACES, SCRAP = 4, 0.01


def upper_bound(work: Laying, judged: Gap | None, deepest: Array) -> float | None:
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
    relief, valid = work.relief, work.relief.valid
    if judged is None or not np.isfinite(relief.u[valid]).all():
        return None
    least_u = float(relief.u[valid].min())
    factor, products, extra = variance_bound(relief.common, relief.window, work.grid.w, relief.x, relief.y, least_u)
    u2 = np.where(valid, relief.u, np.nan) ** 2 * factor
    placed = not relief.common.stationary
    # any s0 gives a bound; the one where the largest gap stands gives a close one
    typical = max(float(np.median(extra[valid])), (judged.u_common or 0.0) ** 2) if placed else float(extra.max())
    s0 = typical + 2 * float(np.median(u2[valid]))
    if s0 == 0:
        return judged.value
    slope = 1 / (2 * math.sqrt(s0))
    alpha, beta = _root_line(np.full(1, typical) if placed else extra, products, s0, 2 * float(u2[valid].max()))
    spread = slope * u2 + (slope * (extra - typical) if placed else 0.0)
    if np.ptp(spread[valid]) * work.k < 1e-9 and beta == 0:
        return judged.value + work.k * (alpha + 2 * slope * float(np.median(u2[valid])))
    # samples between cells are linear, so at the place of the gap a parabola stands up to this much too high
    beyond = beta * work.grid.cell**2 / 4
    across, upward = np.meshgrid(relief.x - relief.x.mean(), relief.y - relief.y.mean())
    bow = work.k * beta * (across**2 + upward**2)
    raised, lowered = work.k * slope * u2, work.k * spread
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
    return max(in_order(jobs, work.workers)) + work.k * (alpha + beyond)


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
    known = judged.value + work.k * (judged.u or 0.0)
    u2 = np.where(np.isfinite(u2), u2, 0.0)
    # a sample between cells has their u, and contacts lie within the rule
    here, reached = (ndimage.maximum_filter(u2, size, mode="constant") for size in (3, 2 * work.grid.w + 1))
    most = deepest + work.k * np.sqrt(here + reached + extra)
    row, col = np.nonzero(most >= known - 1e-9)
    return row, col


def _highest(grid: Lattice, h: Array, base: Array, turn: Direction, lines: Lines | None = None) -> float:
    """Largest value one pass finds: over the cells on some lines, or without them over all windows' ends."""
    deepest, best, _ = lay(grid, h, base, turn, edges=lines is not None, ends=lines is None, lines=lines)
    if lines is None:
        return float(best[0])
    return float(np.nanmax(deepest)) if np.isfinite(deepest).any() else -math.inf


def lower_bound(
    layings: Sequence[tuple[Laying, float, Gap | None]], *, whole: bool = True
) -> tuple[float | None, tuple[Note, ...]]:
    """Selection-corrected lower bound [m] of the largest gap over its limit, and why there is none.

    ``layings`` are straightedges of several lengths on one relief, each with its limit [m] (0 for the gap itself) and
    the largest gap found with it. All of them are one choice: the triple that stands out most on one random half of
    the points is read on the other (methods/decision 4). A straightedge counts only with both contacts on one connected
    surface, and with ``whole`` only where its whole length, or all the wall has room for, is measured.
    """
    relief, k = layings[0][0].relief, layings[0][0].k
    known = [(work, limit, gap) for work, limit, gap in layings if gap is not None and gap.u_random is not None]
    if not known:
        return None, ()
    longest = max(work.rule for work, _, _ in known)
    factor = common_factor(relief.common, relief.x, relief.y, longest, k)
    top = common_top(relief.common, relief.x, relief.y, longest)
    many = sum(float(relief.valid.sum()) * len(work.turns) * work.grid.w**2 / 2 for work, _, _ in known)
    # every triple that could have been chosen counts (Bonferroni): valid for any correlation, and wide
    cautious = float(-ndtri((1 - confidence_of(k)) / max(many, 1)))
    alone = relief.half_a is None or relief.half_b is None
    halves = [relief.offset if half is None or alone else half for half in (relief.half_a, relief.half_b)]
    both = relief.valid & np.isfinite(halves[0]) & np.isfinite(halves[1])
    if not both.any():
        return None, (note("straightedge.halves-apart"),)
    apart, shared = halves_apart(relief)
    random = cautious if alone else math.hypot(half_factor(k) * math.sqrt(2 * apart), cautious * math.sqrt(shared))
    tested: list[float | None] = []
    some = [_Surface.of(part, halves) for part in surfaces(relief, both)]
    for one, other in ((0, 1),) if alone else ((0, 1), (1, 0)):
        found = [(work, limit, surface) for surface in some for work, limit, _ in known]
        tested.append(_tested(found, (one, other), random, (factor, top), whole=whole))
    notes = (note("straightedge.halves-share", share=share(shared)),) if shared and not alone else ()
    return max((bound for bound in tested if bound is not None), default=None), notes


@dataclass(frozen=True, slots=True, eq=False)
class _Surface:
    """The cells (rows, cols) of one connected surface, and the values of two halves there [m], NaN elsewhere."""

    cells: Mask
    halves: tuple[Array, Array]

    @classmethod
    def of(cls, cells: Mask, halves: Sequence[Array]) -> _Surface:
        one, other = (np.ascontiguousarray(np.where(cells, half, np.nan)) for half in halves)
        return cls(cells, (one, other))


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


def _tested(
    some: Sequence[tuple[Laying, float, _Surface]],
    which: tuple[int, int],
    random_k: float,
    warp: tuple[float, float],
    *,
    whole: bool,
) -> float | None:
    """The triple that stands out most on one half, read on the other half, less its margin and limit."""
    best: tuple[float, float] | None = None
    for work, limit, surface in some:
        grid = lattice(work.relief, work.rule, surface.cells, whole=whole)
        chosen, tested = (surface.halves[half] for half in which)
        for sign, triple in _candidates(work, grid, chosen):
            random, common = parts_of(work, triple)
            if random is None:
                continue
            margin = math.hypot(random_k * random, warp[0] * math.sqrt(common * warp[1])) + limit
            score = sign * value_of(triple, supports(grid, chosen, triple)) - margin
            if best is None or score > best[0]:
                best = score, sign * value_of(triple, supports(grid, tested, triple)) - margin
    return None if best is None else best[1]


def _candidates(work: Laying, grid: Lattice, z: Array) -> list[tuple[int, Triple]]:
    """The largest gap of each direction on one half, with the sign that makes it positive."""
    if work.method == "resting":
        # lines much closer together than the smoothing is wide show the same humps
        apart = max(1, 2 * work.relief.window // 3)
        jobs = [partial(_deepest_triple, grid, z, apart, turn) for turn in work.turns]
        return [(1, triple) for triple in in_order(jobs, work.workers) if triple]
    chosen: list[tuple[int, Triple]] = []
    for sign in work.signs:
        some = [partial(lay, grid, sign * z, sign * z, turn, edges=False, ends=True) for turn in work.turns]
        ends = (end_triple(turn, got[1]) for turn, got in zip(work.turns, in_order(some, work.workers), strict=True))
        chosen += [(-sign, triple) for triple in ends if triple]
    return chosen


def _deepest_triple(grid: Lattice, z: Array, apart: int, turn: Direction) -> Triple | None:
    """The largest gap of one direction: first on lines so many cells ``apart``, then on all around the largest."""
    lines = all_lines(grid, turn)
    deepest, _, _ = lay(grid, z, z, turn, lines=lines[apart // 2 :: apart])
    if not np.isfinite(deepest).any():
        return None
    if apart > 1:
        row, col = np.unravel_index([int(np.nanargmax(deepest))], deepest.shape)
        middle = int(lines_through(turn, row, col)[1])
        around = np.arange(middle - apart, middle + apart + 1)
        deepest, _, _ = lay(grid, z, z, turn, lines=around)
    return find_triple(grid, z, turn, int(np.nanargmax(deepest)))
