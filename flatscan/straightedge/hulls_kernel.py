"""Upper hulls of all windows of a profile, compiled.

A window of ``w`` samples is cut at the last multiple of ``w`` in it: a suffix of the block before and a prefix of the
block after. Both parts' hulls are kept as stacks (monotone chain, Andrew 1979; the left one is built outward once
and taken back push by push), so a window costs only the tangent that joins them. The hull of more samples is nowhere
lower: of all suffixes only the longest, and of all prefixes only the longest, can hold the deepest gap at a sample, and
both lie in a window. So the edges looked at are those of the two longest parts and the tangents of all windows.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array
from flatscan.core.kernels import compiled
from flatscan.straightedge.runs_kernel import OUTSIDE, States, count_windows, holds_rule, next_run

Indices = NDArray[np.int64]
NO_POINT = -2


@compiled
def above(h: Array, x: int, left: int, right: int) -> bool:
    """Whether sample x lies above the line through two others (left < right)."""
    return (h[x] - h[left]) * (right - left) > (h[right] - h[left]) * (x - left)


@compiled
def lift(h: Array, base: Array, left: int, right: int, deep: Array) -> None:
    """Raise ``deep`` between two contacts to the height of their chord over ``base``."""
    rise = (h[right] - h[left]) / (right - left)
    start = h[left]
    for x in range(left + 1, right):
        gap = start + rise * (x - left) - base[x]
        deep[x] = gap if gap > deep[x] else deep[x]


@compiled
def push_left(h: Array, x: int, stack: Indices, top: int) -> int:
    """Top of the left stack (inner end first) after popping what x, further left, hides."""
    while top >= 1 and not above(h, stack[top], x, stack[top - 1]):
        top -= 1
    return top + 1


@compiled
def push_right(h: Array, x: int, stack: Indices, top: int) -> int:
    """Top of the right stack (inner end first) after popping what x, further right, hides."""
    while top >= 1 and not above(h, stack[top], stack[top - 1], x):
        top -= 1
    return top + 1


@compiled
def tangent(
    h: Array, left: Indices, last_left: int, right: Indices, last_right: int, i: int, j: int
) -> tuple[int, int]:
    """Stack indices of the common upper tangent, sought from the indices i and j on: the last window's is next door.

    Every step lifts the line where it passes between the stacks, so it ends on the tangent wherever it starts.
    """
    i, j = min(max(i, 0), last_left), min(max(j, 0), last_right)
    # rounding may lead back and forth between two vertices on one line: either will do
    left_over = 2 * (last_left + last_right) + 2
    moved = True
    while moved and left_over > 0:
        moved = False
        while i < last_left and above(h, left[i + 1], left[i], right[j]):
            i += 1
            moved = True
        while i > 0 and above(h, left[i - 1], left[i], right[j]):
            i -= 1
            moved = True
        while j < last_right and above(h, right[j + 1], left[i], right[j]):
            j += 1
            moved = True
        while j > 0 and above(h, right[j - 1], left[i], right[j]):
            j -= 1
            moved = True
        left_over -= 1
    return i, j


@compiled
def furthest(h: Array, stack: Indices, top: int, rise: float) -> int:
    """Vertex of a hull stack that stands highest over a line of slope ``rise``, by bisection on a concave chain."""
    low = 0
    high = top
    while low < high:
        middle = (low + high) // 2
        here, there = stack[middle], stack[middle + 1]
        if h[there] - rise * there > h[here] - rise * here:
            low = middle + 1
        else:
            high = middle
    return stack[low]


@compiled
def end_deviation(
    h: Array, chord: Array, first: int, last: int, left: Indices, top_left: int, right: Indices, top_right: int
) -> tuple[float, int]:
    """Largest height of ``h`` over the chord between a window's ends, and the sample it is at; -inf without both."""
    if not (math.isfinite(chord[first]) and math.isfinite(chord[last])) or last == first:
        return -np.inf, first
    rise = (chord[last] - chord[first]) / (last - first)
    best = -np.inf
    where = first
    if top_left >= 0:
        x = furthest(h, left, top_left, rise)
        best = h[x] - (chord[first] + rise * (x - first))
        where = x
    if top_right >= 0:
        x = furthest(h, right, top_right, rise)
        value = h[x] - (chord[first] + rise * (x - first))
        if value > best:
            best = value
            where = x
    return best, where


