"""The wall behind any place of it: as measured, or on straight lines between the stations that were read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.plan.between import roughness

# a station this near [m] is the place itself (common practice: a pencil cross)
_SAME = 0.050
# beyond the last station of a line its reading is taken to hold for so far [m]: to a corner screed, and no further
_HOLDS = 0.300
# stations further apart than this [m] say nothing of the wall between them: a screed's bay is no wider
_FAR = 1.500
# a wall with two lines of two stations or more was read in lines; of others the triangle around a place is taken
_LINE, _LINES = 2, 2


@dataclass(frozen=True, slots=True)
class Behind:
    """The wall behind a place: z [m] and its random u, None where nothing tells how far it strays between stations.

    ``read`` says whether it was measured there, and not taken from its neighbours.
    """

    z: float
    u: float | None
    read: bool = True


class _Share(NamedTuple):
    """Stations (k,) of the flat arrays, the share of each in a place between them, and how far beyond they reach."""

    of: list[int]
    weight: list[float]
    beyond: float = 0.0


class Ground:
    """What is known of the wall behind any place of it; made once for a relief."""

    def __init__(self, relief: Relief) -> None:
        self.relief = relief
        across, upward = relief.places
        keep = relief.valid
        self.x, self.y, self.z = across[keep], upward[keep], relief.offset[keep]
        self.u: Array = np.nan_to_num(relief.u[keep])

    def at(self, x: float, y: float) -> Behind | None:
        """The wall behind x, y [m]; None where it is not known (methods/trade 2).

        Cells: the mean within 50 mm, or where none was measured within 150 mm. Stations: the one within 50 mm, else
        straight lines between those on both sides along the rows they were read in, and between two rows.
        """
        if self.relief.known_between:
            found = self.relief.value_at(x, y)
            return None if found is None else Behind(*found)
        away = np.hypot(self.x - x, self.y - y)
        nearest = int(np.argmin(away))
        if away[nearest] <= _SAME:
            return Behind(float(self.z[nearest]), float(self.u[nearest]))
        share = self._on_rows(x, y) if len(self._rows) >= _LINES else self._in_triangle(x, y)
        return None if share is None else self._mean(share)

    def _mean(self, share: _Share) -> Behind:
        """A place between stations, with reading noise and how far the wall strays from the lines between them.

        The straying is 0 at a station and whole halfway between two, like a bridge's (2 (1 - sum of squared shares)).
        """
        z, weight = self.z[share.of], np.array(share.weight)
        if self._rough is None:
            return Behind(float((weight * z).sum()), None, read=False)
        noise = float(((weight * self.u[share.of]) ** 2).sum())
        stray = min(1.0, 2 * (1 - float((weight**2).sum()))) + share.beyond / _HOLDS
        return Behind(float((weight * z).sum()), math.sqrt(noise + stray * self._rough**2), read=False)

    @cached_property
    def _rough(self) -> float | None:
        return roughness(self.relief)[0]

    @cached_property
    def _rows(self) -> list[tuple[float, list[int]]]:
        """Heights of the rows of two readings and more, with their stations from the left."""
        rows = []
        for y in np.unique(self.y):
            here = np.flatnonzero(self.y == y)
            if len(here) >= _LINE:
                rows.append((float(y), [int(i) for i in here[np.argsort(self.x[here], kind="stable")]]))
        return rows

    @property
    def heights(self) -> list[float]:
        """Heights [m] at which a row of stations was read, none for a relief of cells."""
        return [] if self.relief.known_between else [y for y, _ in self._rows]

    def _on_rows(self, x: float, y: float) -> _Share | None:
        """Between the rows under and over a place, each a line between its stations."""
        known = [(at, share) for at, row in self._rows if (share := self._on_line(self.x, row, x)) is not None]
        if not known:
            return None
        under = max((one for one in known if one[0] <= y), key=lambda one: one[0], default=None)
        over = min((one for one in known if one[0] >= y), key=lambda one: one[0], default=None)
        if under is None or over is None:
            at, share = under or over or known[0]
            off = abs(y - at)
            return share._replace(beyond=share.beyond + off) if off <= _HOLDS else None
        if over[0] - under[0] > _FAR:
            return None
        part = 0.0 if over[0] == under[0] else (y - under[0]) / (over[0] - under[0])
        low, high = under[1], over[1]
        weight = [(1 - part) * w for w in low.weight] + [part * w for w in high.weight]
        if over[0] == under[0]:
            return low
        return _Share(low.of + high.of, weight, max(low.beyond, high.beyond))

    @staticmethod
    def _on_line(along: Array, row: list[int], at: float) -> _Share | None:
        """Between the two stations of a row beside a place, or beyond its last one by a little."""
        left = [i for i in row if along[i] <= at]
        right = [i for i in row if along[i] >= at]
        if not left or not right:
            end = left[-1] if left else right[0]
            off = abs(float(along[end]) - at)
            return _Share([end], [1.0], off) if off <= _HOLDS else None
        a, b = left[-1], right[0]
        if a == b:
            return _Share([a], [1.0])
        apart = float(along[b] - along[a])
        part = (at - float(along[a])) / apart
        return _Share([a, b], [1 - part, part]) if apart <= _FAR else None

    def _in_triangle(self, x: float, y: float) -> _Share | None:
        """In the triangle of stations around a place; beyond them all the nearest one, by a little."""
        if self._net is not None:
            found = int(self._net.find_simplex((x, y)))
            if found >= 0:
                corners = [int(i) for i in self._net.simplices[found]]
                sides = np.array([(self.x[i], self.y[i]) for i in corners])
                turn = self._net.transform[found]
                part = turn[:2] @ (np.array((x, y)) - turn[2])
                longest = max(float(np.hypot(*(a - b))) for a in sides for b in sides)
                weight = [float(part[0]), float(part[1]), float(1 - part.sum())]
                return _Share(corners, weight) if longest <= _FAR else None
        away = np.hypot(self.x - x, self.y - y)
        nearest = int(np.argmin(away))
        return _Share([nearest], [1.0], float(away[nearest])) if away[nearest] <= _HOLDS else None

    @cached_property
    def _net(self):  # type: ignore[no-untyped-def]  # noqa: ANN202
        from scipy.spatial import Delaunay, QhullError

        if len(self.x) < 3:
            return None
        try:
            return Delaunay(np.stack([self.x, self.y], axis=1))
        except QhullError:
            return None

    def along(self, x: float, half: float) -> tuple[Array, Array, Array]:
        """Places (n,), (n,) and heights (n,) [m] that an upright strip of half width ``half`` [m] at x has to clear.

        A cell counts as far as it is sure to stand there: less 2 u.
        """
        if self.relief.known_between:
            near = self.relief.columns_near(x, half)
            keep = self.relief.valid[:, near]
            across, upward = (part[:, near][keep] for part in self.relief.places)
            u = np.nan_to_num(self.relief.u[:, near][keep])
            return across, upward, self.relief.offset[:, near][keep] - 2 * u
        here = np.flatnonzero(np.abs(self.x - x) <= half)
        between = [(y, found.z) for y in self.heights if (found := self.at(x, y)) is not None]
        upward = np.array([*self.y[here], *(y for y, _ in between)])
        return (
            np.array([*self.x[here], *(x for _ in between)]),
            upward,
            np.array([*self.z[here], *(z for _, z in between)]),
        )
