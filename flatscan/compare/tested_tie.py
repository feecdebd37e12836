"""Whether two surveys can be of one wall and are tied together rightly: shapes, sizes, order, as far as data tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.compare.alignment import OUTLINE_U, Alignment
from flatscan.compare.difference import Difference
from flatscan.compare.overlay import Both, Leveled
from flatscan.compare.scores import Scores, scores
from flatscan.core.geometry import Array, Mask, Rectangle
from flatscan.core.model import Wall
from flatscan.core.quantity import COVER, Quantity, metres, slope
from flatscan.core.warp import CommonError

# a wall whose edges nobody gave reaches about so far beyond the outer stations [m] (DEVELOPERS: laser grids)
_UNKNOWN_EDGE = 0.10
# of a reference so much may have changed after all before it is none: the fit leaves that out [share of its area]
_SPARED = 0.05
# a coat that came off nearly everywhere is more likely two files in the wrong order [share of the area compared]
_NEARLY_ALL = 0.90
# shapes with less in common than the first and, turned over, more than the second are one wall turned over
_STRANGE, _TURNED = 0.3, 0.7
# came on and went off on so much of the area each
_BOTH_WAYS = 0.10
# independent surveys scatter by what both say of their noise; a copy by less than this share of it
_COPY = 0.5
_ENOUGH_FOR_NOISE = 12


@dataclass(frozen=True, eq=False)
class Reference:
    """How the part that two surveys were leveled on agrees in its shape.

    ``parts`` are its rectangles (left, bottom, right, top), ``support`` (rows, cols) the places in them. ``residual``
    [m] is what is left there after leveling, NaN elsewhere; ``area`` [m2] its area and
    ``differing`` the share of it that disagrees. ``worst`` at ``at`` is the most that is left, ``hides`` [m] how much
    would not have been told, and ``spared`` the share that may disagree. ``lean`` [m per m] is by how much it leans
    otherwise in the later survey, both surveys' plumb lines and warps in its u (None where plumb is not known).
    """

    parts: tuple[Rectangle, ...]
    residual: Array
    support: Mask
    area: float
    differing: float
    worst: Quantity
    at: tuple[float, float]
    hides: float
    lean: Quantity
    spared: float = _SPARED

    @property
    def holds(self) -> bool:
        """Whether its shape agrees but for what the fit leaves out."""
        return self.differing <= self.spared


def reference_tested(
    both: Both,
    commons: tuple[CommonError, CommonError],
    leveled: Leveled,
    rectangles: tuple[Rectangle, ...],
    support: Mask,
    u_lean: float | None,
) -> Reference:
    """What the scores of a leveled change over ``support``, the places in ``rectangles``, say of the shape there."""
    found, residual = scores(both, leveled.change, leveled.u, support), leveled.change
    k = found.worst
    worst = metres(float(found.difference[k]), float(found.u[k]))
    here = support & np.isfinite(residual) & both.base.inside
    at = float(found.x[k]), float(found.y[k])
    area = float(both.base.area[here].sum())
    left = np.where(here, residual, np.nan)
    wide = float(np.hypot(commons[0].sd, commons[1].sd))
    tall = max(float(np.ptp(both.base.places[1][here])), both.base.step)
    # a warp lifts head against foot by about its size each
    u = None if u_lean is None else float(np.hypot(u_lean, 2 * wide / tall))
    lean = slope(float(leveled.plane[2]), u)
    # few stations carry a reference: none of them is spared
    spared = _SPARED if both.base.known_between else 0.0
    return Reference(rectangles, left, here, area, found.share, worst, at, found.hides, lean, spared)


def size_differences(
    walls: tuple[Wall, Wall], commons: tuple[CommonError, CommonError], edges_known: tuple[bool, bool]
) -> tuple[Quantity, Quantity]:
    """Later less earlier width and height [m], each with the u of both outlines and both scales."""
    edges = [OUTLINE_U if known else _UNKNOWN_EDGE for known in edges_known]
    earlier, later = walls
    found = []
    for one, two in ((earlier.width, later.width), (earlier.height, later.height)):
        parts = [*edges, commons[0].scale * one, commons[1].scale * two]
        found.append(metres(two - one, float(np.linalg.norm(parts))))
    return found[0], found[1]


def beyond(value: Quantity) -> bool:
    """Whether a value is further from 0 than its 95 % ±."""
    return value.u is not None and abs(value.value) > COVER * value.u


def came_off(change: Difference) -> bool:
    """Whether the later survey is thinner than the earlier nearly everywhere, by more than its mean's ±."""
    if change.mean is None or not beyond(change.mean) or change.mean.value >= 0:
        return False
    here = np.isfinite(change.change)
    area = change.relief.area[here]
    return float(area[change.change[here] < 0].sum()) >= _NEARLY_ALL * float(area.sum())


