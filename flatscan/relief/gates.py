"""Which points count in a cell: gates about its middle that a stray does not move."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.geometry import Array, Mask
from flatscan.relief.cell_size import ENOUGH_POINTS
from flatscan.relief.medians import medians
from flatscan.relief.sums import Sums

# cells that scatter so many times as much as those around may be moved by a stray
_SUSPECT = 1.7


@dataclass(frozen=True, slots=True)
class Gates:
    """Middle of each cell and how far from it points count (cells,) [m]; a negative one has another beside it.

    ``calm`` (cells,) is then a middle that strays do not move and ``three`` (cells,) three spreads, beyond which points
    are looked at.
    """

    middle: Array
    gate: Array
    calm: Array
    three: Array

    @classmethod
    def open(cls, size: int) -> Gates:
        """Gates that every point passes."""
        return cls(np.zeros(size), np.full(size, np.inf), np.empty(0), np.empty(0))

    def over(self, shape: tuple[int, int], parts: int, fine: tuple[int, int]) -> Gates:
        """The gates of cells (rows, cols) of that shape in all their parts, which have the shape ``fine``."""
        fields = (self.middle, self.gate, self.calm, self.three)
        return Gates(*(_in_parts(field, shape, parts, fine) for field in fields))

    def but(self, few: Mask) -> Gates:
        """The same, open where cells hold too few to tell a stray by."""
        return replace(self, middle=np.where(few, 0.0, self.middle), gate=np.where(few, np.inf, self.gate))


def _in_parts(values: Array, shape: tuple[int, int], parts: int, fine: tuple[int, int]) -> Array:
    """Values (cells,) of cells in all their parts, flattened."""
    if parts == 1:
        return values
    grown = np.repeat(np.repeat(values.reshape(shape), parts, 0), parts, 1)
    return np.ascontiguousarray(grown[: fine[0], : fine[1]]).ravel()


def gates_of(both: Sums) -> tuple[Gates, Array]:
    """Middle of each cell and how far from it points still count, and the spread around (rows, cols) [m].

    Three spreads, where the spread is the median of the cells around, which a stray does not move. Where a cell is
    really split, as on a step, its own spread widens the gate: 1.5 of it keeps both levels but not a lone stray among
    five or more. A cell of fewer points that scatter too much cannot tell its stray, so its neighbours' middle serves.
    """
    mean, alone = both.mean(), both.pooled_sd(0)
    own = np.where(both.n >= 3, alone, np.nan)
    typical = float(np.nanmedian(own)) if np.isfinite(own).any() else both.overall_sd()
    spread = medians(np.where(np.isfinite(own), own, typical))
    apart = alone > 3 * spread
    few = both.n < ENOUGH_POINTS
    middle = mean
    if (few & apart).any():
        around = medians(np.where(np.isfinite(mean), mean, np.nanmedian(mean)))
        middle = np.where(few & apart, around, mean)
    gate = np.maximum(3 * spread, np.where(few, 0.0, 1.5 * np.nan_to_num(own)))
    gate = np.maximum(gate, 1e-6)
    if not np.isfinite(typical):
        # where every cell holds one point nothing tells a stray
        nothing = np.zeros(mean.size)
        wide = np.full(mean.size, np.inf)
        return Gates(middle.ravel(), wide, nothing, wide), np.full(mean.shape, np.nan)
    suspect = (alone > _SUSPECT * spread) | (gate > 3 * spread + 1e-9)
    calm, signed = _around_some(mean, suspect), np.where(suspect, -gate, gate)
    return Gates(middle.ravel(), signed.ravel(), calm.ravel(), 3 * spread.ravel()), spread


def _around_some(values: Array, some: Mask) -> Array:
    """Medians of the 5 x 5 cells around ``some`` cells (rows, cols), of those that are known; elsewhere the values."""
    row, col = np.nonzero(some & np.isfinite(values))
    out = values.copy()
    if len(row):
        around = np.lib.stride_tricks.sliding_window_view(np.pad(values, 2, constant_values=np.nan), (5, 5))[row, col]
        out[row, col] = np.nanmedian(around.reshape(len(row), -1), axis=1)
    return out
