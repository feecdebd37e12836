"""Ridges that stand up after ruling off, and the wall as it is once they are shaved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.quantity import metres
from flatscan.plan.cutting import Cut
from flatscan.plan.humps import above_opening, off_broad_form, under_humps
from flatscan.plan.lows import LIMIT, Low, check_limit, in_order, patches

# a ridge is narrower than this [m]; its foot reaches at most so far beyond what stands over the limit
_NARROW, _FOOT = 0.300, 0.080
# a place named lies on a ridge, or this near to it [m]
_NEAR = 0.150
# of ten thousand cells of noise hardly one stands off by so many u
_SURE = 4.0
# what stands over the surface under it by less than this share of the limit is none to shave
_LEFT = 0.75
_EIGHT = np.ones((3, 3), dtype=int)


@dataclass(frozen=True, eq=False)
class Shaved:
    """A ``relief`` as it is once ``ridges`` are shaved off it."""

    relief: Relief
    ridges: tuple[Low, ...]


def over_beside(relief: Relief, width: float, limit: float) -> Array:
    """How far each cell (rows, cols) [m] stands over what is beside it; -inf where that is no more than the limit.

    The grey top-hat by a square ``width`` [m] wide, on the relief less its broad form, so that neither a lean nor a
    belly makes a ridge. What is under four u may be noise.
    """
    size = max(3, 2 * round(width / relief.step / 2) + 1)
    hat = above_opening(off_broad_form(relief), size)
    sure = np.maximum(limit, _SURE * np.where(np.isfinite(relief.u), relief.u, 0.0))
    return np.where(relief.valid & (np.nan_to_num(hat, nan=-np.inf) > sure), hat, -np.inf)


def find_ridges(relief: Relief, *, width: float = _NARROW, limit: float = LIMIT) -> tuple[Low, ...]:
    """Ridges narrower than ``width`` [m] that stand over what is beside them by more than the limit [m].

    Readings have none: what lies between them was not read. In the order of `in_order`.
    """
    check_limit(limit)
    if not (relief.known_between and relief.valid.any()):
        return ()
    return patches(relief, over_beside(relief, width, limit), limit)


def shave(relief: Relief, named: Sequence[Cut] = (), *, limit: float = LIMIT) -> Shaved:
    """The wall with its ridges taken down to the surface under them: those ``named``, or else all that are found.

    A ridge named with its depth loses no more than that from its top. The surface under a ridge is the harmonic one
    through the cells around it (methods/definitions 9). Raises `BadValue` for a place that is on no ridge.
    """
    check_limit(limit)
    if not (relief.known_between and relief.valid.any()):
        if named:
            raise _no_ridge(named[0])
        return Shaved(relief, ())
    core, _ = relief.connected(np.isfinite(over_beside(relief, _NARROW, limit)))
    if not core.any():
        if named:
            raise _no_ridge(named[0])
        return Shaved(relief, ())
    around = _with_feet(relief, core)
    depths = dict.fromkeys(np.unique(core[core > 0]).tolist(), np.inf) if not named else {}
    for cut in named:
        depths[_number_at(relief, core, cut)] = cut.depth
    taken = np.isin(around, list(depths)) & relief.valid
    stand = np.where(taken, relief.offset - under_humps(np.where(relief.valid, relief.offset, np.nan), taken), 0.0)
    lowered, found = relief.offset.copy(), []
    for number, depth in depths.items():
        here = (around == number) & relief.valid
        left = np.minimum(stand[here], max(float(stand[here].max()) - depth, 0.0))
        off = np.where(here, np.maximum(stand, 0.0), 0.0)
        off[here] = np.maximum(stand[here] - left, 0.0)
        if not named and float(off.max()) < _LEFT * limit:
            continue
        lowered -= off
        found.append(_shaved(relief, off, core == number))
    return Shaved(replace(relief, offset=lowered), in_order(found))


def _with_feet(relief: Relief, core: NDArray[np.int64]) -> NDArray[np.int64]:
    label = core
    for _ in range(max(1, round(_FOOT / relief.step))):
        label = np.where(label > 0, label, ndimage.grey_dilation(label, footprint=_EIGHT))
    return label


def _shaved(relief: Relief, off: Array, core: NDArray[np.bool_]) -> Low:
    """What is taken off one ridge."""
    row, col = (int(index) for index in np.unravel_index(int(np.argmax(off)), off.shape))
    return Low(
        0,
        float(relief.x[col]),
        float(relief.y[row]),
        float(off[row, col]),
        float(relief.area[core].sum()),
        float((off * relief.area).sum()),
        *relief.size_of(*np.nonzero(core)),
    )


def _number_at(relief: Relief, core: NDArray[np.int64], cut: Cut) -> int:
    across, upward = relief.places
    apart = np.where(core > 0, np.hypot(across - cut.x, upward - cut.y), np.inf)
    nearest = np.unravel_index(int(np.argmin(apart)), apart.shape)
    if apart[nearest] > _NEAR:
        raise _no_ridge(cut)
    return int(core[nearest])


def _no_ridge(cut: Cut) -> BadValue:
    return BadValue(
        "{set:shave}",
        "no ridge within {near:length.g} of {x:span} / {y:span}",
        needed="a place on a ridge that is listed",
        remedy="Take the place from the list, or leave {set:shave} out to shave all that are found",
        near=metres(_NEAR),
        x=metres(cut.x),
        y=metres(cut.y),
    )
