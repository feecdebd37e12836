"""Abrupt steps (lips): where the surface changes level within a few cells, apart from how it slopes."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.special import ndtri

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.quantity import metres
from flatscan.core.reliefs import Grid
from flatscan.straightedge.gaps import Point
from flatscan.straightedge.uncertainty import confidence_of, half_factor

# a lip shorter than this is a snot or a chip (common practice)
LIP_LENGTH = 0.1
# the cell next to the edge may hold points of both levels
CLEAR = 1
# the level of each side is taken over this length: longer, and the flank of a smooth hump reads as a step
LEVEL = 0.04
COARSEST = 0.025
# two cells would overshoot where the line runs over the edge itself
LEAST_CELLS = 3


@dataclass(frozen=True, slots=True)
class Lip:
    """The largest abrupt step: its height [m], place, and the axis it is crossed along (0 along, 90 up).

    ``u`` is the standard uncertainty of this step. ``lower`` to ``upper`` is the 95 % interval (at k = 1.645) of the
    largest: up to the largest |step| + 1.96 u of all places, down to the selection-corrected lower bound. None where
    the cells' u is not known.
    """

    value: float
    u: float | None
    upper: float | None
    lower: float | None
    at: Point
    direction: float


def level_weights(cells: int, clear: int) -> Array:
    """Weights (cells,) that extrapolate a least-squares line through so many cells to the middle of a step.

    The cells run away from the step and begin ``clear`` cells from it.
    """
    at = np.arange(cells) + clear + 0.5
    design = np.stack([np.ones(cells), at], axis=1)
    weights: Array = np.linalg.pinv(design)[0]
    return weights


def lips(relief: Relief, *, within: float = 0.3, k: float = 1.645) -> Lip | None:
    """The largest abrupt step across lines along and up: what neither side's own slope explains.

    Each side's level is a line through 40 mm of it (three cells at least, half of ``within`` [m] at most). What is
    left of a smooth hump is small on fine cells: of one 8 mm high and 165 mm wide at half height 0.5 mm on cells of
    10 mm, 2.5 mm on cells of 20 mm. A smoothed
    relief has its steps smoothed away: give the cells as measured (`BadValue` otherwise). None for stations, for
    cells over 25 mm, and where nothing wide enough is measured without a break.
    """
    if not isinstance(relief, Grid) or relief.cell > COARSEST + 1e-9:
        return None
    if relief.window > 1:
        raise BadValue(
            "steps",
            "a relief smoothed over {width:length}",
            needed="the cells as measured, since smoothing takes steps away",
            remedy="Look for steps before smoothing",
            width=metres(relief.smoothed_over),
        )
    clear, k = CLEAR, half_factor(k)
    side = max(LEAST_CELLS, min(round(LEVEL / relief.cell), round(within / 2 / relief.cell) - clear))
    wide = max(1, round(LIP_LENGTH / relief.cell))
    best = [found for axis in (1, 0) if (found := _along(relief, axis, side, clear, wide, k)) is not None]
    if not best:
        return None
    largest = max(best, key=lambda lip: lip.value)
    uppers, lowers = ([getattr(lip, name) for lip in best] for name in ("upper", "lower"))
    upper = None if None in uppers else max(uppers)
    lower = max((bound for bound in lowers if bound is not None), default=None)
    lower = None if lower is None else min(max(lower, 0.0), largest.value)
    return Lip(largest.value, largest.u, upper, lower, largest.at, largest.direction)


def step_map(z: Array, side: int, clear: int, wide: int, *, squared: bool = False) -> Array:
    """Difference of level at each edge between cells (rows, cols - 1), averaged over lines; or the variance of it."""
    rows, cols = z.shape
    weights = level_weights(side, clear)
    reach = side + clear
    out = np.full((rows, cols - 1), np.nan)
    edges = cols - 2 * reach + 1
    if edges < 1:
        return out
    near, far = np.zeros((rows, edges)), np.zeros((rows, edges))
    for number, weight in enumerate(weights):
        factor = weight**2 if squared else weight
        left, right = reach - 1 - clear - number, reach + clear + number
        near += factor * z[:, left : left + edges]
        far += factor * z[:, right : right + edges]
    step = far + near if squared else far - near
    out[:, reach - 1 : reach - 1 + edges] = step
    holes = np.isnan(out)
    mean = uniform_filter1d(np.where(holes, 0.0, out), wide, axis=0, mode="constant")
    broken = uniform_filter1d(holes.astype(float), wide, axis=0, mode="constant", cval=1.0) > 0.5 / wide
    return np.where(broken, np.nan, mean / wide if squared else mean)


def _along(relief: Grid, axis: int, side: int, clear: int, wide: int, k: float) -> Lip | None:
    """The largest step met going along (axis 1) or up (axis 0)."""
    turn: Callable[[Array], Array] = np.asarray if axis == 1 else np.transpose
    measured = np.where(relief.valid, relief.offset, np.nan)
    step = np.abs(step_map(turn(measured), side, clear, wide))
    if not np.isfinite(step).any():
        return None
    variance = step_map(turn(np.where(relief.valid, relief.u, np.nan)) ** 2, side, clear, wide, squared=True)
    u = np.sqrt(variance)
    row, col = np.unravel_index(int(np.nanargmax(step)), step.shape)
    x, y = (relief.x, relief.y) if axis == 1 else (relief.y, relief.x)
    place = (float(x[col] + x[col + 1]) / 2, float(y[row]))
    known = bool(np.isfinite(u[np.isfinite(step)]).all())
    upper = float(np.nanmax(step + k * u)) if known else None
    lower = _lower(relief, turn, (side, clear, wide), u, k) if known else None
    if known and lower is None:
        cautious = float(-ndtri((1 - confidence_of(k)) / (4 * np.isfinite(step).sum())))
        lower = float(np.nanmax(step - cautious * u))
    at = place if axis == 1 else place[::-1]
    return Lip(
        float(step[row, col]), float(u[row, col]) if known else None, upper, lower, at, 0.0 if axis == 1 else 90.0
    )


def _lower(
    relief: Grid, turn: Callable[[Array], Array], size: tuple[int, int, int], u: Array, k: float
) -> float | None:
    """Selection-corrected lower bound: the step chosen on one half of the points, read on the other."""
    if relief.half_a is None or relief.half_b is None:
        return None
    bounds = []
    halves = [step_map(turn(np.where(relief.valid, half, np.nan)), *size) for half in (relief.half_a, relief.half_b)]
    # both axes are looked at as well as both halves: four tests share the error probability
    factor = half_factor(float(-ndtri((1 - confidence_of(k)) / 2))) * math.sqrt(2)
    for chosen, tested in (halves, halves[::-1]):
        score = np.abs(chosen) - factor * u
        if np.isfinite(score).any():
            which = np.unravel_index(int(np.nanargmax(score)), score.shape)
            bounds.append(float(np.sign(chosen[which]) * tested[which] - factor * u[which]))
    known = [bound for bound in bounds if math.isfinite(bound)]
    return max(known, default=None)
