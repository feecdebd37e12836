"""Unbroken runs of a line over a wall, compiled: where a straightedge can be laid, how much wall is under it.

A line's samples stand one cell apart, so each stands for a cell's area.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from flatscan.core.kernels import compiled

Indices = NDArray[np.int64]
States = NDArray[np.int8]
# on a margin (a strip along a corner, a collar) nothing can be measured; what is blocked no straightedge reaches over
OUTSIDE, MISSING, MEASURED, BLOCKED, MARGIN = 0, 1, 2, 3, 4
# slots of the counts a pass returns
LAID, COVERED, POSITIONS, SHORTENED, BOXED, JUDGED, UNDER = range(7)


@compiled
def next_run(state: States, start: int, bridge: int) -> tuple[int, int]:
    """Next unbroken run [first, stop) from ``start``: measured at both ends, at most ``bridge`` missing in a row.

    The wall's edge, an opening and an object end it.
    """
    n = state.size
    first = start
    while first < n and state[first] != MEASURED:
        first += 1
    if first >= n:
        return n, n
    last, x = first, first + 1
    while x < n and x - last <= bridge + 1 and state[x] != OUTSIDE and state[x] != BLOCKED:
        if state[x] == MEASURED:
            last = x
        x += 1
    return first, last + 1


@compiled
def next_stretch(state: States, start: int) -> tuple[int, int]:
    """Next stretch [first, stop) of the wall from ``start``, measured or not, from one edge or opening to the next."""
    n = state.size
    first = start
    while first < n and state[first] == OUTSIDE:
        first += 1
    stop = first
    while stop < n and state[stop] != OUTSIDE:
        stop += 1
    return first, stop


@compiled
def least_run(state: States, first: int, stop: int, full: int, bridge: int) -> int:
    """Samples a run on the stretch [first, stop) needs to hold the whole straightedge, or what the wall has room for.

    Where the stretch is shorter than ``full`` the straightedge is too: from margin to margin, with as much missing at
    both ends as it reaches over.
    """
    if stop - first <= 0:
        return full
    ends = np.empty(2, np.int64)
    for side in range(2):
        at, step = (first, 1) if side == 0 else (stop - 1, -1)
        while first <= at < stop and state[at] == MARGIN:
            at += step
        missing = 0
        while first <= at < stop and state[at] == MISSING and missing < bridge:
            at += step
            missing += 1
        ends[side] = at
    return max(3, min(full, ends[1] - ends[0] + 1))


@compiled
def count_windows(state: States, cell: Indices, w: int, full: int, bridge: int, counts: Indices) -> None:
    """Add one line to ``counts``.

    Windows laid on the wall, covered by data, evaluated, shortened, and in the box; and samples, each of which stands
    for a cell's area: on the wall, and measured under a straightedge of its whole length or all the wall has room for.
    """
    boxed = (cell >= 0).sum()
    if boxed >= 3:
        counts[BOXED] += max(1, boxed - w + 1)
    x, stop = next_stretch(state, 0)
    while x < stop:
        if stop - x >= 3:
            counts[LAID] += max(1, stop - x - w + 1)
            counts[JUDGED] += stop - x
            least = least_run(state, x, stop, full, bridge)
            first, end = next_run(state[:stop], x, bridge)
            while first < stop:
                size = end - first
                if size >= 3:
                    counts[POSITIONS] += max(1, size - w + 1)
                    counts[SHORTENED] += 1 if size < full else 0
                    if size >= least:
                        counts[COVERED] += max(1, size - w + 1)
                        for k in range(first, end):
                            counts[UNDER] += 1 if state[k] == MEASURED else 0
                first, end = next_run(state[:stop], end, bridge)
        x, stop = next_stretch(state, stop)


@compiled
def holds_rule(state: States, first: int, stop: int, full: int, bridge: int) -> bool:
    """Whether the run [first, stop) holds the whole straightedge, or all the wall has room for there."""
    low, high = first, stop
    while low > 0 and state[low - 1] != OUTSIDE:
        low -= 1
    while high < state.size and state[high] != OUTSIDE:
        high += 1
    return stop - first >= least_run(state, low, high, full, bridge)