@compiled
def build_left(h: Array, start: int, cut: int, scratch: Indices) -> int:
    """Stack the hull of [start, cut) outward from the cut, noting what each push overwrote; returns its top."""
    stack, old_value, old_top = scratch[0], scratch[2], scratch[3]
    top = -1
    for x in range(cut - 1, start - 1, -1):
        slot = cut - 1 - x
        old_top[slot] = NO_POINT
        if math.isfinite(h[x]):
            at = push_left(h, x, stack, top)
            old_top[slot], old_value[slot] = top, stack[at]
            stack[at] = x
            top = at
    return top


@compiled
def grow_right(h: Array, x: int, stack: Indices, top: int) -> int:
    """Push sample x, the next to the right, on the right stack; returns its top."""
    if not math.isfinite(h[x]):
        return top
    top = push_right(h, x, stack, top)
    stack[top] = x
    return top


@compiled
def lift_all(h: Array, base: Array, stack: Indices, top: int, deep: Array) -> None:
    """Raise ``deep`` under every edge of a hull stack."""
    for at in range(top):
        one, other = stack[at], stack[at + 1]
        lift(h, base, min(one, other), max(one, other), deep)


@compiled
def run_windows(
    h: Array, base: Array, w: int, edges: bool, ends: bool, deep: Array, scratch: Indices, found: Array
) -> None:
    """All windows of ``w`` samples of one unbroken run.

    ``h`` (n,) is the profile the straightedge rests on and ``base`` (n,) the one the gap is read to (the same array
    but for bounds); NaN gives no point. With ``edges``, ``deep`` (n,) is raised to the deepest gap at each sample.
    With ``ends``, ``found`` (4,) becomes [largest h over the chord of ``base`` between window ends, first, at, last].
    ``scratch`` (4, >= w + 1) is integer work space.
    """
    n = h.size
    left, right, old_value, old_top = scratch[0], scratch[1], scratch[2], scratch[3]
    for cut in range(0, n, w):
        start = max(cut - w + 1, 0)
        if start > n - w:
            break
        top_left = build_left(h, start, cut, scratch)
        if edges:
            lift_all(h, base, left, top_left, deep)
        top_right, reached = -1, cut
        bridge_left, bridge_right, i, j = -1, -1, 0, 0
        for first in range(start, min(cut, n - w) + 1):
            last = first + w - 1
            while reached <= last:
                top_right = grow_right(h, reached, right, top_right)
                reached += 1
            if edges and top_left >= 0 and top_right >= 0:
                i, j = tangent(h, left, top_left, right, top_right, i, j)
                if left[i] != bridge_left or right[j] != bridge_right:
                    bridge_left, bridge_right = left[i], right[j]
                    lift(h, base, bridge_left, bridge_right, deep)
            if ends:
                value, where = end_deviation(h, base, first, last, left, top_left, right, top_right)
                if value > found[0]:
                    found[0], found[1], found[2], found[3] = value, first, where, last
            slot = cut - 1 - first
            if slot >= 0 and old_top[slot] != NO_POINT:
                left[top_left] = old_value[slot]
                top_left = old_top[slot]
        if edges:
            lift_all(h, base, right, top_right, deep)


@compiled
def line_limits(rows: int, cols: int, cos: float, sin: float, v: float) -> tuple[int, int]:
    """First and last step along line ``v`` whose nearest cell is in the grid; (0, -1) if none."""
    low, high = -1e18, 1e18
    for slope, at, size in ((cos, -v * sin, cols), (sin, v * cos, rows)):
        if abs(slope) < 1e-12:
            if at < -0.5 or at >= size - 0.5:
                return 0, -1
        else:
            one, two = (-0.5 - at) / slope, (size - 0.5 - at) / slope
            low, high = max(low, min(one, two)), min(high, max(one, two))
    return int(math.ceil(low - 1e-9)), int(math.floor(high + 1e-9))


