"""How two surveys of one surface agree place by place, as scores against their own stated uncertainties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from flatscan.compare.overlay import Both, own_variance
from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Counts, Relief
from flatscan.core.quantity import COVER
from flatscan.core.warp import CommonError

# places are this wide [m] on cells, so that heavy tails of single cells average out; a station is a place of its own
PLACE = 0.10
_FALSE_ALARM = 0.05
# a dome or a drift as large as two captures claim reaches so many times the limit at a wall's corners in 1 of 100 pairs
# (by simulation: scripts/prove_agreement.py); what is left of it once bends are taken off stays under the limit
_BEND = 1.5
# places from which a bend of the third degree is told from what lies on it
_ENOUGH_FOR_CUBIC = 40


@dataclass(frozen=True, eq=False)
class Scores:
    """Scores of the places that two surveys share: |difference| over the root of the sum of their squared 95 % ±.

    This is the En score by which proficiency tests compare laboratories (ISO 13528, named in ISO/IEC 17043; from
    memory): up to 1 two results agree. ``limit`` is that 1 raised for the number of places (Bonferroni), so that two
    right surveys differ anywhere in at most 5 % of cases. ``local`` is the score without the smooth bend that fits
    best: one capture may bend the whole wall, so a bend counts only from `_BEND` times the limit on. ``beyond`` are
    the places of connected parts over the limit that hold one which counts so. ``number`` (rows, cols) is the place a
    cell belongs to, -1 for none; ``x``, ``y``, ``difference``, ``u`` [m], ``score``, ``local`` and ``area`` [m2] are
    (n,) of the places.
    """

    number: Counts
    x: Array
    y: Array
    difference: Array
    u: Array
    score: Array
    local: Array
    area: Array
    beyond: Mask
    limit: float

    @property
    def share(self) -> float:
        """Share of the area compared where they disagree."""
        return float(self.area[self.beyond].sum()) / max(float(self.area.sum()), 1e-12)

    @property
    def worst(self) -> int:
        """The place of the highest score."""
        return int(np.argmax(self.score))

    @property
    def hides(self) -> float:
        """The difference [m] that would be told at the middle place."""
        return float(np.median(self.limit * COVER * self.u))

    def on_cells(self, values: Array) -> Array:
        """Values (n,) of places as (rows, cols), NaN where there is no place."""
        return np.where(self.number >= 0, values[np.maximum(self.number, 0)], np.nan)


def scores(both: Both, change: Array, u: Array, support: Mask | None = None) -> Scores:
    """Scores of ``change`` with ``u`` (rows, cols) [m] over ``support``, places of `PLACE` on cells.

    What two surveys' common errors put on a place is not averaged, only their random parts are.
    """
    base = both.base
    here = np.isfinite(change) & base.inside & (True if support is None else support)
    number, count = _places(both, here)
    here = number >= 0
    flat, cells = number[here], np.bincount(number[here], minlength=count)
    across, upward = base.places

    def sums(values: Array) -> Array:
        return np.asarray(np.bincount(flat, values[here], count), np.float64)

    mean = {name: sums(field) / cells for name, field in (("x", across), ("y", upward), ("d", change))}
    random = np.minimum(both.u_first**2 + both.u_second**2, u**2)
    # neighbours within the smoothing window count as one
    alone = np.maximum(1.0, cells / max(base.window, 1) ** 2)
    own = np.sqrt(sums(u**2 - random) / cells + sums(random) / cells / alone)
    score, local = (np.abs(d) / np.maximum(COVER * own, 1e-12) for d in (mean["d"], _unbent(mean, sums(base.area))))
    limit = -float(ndtri(_FALSE_ALARM / (2 * max(count, 1)))) / COVER
    counts = (score > limit) & ((local > limit) | (score > _BEND * limit))
    beyond = _grown(base, number, score > limit, counts)
    return Scores(number, mean["x"], mean["y"], mean["d"], own, score, local, sums(base.area), beyond, limit)


def _grown(base: Relief, number: Counts, over: Mask, counts: Mask) -> Mask:
    """Places (n,) of the connected parts of those ``over`` a limit in which one ``counts``."""
    here = number >= 0
    labels, _ = base.connected(here & over[np.maximum(number, 0)])
    kept = np.unique(labels[here & counts[np.maximum(number, 0)]])
    found = np.zeros(len(over), bool)
    found[number[here & np.isin(labels, kept[kept > 0])]] = True
    return found


def _unbent(mean: dict[str, Array], area: Array) -> Array:
    """Differences (n,) without the best surface of the third degree, of the second where places are few."""
    x, y = (part - part.mean() for part in (mean["x"], mean["y"]))
    degree = 3 if len(x) >= _ENOUGH_FOR_CUBIC else 2
    design = np.stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)], axis=1)
    if len(x) < 2 * design.shape[1]:
        return mean["d"]
    root = np.sqrt(area)
    bend, *_ = np.linalg.lstsq(design * root[:, None], mean["d"] * root, rcond=None)
    return np.asarray(mean["d"] - design @ bend, np.float64)


def claimed(both: Both, commons: tuple[CommonError, CommonError], u: Array) -> Array:
    """The u (rows, cols) [m] of a leveled difference that also holds for errors of other shapes than our models'.

    Leveling takes off as much of an error as its model says; a dome or a drift as large as was claimed keeps more. So
    no less than what both surveys claim stands at a place; ``u`` (rows, cols) is that of the model.
    """
    across, upward = both.base.places
    here = np.isfinite(u)
    places = np.stack([across[here], upward[here]], axis=1)
    whole = (both.u_first**2 + both.u_second**2)[here] + sum(own_variance(common, places) for common in commons)
    found = np.full(u.shape, np.nan)
    found[here] = np.maximum(u[here], np.sqrt(whole))
    return found


def _places(both: Both, here: Mask) -> tuple[Counts, int]:
    """Which place each cell belongs to (rows, cols), -1 for none, and how many there are; crumbs join none."""
    number = np.full(here.shape, -1, np.int64)
    if not both.base.known_between:
        number[here] = np.arange(int(here.sum()))
        return number, int(here.sum())
    across, upward = (np.floor(part / PLACE + 1e-9).astype(int) for part in both.base.places)
    row, col = upward - upward.min(), across - across.min()
    _, found, cells = np.unique((row * (col.max() + 1) + col)[here], return_inverse=True, return_counts=True)
    number[here] = found
    # a place at an edge of which hardly a cell was measured says nothing: as few would be chance
    kept = cells >= 0.3 * cells.max(initial=0)
    renamed = np.where(kept, np.cumsum(kept) - 1, -1)
    number[here] = renamed[found]
    return number, int(kept.sum())
