"""Gaps all over a wall: where they lie, and the largest uncertainty of any at each place."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array
from flatscan.core.warp import CommonError

# directions and parts of the rule in which the largest uncertainty of a gap is looked for
_DIRECTIONS, _PARTS = 12, 10
# gaps between the ones looked at are at most this much less certain (tried on 10 000 random gaps a wall)
_BETWEEN = 1.03
# steps along and up between neighbours on a lattice, and how much less certain gaps in other directions are
_WAYS = ((1, 0), (0, 1), (1, 1), (1, -1), (2, 1), (1, 2), (2, -1), (1, -2))
_OTHER_WAYS = 1.04
# the longest gap of a direction stands for a whole one where it is nearly as long
_NEARLY = 1.06

Indices = NDArray[np.int64]


def largest_at_cells(common: CommonError, x: Array, y: Array, rule: float) -> Array:
    """Largest u [m] (rows, cols) of any gap at each cell of an error that is not alike everywhere."""
    box = np.array([x[0], y[0], x[-1], y[-1]])
    left, at, right = gaps_in_box(box, rule)
    across, upward = lattice_of(box, rule)
    u = common.u_gap_at(left, at, right)
    largest = np.zeros((len(upward), len(across)))
    col = np.searchsorted(across, at[:, 0] - 1e-9)
    row = np.searchsorted(upward, at[:, 1] - 1e-9)
    np.maximum.at(largest, (row, col), u)
    return between(largest, (across, upward), x, y) * _BETWEEN


def largest_on_lattice(covariance: Array, lattice: tuple[Array, Array], rule: float) -> Array:
    """Largest u [m] (rows, cols) of any gap at each place of a lattice, from the covariance of all its places."""
    number = np.arange(len(covariance)).reshape(len(lattice[1]), len(lattice[0]))
    return np.asarray(_OTHER_WAYS * np.sqrt(np.maximum(_largest_variances(covariance, number, lattice, rule), 0.0)))


def worst_and_middle(common: CommonError, box: Array, rule: float) -> tuple[float, float]:
    """Largest and median u [m] of gaps all over a box (4,), contacts at most ``rule`` apart [m]."""
    lattice = lattice_of(box, rule)
    grid = np.meshgrid(*lattice)
    number = np.arange(grid[0].size).reshape(grid[0].shape)
    covariance = common.covariance(*[np.column_stack([one.ravel() for one in grid])] * 2)
    some = [
        more**2 * gap_variances(covariance, left, at, right, share)
        for left, at, right, share, more in lattice_gaps(number, lattice, rule)
    ]
    if not some:
        return 0.0, 0.0
    u = np.sqrt(np.maximum(np.concatenate(some), 0.0))
    return float(u.max()), float(np.median(u))


def gap_variances(covariance: Array, left: Indices, at: Indices, right: Indices, share: float) -> Array:
    """Variances (m,) of share e(left) + (1 - share) e(right) - e(at), places by their numbers (m,) in a covariance."""
    own = np.diag(covariance)
    squares = share**2 * own[left] + (1 - share) ** 2 * own[right] + own[at]
    cross = share * covariance[left, at] + (1 - share) * covariance[right, at]
    together: Array = squares + 2 * (share * (1 - share) * covariance[left, right] - cross)
    return together


def lattice_gaps(
    number: Indices, lattice: tuple[Array, Array], rule: float
) -> Iterator[tuple[Indices, Indices, Indices, float, float]]:
    """Numbers of left contacts, places and right contacts, and the left one's share, of all gaps on a lattice.

    Where the lattice's longest gap falls a little short of the rule, the last number is by how much more a whole one
    may be uncertain: u grows with no more than the square of a gap's length.
    """
    steps = [float(line[1] - line[0]) if len(line) > 1 else 0.0 for line in lattice]
    rows, cols = number.shape
    for along, upward in _WAYS:
        turned, up = (number[::-1], -upward) if upward < 0 else (number, upward)
        room = min((size - 1) // step for size, step in ((rows, up), (cols, along)) if step)
        length = math.hypot(along * steps[0], up * steps[1])
        longest = math.floor(rule / length + 1e-9) if length else 0
        for whole in range(2, min(room, longest) + 1):
            short = rule / (whole * length)
            more = short**2 if whole == longest and short < _NEARLY else 1.0
            high, wide = rows - up * whole, cols - along * whole
            for near in range(1, whole):
                left, at, right = (
                    turned[up * k : up * k + high, along * k : along * k + wide].ravel() for k in (0, near, whole)
                )
                yield left, at, right, 1 - near / whole, more


def _largest_variances(covariance: Array, number: Indices, lattice: tuple[Array, Array], rule: float) -> Array:
    largest = np.zeros(number.size)
    for left, at, right, share, more in lattice_gaps(number, lattice, rule):
        largest[at] = np.maximum(largest[at], more**2 * gap_variances(covariance, left, at, right, share))
    return largest.reshape(number.shape)


def between(largest: Array, lattice: tuple[Array, Array], x: Array, y: Array) -> Array:
    """For each cell the largest of the four lattice places around it."""
    across, upward = lattice
    i, j = (
        np.clip(np.searchsorted(grid, place) - 1, 0, max(len(grid) - 2, 0))
        for grid, place in ((upward, y), (across, x))
    )
    k, m = np.minimum(i + 1, len(upward) - 1), np.minimum(j + 1, len(across) - 1)
    corners = [largest[np.ix_(rows, cols)] for rows in (i, k) for cols in (j, m)]
    return np.maximum.reduce(corners)


def spread_over(box: Array) -> tuple[Array, Array]:
    """Places along (20,) and up (14,) spread evenly over the box, from edge to edge."""
    return np.linspace(box[0], box[2], 20), np.linspace(box[1], box[3], 14)


def lattice_of(box: Array, rule: float) -> tuple[Array, Array]:
    """Places along and up, at most a tenth of the rule apart, from edge to edge."""
    wide, high = max(box[2] - box[0], 1e-9), max(box[3] - box[1], 1e-9)
    step = max(rule / 10, wide / 60, high / 60)
    across, upward = (
        np.linspace(low, low + size, int(np.ceil(size / step - 1e-9)) + 1)
        for low, size in ((box[0], wide), (box[1], high))
    )
    return across, upward


def gaps_in_box(
    box: Array, rule: float, *, arms: tuple[tuple[float, float], ...] = (), directions: int = _DIRECTIONS
) -> tuple[Array, Array, Array]:
    """Contacts and places (m, 2) of gaps all over a box (4,), in ``directions``, with both contacts inside it.

    ``arms`` are distances to the left and right contact; without them all tenths of the ``rule`` that fit on it, and
    where the wall's edge comes first, the edge.
    """
    across, upward = np.meshgrid(*lattice_of(box, rule))
    turns = np.arange(directions) * np.pi / directions
    way = np.tile(np.column_stack([np.cos(turns), np.sin(turns)]), (across.size, 1))
    middle = np.repeat(np.column_stack([across.ravel(), upward.ravel()]), directions, axis=0)
    room = _room(box, middle, -way), _room(box, middle, way)
    step = rule / _PARTS
    pairs = arms or [(near * step, far * step) for near in range(1, _PARTS) for far in range(1, _PARTS - near + 1)]
    found: list[tuple[Array, Array, Array]] = []
    for near, far in pairs:
        reach = np.minimum(near, room[0]), np.minimum(far, room[1])
        fits = (reach[0] > 1e-6) & (reach[1] > 1e-6)
        # an edge reached already with a shorter arm brings nothing new
        fits &= (near - room[0] < (1e-9 if arms else step)) & (far - room[1] < (1e-9 if arms else step))
        left, right = middle - reach[0][:, None] * way, middle + reach[1][:, None] * way
        found.append((left[fits], middle[fits], right[fits]))
    left, at, right = (np.concatenate(column) for column in zip(*found, strict=True))
    return left, at, right


def largest_anywhere(box: Array, left: Array, right: Array, u_gap_at: Callable[[Array, Array, Array], Array]) -> Array:
    """Largest ``u_gap_at`` (...) [m] in a box (4,) of gaps ``left`` and ``right`` (...) [m] from their contacts."""
    left, right = np.broadcast_arrays(np.asarray(left, float), np.asarray(right, float))
    u = np.zeros(left.shape)
    for index in np.ndindex(left.shape):
        near, far = float(left[index]), float(right[index])
        triples = gaps_in_box(box, near + far, arms=((near, far),))
        if not len(triples[0]):
            # longer than the wall: the least certain of all gaps that it has room for
            triples = gaps_in_box(box, min(near + far, float(np.hypot(*(box[2:] - box[:2])))))
        u[index] = u_gap_at(*triples).max(initial=0.0)
    return u


def _room(box: Array, at: Array, way: Array) -> Array:
    """How far (m,) it is from places ``at`` (m, 2) along ``way`` (m, 2) to the edge of the box."""
    with np.errstate(divide="ignore", invalid="ignore"):
        to_edge = np.where(way > 0, box[2:] - at, box[:2] - at) / way
    reach: Array = np.where(np.abs(way) < 1e-12, np.inf, to_edge).min(axis=1)
    return np.maximum(reach, 0.0)