def moved_evenly(change: Difference, uneven: Scores) -> bool:
    """Whether the whole wall moved by the same: the change less its mean, ``uneven``, is nearly all within the ±."""
    return change.mean is not None and beyond(change.mean) and uneven.share <= _SPARED


@dataclass(frozen=True, slots=True)
class Likeness:
    """Correlation of two surfaces' humps and hollows as they lie, and the best of them ``turned`` over, by its code.

    ``known``: both have shapes of their own beyond their errors.
    """

    straight: float
    best: float
    turned: str
    known: bool

    @property
    def strange(self) -> bool:
        """Whether they have little in common."""
        return self.known and self.straight < _STRANGE

    @property
    def turned_over(self) -> bool:
        """Whether they fit far better turned over than as they lie."""
        return self.known and self.best > _TURNED and self.straight < _STRANGE


_NOTHING = Likeness(0.0, 0.0, "", known=False)


def likeness(both: Both, commons: tuple[CommonError, CommonError]) -> Likeness:
    """How alike the two surfaces are, as they lie, mirrored, upside down, turned half round, or from behind.

    Bows and twists are taken off first: they look alike in many surveys. Only on cells; stations lie too far apart.
    """
    keep = np.isfinite(both.change) & both.base.inside
    if not both.base.known_between or keep.sum() < 50:
        return _NOTHING
    shapes = [_own_shape(both, values, keep) for values in (both.first, both.second)]
    random = (both.u_first, both.u_second)
    for shape, u, common in zip(shapes, random, commons, strict=True):
        # humps a few hundred mm wide: of a warp that much is left once bows are off
        noise = float(np.mean(u[keep] ** 2)) + (0.3 * common.sd) ** 2
        if float(np.nanmean(shape**2)) < 4 * noise:
            return _NOTHING
    first, second = shapes
    ways = {
        "turned.mirrored": second[:, ::-1],
        "turned.upside-down": second[::-1],
        "turned.half-turned": second[::-1, ::-1],
        "turned.from-behind": -second[:, ::-1],
    }
    found = {name: _correlation(first, other) for name, other in ways.items()}
    best = max(found, key=lambda name: found[name])
    return Likeness(_correlation(first, second), found[best], best, known=True)


def _own_shape(both: Both, values: Array, keep: Mask) -> Array:
    """Offsets less the best quadratic surface (rows, cols), NaN where not both were measured."""
    x, y = both.base.places
    x, y = x - x.mean(), y - y.mean()
    rows = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    plane, *_ = np.linalg.lstsq(rows[keep], values[keep], rcond=None)
    return np.where(keep, values - rows @ plane, np.nan)


def _correlation(one: Array, two: Array) -> float:
    keep = np.isfinite(one) & np.isfinite(two)
    if keep.sum() < 20:
        return 0.0
    return float(np.corrcoef(one[keep], two[keep])[0, 1])


def both_ways(change: Difference) -> bool:
    """Whether much came on and much went off."""
    area, here = change.relief.area, change.seen
    ways = (float(area[here & (change.change * sign > 0)].sum()) for sign in (1, -1))
    return min(ways) > _BOTH_WAYS * change.compared_area


def copied(both: Both, alignment: Alignment) -> bool:
    """Whether two surveys scatter together: one of them is likely made out of the other.

    ``both`` as measured, not smoothed. Neighbours' differences hold the noise alone; of two surveys it is that of both,
    what reading between cells takes off it taken into account.
    """
    if not both.base.known_between:
        keep = np.isfinite(both.change)
        if keep.sum() < _ENOUGH_FOR_NOISE:
            return False
        off = both.change[keep] - float(np.median(both.change[keep]))
        return float(np.mean(off**2)) < _COPY**2 * float(np.mean((both.u_first**2 + both.u_second**2)[keep]))
    step = both.base.step
    part = np.abs(alignment.shift[:2] / step - np.round(alignment.shift[:2] / step))
    read = float(np.prod((1 - part) ** 2 + part**2))
    variance = both.u_first**2 + read * both.u_second**2
    # two cells apart, what lies between cells shares nothing
    apart = both.change[:, 2:] - both.change[:, :-2]
    expected = variance[:, 2:] + variance[:, :-2]
    keep = np.isfinite(apart) & (expected > 0)
    if keep.sum() < 50:
        return False
    # the median of chi-square with one degree of freedom is 0.455 (closed form)
    return float(np.median(apart[keep] ** 2 / expected[keep])) / 0.4549 < _COPY