@compiled
def sample_line(
    h: Array,
    base: Array,
    state: States,
    cos: float,
    sin: float,
    v: float,
    first: int,
    n: int,
    line_h: Array,
    line_base: Array,
    line_state: States,
    line_cell: Indices,
) -> None:
    """Sample n steps of a line: both profiles bilinearly (NaN if a cell with weight is), state and nearest cell."""
    rows, cols = h.shape
    for k in range(n):
        col, row = (first + k) * cos - v * sin, (first + k) * sin + v * cos
        near_row, near_col = int(math.floor(row + 0.5 + 1e-9)), int(math.floor(col + 0.5 + 1e-9))
        line_h[k] = line_base[k] = np.nan
        line_state[k], line_cell[k] = OUTSIDE, -1
        if near_row < 0 or near_row >= rows or near_col < 0 or near_col >= cols:
            continue
        line_state[k], line_cell[k] = state[near_row, near_col], near_row * cols + near_col
        i, j = int(math.floor(row + 1e-9)), int(math.floor(col + 1e-9))
        up, across = max(row - i, 0.0), max(col - j, 0.0)
        up, across = (up if up > 1e-9 else 0.0), (across if across > 1e-9 else 0.0)
        i1, j1 = (i + 1 if up > 0 else i), (j + 1 if across > 0 else j)
        if i < 0 or j < 0 or i1 >= rows or j1 >= cols:
            continue
        line_h[k] = (1 - up) * ((1 - across) * h[i, j] + across * h[i, j1]) + up * (
            (1 - across) * h[i1, j] + across * h[i1, j1]
        )
        line_base[k] = (1 - up) * ((1 - across) * base[i, j] + across * base[i, j1]) + up * (
            (1 - across) * base[i1, j] + across * base[i1, j1]
        )


@compiled
def sweep_lines(
    h: Array,
    base: Array,
    state: States,
    cos: float,
    sin: float,
    lines: Indices,
    w: int,
    full: int,
    bridge: int,
    edges: bool,
    ends: bool,
    whole: bool,
    mapped: bool,
) -> tuple[Array, Array, Indices, Array]:
    """One direction over a grid along ``lines`` (k,), whole numbers one cell apart or any between, by steps of a cell.

    ``h``, ``base`` (rows, cols) as in `run_windows`; ``state`` (rows, cols) OUTSIDE to MARGIN; ``w``
    samples in a window, ``full`` samples in a run that holds the whole straightedge; ``whole`` looks at runs alone that
    do, or that hold all the wall has room for. Returns the deepest value at each cell (rows x cols, NaN where none;
    empty unless ``mapped``), [end value, line, first, at, last], the counts, and the deepest and the end value of each
    line (2, k), -inf where none.
    """
    rows, cols = h.shape
    deepest = np.full(rows * cols if mapped else 0, np.nan)
    most = int(math.ceil(math.hypot(rows, cols))) + 3
    line_h, line_base, deep = np.empty(most), np.empty(most), np.empty(most)
    line_state, line_cell = np.empty(most, np.int8), np.empty(most, np.int64)
    scratch = np.empty((4, max(w, most) + 2), np.int64)
    counts, found, best = np.zeros(7, np.int64), np.empty(4), np.full(5, -np.inf)
    tops = np.full((2, len(lines)), -np.inf)
    for number, v in enumerate(lines):
        t0, t1 = line_limits(rows, cols, cos, sin, float(v))
        n = t1 - t0 + 1
        if n < 3:
            continue
        sample_line(h, base, state, cos, sin, float(v), t0, n, line_h, line_base, line_state, line_cell)
        count_windows(line_state[:n], line_cell[:n], w, full, bridge, counts)
        first, stop = next_run(line_state[:n], 0, bridge)
        while first < n:
            size = stop - first
            if size >= 3 and (not whole or holds_rule(line_state[:n], first, stop, full, bridge)):
                found[0] = -np.inf
                for x in range(first, stop):
                    deep[x] = line_h[x] - line_base[x]
                run_windows(
                    line_h[first:stop],
                    line_base[first:stop],
                    min(w, size),
                    edges,
                    ends and size >= full,
                    deep[first:stop],
                    scratch,
                    found,
                )
                tops[1, number] = max(tops[1, number], found[0])
                if found[0] > best[0]:
                    best[0], best[1] = found[0], v
                    best[2], best[3], best[4] = found[1] + first + t0, found[2] + first + t0, found[3] + first + t0
                for x in range(first, stop):
                    at = line_cell[x]
                    if at >= 0 and math.isfinite(deep[x]):
                        tops[0, number] = max(tops[0, number], deep[x])
                        if mapped and not deep[x] <= deepest[at]:
                            deepest[at] = deep[x]
            first, stop = next_run(line_state[:n], stop, bridge)
    return deepest, best, counts, tops


@compiled
def best_pair(h: Array, base: Array, at: int, w: int) -> tuple[int, int, float]:
    """Contacts (left, right) of the largest gap at one sample by trying every pair, and that gap; -1 without one."""
    n = h.size
    best, left, right = -np.inf, -1, -1
    for a in range(max(0, at - w + 2), at):
        if math.isfinite(h[a]):
            for b in range(at + 1, min(n, a + w)):
                gap = ((b - at) * h[a] + (at - a) * h[b]) / (b - a) - base[at]
                if gap > best:
                    best, left, right = gap, a, b
    return left, right, best
