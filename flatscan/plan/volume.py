"""How far the volume may be off either way, and second opinions by the rules of earthwork."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres
from flatscan.core.quantity import share as share_of
from flatscan.plan.between import unseen
from flatscan.plan.highest import Rise

_SEED = 20261128
# a 95 % interval, and what an order is to cover
LOW, HIGH, ORDER = 0.025, 0.975, 0.90
# a capture that tells less of its litres than this leaves them to what walls usually take, and that leads [setting]
_TELLS = 0.8


@dataclass(frozen=True, slots=True)
class Doubt:
    """A volume's standard uncertainty, its 95 % interval and the quantity that is enough nine times in ten, in m3.

    All None, with a note, where they cannot be known; ``order`` alone where two surfaces lie in the scan.
    """

    u: float | None
    low: float | None
    high: float | None
    order: float | None
    notes: tuple[Note, ...]


def volume_doubt(relief: Relief, wall: Wall, deep: Array, rise: Rise, least: float, background: str = "") -> Doubt:
    """How far the volume between wall and plane may be off (methods/finish-plane 8).

    ``deep`` (n,) [m] is the distance from the measured places to the plane, ``rise`` what the errors may have added to
    it. No wall takes less than the ``least`` cover all over.
    """
    net, rng = relief.net_area, np.random.default_rng(_SEED)
    weights = relief.area[relief.valid]
    # sums by numpy itself, here and elsewhere: a BLAS dot product differs in its last bit with the number of threads
    share = weights / weights.sum()
    mean = float((deep * share).sum())
    loose = _loose(relief, share, deep, mean, rise)
    notes, known = tuple[Note, ...](), wall.plumb.u_lean is not None
    thin, thick = mean + rise.mean - rise.even, mean - rise.own
    if not relief.known_between:
        between = unseen(relief, background, len(thick), rng)
        if between is None:
            return Doubt(None, None, None, None, (note("plan.volume-few-stations"),))
        thin, thick = thin + between.draws[: len(thin)], thick + between.draws
        loose = math.hypot(loose, between.u_mean)
        notes = between.notes
    if not known:
        return Doubt(None, None, None, None, (note("plan.volume-plumb-unstated"), *notes))
    thin, thick = (ends + loose * rng.standard_normal(len(ends)) for ends in (thin, thick))
    # with the cover kept everywhere there is no less
    low = min(max(_low(thin, thick, relief), least), mean)
    high = max(float(np.quantile(thick, HIGH)), mean)
    wanted = thick + (1 - rise.for_order) * (rise.own - float(rise.own.mean()))
    order = min(max(float(np.quantile(wanted, ORDER)), float(np.quantile(thick, ORDER)), mean), high)
    if relief.doubled is not None:
        # every place may be as far off as the two surfaces are apart, the highest one way and the rest the other
        ends = max(least, low - relief.doubled), high + relief.doubled
        return Doubt(net * float(np.std(thick)), net * ends[0], net * ends[1], None, notes)
    if relief.known_between and rise.told < _TELLS:
        told = share_of(rise.told)
        notes = (
            note("plan.quote-usual", low=cubic_metres(net * low), high=cubic_metres(net * high), told=told),
            *notes,
        )
    if not relief.known_between and not relief.highs:
        quote = note("plan.quote-as", low=cubic_metres(net * mean), high=cubic_metres(net * high))
        notes = (quote, *notes)
    return Doubt(net * float(np.std(thick)), net * low, net * high, net * order, notes)


def _low(thin: Array, thick: Array, relief: Relief) -> float:
    """The lower end [m], whichever chooses where the plane rests, chance or the wall.

    A scan whose error bends as walls do cannot tell, so the lower of both ends counts. Stations can as soon be the one
    as the other: draws of both together.
    """
    if relief.known_between:
        return min(float(np.quantile(thin, LOW)), float(np.quantile(thick, LOW)))
    return float(np.quantile(np.concatenate([thin, thick]), LOW))


def _loose(relief: Relief, share: Array, deep: Array, mean: float, rise: Rise) -> float:
    """Standard uncertainty of the mean coat [m] by what does not come from where the plane rests.

    Noise of the wall's mean, the spread of what was not measured, lengths too long (a length s too long makes the area
    2 s and the uneven depth s more), and the capture's own place where fixed points hold the plane.
    """
    net = relief.net_area
    missing = max(net - float(relief.area[relief.valid].sum()), 0.0) / net
    parts = (
        float(np.sqrt(np.nansum((share * relief.u[relief.valid]) ** 2))),
        missing * math.sqrt(float((share * (deep - mean) ** 2).sum())),
        relief.common.scale * (2 * mean + (mean - float(deep.min()))),
        relief.common.u_offset * max(0.0, 1 - rise.hump_share),
    )
    return math.hypot(*parts)


def grid_volume(corners: Array, dx: float, dy: float) -> float:
    """Volume under heights (rows, cols) [m] at the corners of rectangles dx by dy [m]: A/4 (S1 + 2 S2 + 4 S4).

    S1 sums the corners of the whole grid, S2 its other edge points, S4 its inner points (surveyors' grid formula).
    Raises `BadValue` for less than two rows and columns.
    """
    corners = np.asarray(corners, float)
    if corners.ndim != 2 or min(corners.shape) < 2:
        raise BadValue(
            "grid volume",
            "heights of shape {shape}",
            needed="at least 2 by 2 corner heights",
            remedy="Give a full grid",
            shape=str(corners.shape),
        )
    weight = np.ones_like(corners)
    weight[1:-1, :] *= 2
    weight[:, 1:-1] *= 2
    return float(dx * dy / 4 * (weight * corners).sum())


def prismoid(first: float, middle: float, last: float, length: float) -> float:
    """Volume [m3] of a prismoid from its end and middle areas [m2]: L/6 (A1 + 4 Am + A2)."""
    return length / 6 * (first + 4 * middle + last)


def end_area(first: float, last: float, length: float) -> float:
    """Volume [m3] by the mean of the end areas [m2]: L/2 (A1 + A2)."""
    return length / 2 * (first + last)
