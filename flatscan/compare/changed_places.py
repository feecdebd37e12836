"""Connected places of a change: where, how much, how large, and how far their edges may lie off."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.ndimage import distance_transform_edt

from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Relief
from flatscan.core.quantity import COVER, Quantity, cubic_metres

_SMALLEST = 4
Kind = Literal["added", "removed", "thin"]


@dataclass(frozen=True, slots=True)
class Place:
    """A connected part: ``kind`` (added, removed, thin), its extreme at x, y with ``value`` and ``u`` [m], its size.

    ``u_volume`` [m3] is that of its ``volume`` as if all of it erred together. ``u_size`` [m] is that of width and
    height, ``area_between`` [m2] the least and the largest area, by how far its edge may lie off.
    """

    kind: Kind
    x: float
    y: float
    value: float
    u: float
    width: float
    height: float
    area: float
    volume: float
    u_volume: float = 0.0
    u_size: float | None = None
    area_between: tuple[float | None, float | None] = (None, None)


def together_of(base: Relief, value: Array, u: Array, chosen: Mask) -> Quantity:
    """Volume [m3] of some places, its u as if all of them erred together: no less, whatever they share."""
    return cubic_metres(float((value * base.area)[chosen].sum()), float((u * base.area)[chosen].sum()))


def changed_between(seen: float, places: Sequence[Place], total: float) -> tuple[float, float]:
    """Least and largest share of ``total`` [m2] that changed, ``seen`` of it over the limit somewhere."""
    low = sum(place.area_between[0] or 0.0 for place in places)
    high = seen + sum((place.area_between[1] or place.area) - place.area for place in places)
    return low / total, min(1.0, high / total)


def _edge(base: Relief, u_place: float) -> float:
    """How far the edge of a place may lie off [m]: a cell, half of what smoothing spreads it over, the tie sideways.

    A cell counts as soon as the part of it that changed lifts its mean over the limit, and no sooner [derived].
    """
    return base.step * (1 + (base.window - 1) / 2) + COVER * u_place


def _between(base: Relief, here: Mask, edge: float) -> tuple[float, float]:
    """Least and largest area [m2] of a place whose edge may lie ``edge`` [m] off; the wall's own edge does not."""
    if not base.known_between:
        rows, cols = np.nonzero(here)
        area, (wide, high) = float(base.area[here].sum()), base.ground_of(rows, cols)
        low, much = (max(0.0, wide + k * edge) * max(0.0, high + k * edge) / (wide * high) for k in (-1, 1))
        return area * low, min(area * much, base.net_area)
    grown = distance_transform_edt(~here) * base.step <= edge * (1 + 1e-9)
    whole = here | ~base.inside
    kept = here if whole.all() else here & (distance_transform_edt(whole) * base.step > edge * (1 + 1e-9))
    return float(base.area[kept].sum()), float(base.area[grown & base.inside].sum())


def parts(base: Relief, value: Array, u: Array, chosen: Mask, kind: Kind, u_place: float = 0.0) -> tuple[Place, ...]:
    """Connected chosen places with their extreme, size and volume; groups of fewer than four cells are left out.

    ``u_place`` [m] is how well places of both surveys are known to be the same.
    """
    labels, number = base.connected(chosen)
    sign = 1.0 if kind == "added" else -1.0
    found = []
    for label in range(1, number + 1):
        here = labels == label
        if base.known_between and here.sum() < _SMALLEST:
            continue
        at = np.unravel_index(int(np.argmax(np.where(here, sign * value, -np.inf))), value.shape)
        area = float(base.area[here].sum())
        x, y, width, height = float(base.x[at[1]]), float(base.y[at[0]]), *base.ground_of(*np.nonzero(here))
        volume = together_of(base, value, u, here)
        edge = _edge(base, u_place) if base.known_between else math.sqrt(area / here.sum()) / 2 + COVER * u_place
        found.append(
            Place(
                *(kind, x, y, float(value[at]), float(u[at]), width, height, area, volume.value, volume.u or 0),
                u_size=2 * edge / COVER,
                area_between=_between(base, here, edge),
            )
        )
    return tuple(found)
