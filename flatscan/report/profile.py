"""A straightedge laid between two points of a relief, as the page lays it under a finger: the same numbers, once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.cells import samples_within
from flatscan.core.geometry import Array
from flatscan.core.model import Relief

Point = tuple[float, float]
# a run of missing samples up to this long is bridged without contributing (DESIGN, Cells)
BRIDGE = 0.1
_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Rest:
    """Where a straightedge rests [m from the line's start]: its contacts, and the deepest gap between them."""

    left: float
    right: float
    at: float
    gap: float


@dataclass(frozen=True, eq=False)
class Profile:
    """The wall along a line from ``start`` to ``end``: ``along`` (n,) [m] from the start and ``wall`` (n,) [m].

    ``wall`` is NaN where nothing was measured. Samples lie one cell apart.
    """

    start: Point
    end: Point
    along: Array
    wall: Array


def sample(relief: Relief, start: Point, end: Point) -> Profile:
    """The wall along a line, bilinear between cells that were measured; raises `BadValue` for stations.

    A sample is missing where one of the cells it leans on is; on a cell's centre it is that cell's value.
    """
    return Profile(start, end, *relief.profile_along(start, end))


def rest(profile: Profile) -> Rest | None:
    """How one straightedge over the whole line rests; None where it spans more than `BRIDGE` of missing wall.

    The upper hull of the samples (monotone chain, Andrew 1979); the gap is the deepest under any edge of it.
    """
    known = np.flatnonzero(np.isfinite(profile.wall))
    step = profile.along[1] - profile.along[0] if len(profile.along) > 1 else 0.0
    ends = len(known) > 1 and max(known[0], len(profile.along) - 1 - known[-1]) * step <= BRIDGE + _SLACK
    if not ends or (np.diff(known).max() - 1) * step > BRIDGE + _SLACK:
        return None
    return _hull_gap(profile.along[known], profile.wall[known])


def _hull_gap(at: Array, wall: Array) -> Rest:
    hull: list[int] = []
    for k in range(len(at)):
        while len(hull) > 1 and _hides(at, wall, hull[-2], hull[-1], k):
            hull.pop()
        hull.append(k)
    gap = np.interp(at, at[hull], wall[hull]) - wall
    deepest = int(gap.argmax())
    right = int(np.searchsorted(hull, deepest, side="right"))
    right = min(max(right, 1), len(hull) - 1)
    return Rest(float(at[hull[right - 1]]), float(at[hull[right]]), float(at[deepest]), float(max(gap[deepest], 0.0)))


def _hides(at: Array, wall: Array, a: int, b: int, c: int) -> bool:
    """Whether b does not stand above the line from a to c."""
    return bool((wall[b] - wall[a]) * (at[c] - at[a]) <= (wall[c] - wall[a]) * (at[b] - at[a]))


def worst(profile: Profile, rule: float) -> Rest | None:
    """Where a straightedge ``rule`` metres long has its deepest gap on the line; None where it can lie nowhere.

    Every window of the line is tried; on a line shorter than the rule the whole line is one window.
    """
    step = profile.along[1] - profile.along[0] if len(profile.along) > 1 else 0.0
    window = min(samples_within(rule, step), len(profile.along)) if step else 0
    best: Rest | None = None
    for first in range(len(profile.along) - window + 1 if window > 1 else 0):
        part = slice(first, first + window)
        found = rest(Profile(profile.start, profile.end, profile.along[part], profile.wall[part]))
        if found is not None and (best is None or found.gap > best.gap + _SLACK):
            best = found
    return best
