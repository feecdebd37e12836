"""The later survey on the places of the earlier one: nothing is filled, a place without both stays missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from flatscan.compare.alignment import Alignment
from flatscan.core.errors import MixedSurveys
from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Relief

# a station is read again where it stands within this of the first (common practice: a pencil cross)
SAME_STATION = 0.05
_LEAST_SHARE = 0.05
_ROUNDS = 4
# a place counts as measured where this much of its weight falls on measured cells: it lies within a part of a cell
_MEASURED = 0.6


@dataclass(frozen=True, eq=False)
class Both:
    """Two surveys at the same places: ``base`` is the relief whose places these are, all arrays are of its shape.

    ``first`` and ``second`` are offsets in earlier wall coordinates [m], ``u_first`` and ``u_second`` their random u.
    """

    base: Relief
    first: Array
    second: Array
    u_first: Array
    u_second: Array

    @property
    def change(self) -> Array:
        """Later less earlier, + toward the room [m]."""
        return self.second - self.first

    @property
    def share(self) -> float:
        """Part of the base's net area where both were measured."""
        here = np.isfinite(self.change) & self.base.inside
        return float(self.base.area[here].sum()) / max(self.base.net_area, 1e-12)


def together(earlier: Relief, later: Relief, alignment: Alignment) -> Both:
    """Both reliefs at the earlier one's places, or at the later's where only that one is of stations.

    Cells are read by bilinear interpolation between the measured ones of the four around, stations where one stands
    within 50 mm. Raises `MixedSurveys` where under 5 % of the area is in both.
    """
    if earlier.known_between and not later.known_between:
        flipped = _on(earlier, later, _inverse(alignment))
        # seen from the later survey's axes: the change is the same, the turn between the axes was taken out
        both = Both(later, flipped[0], later.offset, flipped[1], later.u)
    else:
        values, u = _on(later, earlier, alignment)
        both = Both(earlier, earlier.offset, values, earlier.u, u)
    if both.share < _LEAST_SHARE:
        raise MixedSurveys(
            "the two surveys", f"{both.share:.1%} of the wall was measured in both",
            needed=f"at least {_LEAST_SHARE:.0%} in common", remedy="Survey the same part of the wall",
        )  # fmt: skip
    return both


def _inverse(alignment: Alignment) -> Alignment:
    back = alignment.turn.T
    return Alignment(back, -back @ alignment.shift, alignment.how, alignment.u_place)


def _on(source: Relief, target: Relief, alignment: Alignment) -> tuple[Array, Array]:
    """Offsets and u of ``source``, moved by ``alignment``, at the places of ``target`` (rows, cols); NaN off it."""
    read = _from_cells if source.known_between else _from_stations
    return read(source, target, alignment)


def _from_cells(source: Relief, target: Relief, alignment: Alignment) -> tuple[Array, Array]:
    across, upward = target.places
    valid = source.valid
    fields = [np.where(valid, f, 0.0) for f in (source.offset, source.u)]
    here = valid.astype(float)
    back = alignment.turn.T
    z = np.zeros(across.shape)
    x, y = across, upward
    # the place on the later wall that comes to lie at x, y depends on its own height: a few rounds settle it
    for _ in range(_ROUNDS):
        level = np.stack([across, upward, z], axis=-1) - alignment.shift
        local = level @ back.T
        x, y = local[..., 0], local[..., 1]
        at = indices(source, x, y)
        weight = map_coordinates(here, at, order=1, mode="nearest")
        whole = weight > _MEASURED
        found, u = (map_coordinates(f, at, order=1, mode="nearest") / np.where(whole, weight, 1.0) for f in fields)
        moved = np.stack([x, y, found], axis=-1) @ alignment.turn.T + alignment.shift
        z = np.where(whole, moved[..., 2], 0.0)
    keep = whole & target.inside & _on_grid(source, x, y)
    return np.where(keep, z, np.nan), np.where(keep, u, np.nan)


def indices(source: Relief, x: Array, y: Array) -> list[Array]:
    """Fractional row and column of x, y on a grid; what a rounding error puts off its edge is put back on it."""
    made = []
    for at, centre in ((y, source.y), (x, source.x)):
        index, last = (at - centre[0]) / source.step, len(centre) - 1
        near = np.clip(index, 0, last)
        made.append(np.where(np.abs(near - index) < 1e-6, near, index))
    return made


def _on_grid(source: Relief, x: Array, y: Array) -> Mask:
    """Places on the grid, or off its outer cells' centres by no more than lets most of a cell's weight fall on it."""
    slack = (1 - _MEASURED) * source.step
    return (
        (x > source.x[0] - slack) & (x < source.x[-1] + slack) & (y > source.y[0] - slack) & (y < source.y[-1] + slack)
    )


def _from_stations(source: Relief, target: Relief, alignment: Alignment) -> tuple[Array, Array]:
    row, col = np.nonzero(source.valid)
    places = np.stack([source.x[col], source.y[row], source.offset[row, col]], axis=1)
    moved = alignment.apply(places)
    across, upward = target.places
    values, u = np.full(across.shape, np.nan), np.full(across.shape, np.nan)
    if not len(moved):
        return values, u
    apart = np.hypot(across[..., None] - moved[:, 0], upward[..., None] - moved[:, 1])
    nearest = apart.argmin(axis=-1)
    keep = (apart.min(axis=-1) <= SAME_STATION) & target.inside
    values[keep] = moved[nearest[keep], 2]
    u[keep] = source.u[row, col][nearest[keep]]
    return values, u
