"""What stands at one place of a straightedge: its contacts, the gap between them, and how sure that is."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array
from flatscan.straightedge.gaps import Direction, Gap, Lattice, Laying, Triple
from flatscan.straightedge.uncertainty import random_u


def line_values(
    grid: Lattice, values: Array, turn: Direction, v: int, first: int, n: int
) -> tuple[Array, NDArray, NDArray]:
    """Bilinear samples (n,) of one map along a line, the states and the nearest cells."""
    from flatscan.straightedge import hulls_kernel as kernel

    line, base = np.empty(n), np.empty(n)
    state, cell = np.empty(n, np.int8), np.empty(n, np.int64)
    kernel.sample_line(values, values, grid.state, turn.cos, turn.sin, float(v), first, n, line, base, state, cell)
    return line, state, cell


def supports(grid: Lattice, values: Array, triple: Triple) -> Array:
    """The map's value (3,) at the left contact, the place of the gap and the right contact."""
    line, _, _ = line_values(grid, values, triple.direction, triple.v, triple.left, triple.right - triple.left + 1)
    return line[[0, triple.at - triple.left, -1]]


def find_triple(grid: Lattice, values: Array, turn: Direction, flat: int) -> Triple | None:
    """The contacts behind the deepest gap that straightedges in one direction find at a cell; None if none does."""
    from flatscan.straightedge import hulls_kernel as kernel
    from flatscan.straightedge.runs_kernel import holds_rule, next_run

    rows, cols = values.shape
    row, col = divmod(flat, cols)
    across, along = round(row * turn.cos - col * turn.sin), round(col * turn.cos + row * turn.sin)
    best, found = -math.inf, None
    for v in (across - 1, across, across + 1):
        first, last = kernel.line_limits(rows, cols, turn.cos, turn.sin, float(v))
        if last - first < 2:
            continue
        line, state, cell = line_values(grid, values, turn, v, first, last - first + 1)
        for at in range(max(along - 1 - first, 0), min(along + 2 - first, line.size)):
            if cell[at] != flat or not np.isfinite(line[at]):
                continue
            start, stop = next_run(state, 0, grid.bridge)
            while not start <= at < stop and start < line.size:
                start, stop = next_run(state, stop, grid.bridge)
            if grid.whole and not holds_rule(state, start, stop, grid.full, grid.bridge):
                continue
            run = line[start:stop]
            left, right, gap = kernel.best_pair(run, run, at - start, min(grid.w, run.size))
            if left >= 0 and gap > best:
                best = gap
                found = Triple(turn, v, left + start + first, at + first, right + start + first)
    return found


def value_of(triple: Triple, at: Array) -> float:
    """l z_a + (1 - l) z_b - z_c from the three supports (3,)."""
    part = (triple.right - triple.at) / (triple.right - triple.left)
    return float(part * at[0] + (1 - part) * at[2] - at[1])


def parts_of(work: Laying, triple: Triple) -> tuple[float | None, float]:
    """Random and common standard uncertainty of the gap at a triple; the random one None if a support's u is."""
    lags = (triple.at - triple.left, triple.right - triple.at)
    places = (np.array(work.grid.point(triple, step)) for step in (triple.left, triple.at, triple.right))
    common = float(work.relief.common.u_gap_at(*places))
    u2 = supports(work.grid, np.where(work.relief.valid, work.relief.u, np.nan) ** 2, triple)
    if not np.isfinite(u2).all():
        return None, common
    turn = triple.direction
    return random_u(np.sqrt(u2), lags, work.relief.window, turn.cos, turn.sin), common


def gap_of(work: Laying, triple: Triple, value: float) -> Gap:
    """The gap at a triple with its uncertainty."""
    random, common = parts_of(work, triple)
    left, at, right = (work.grid.point(triple, step) for step in (triple.left, triple.at, triple.right))
    whole = None if random is None else math.hypot(random, common)
    return Gap(value, whole, at, left, right, triple.direction.degrees, random, common)
