"""Where on a frame its line is, roughly: the columns that have to be looked at, and whether it is one line."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array, robust_scale

Pixels = NDArray[np.uint8]
Rows = NDArray[np.int64]
NO_LINE, TWO = "no line", "two lines"
# rows in one of the coarse steps in which a line is looked for
_STEP = 8
_OVER_NOISE, _LEAST_LIGHT, _RIVAL = 6.0, 3.0, 0.6
_ON_ONE_LINE, _FEWEST_STEPS = 0.6, 6
# how far off its straight line light may lie: a share of the picture's width, and pixels at least
_MARGIN, _LEAST_MARGIN = 0.04, 24.0
# line widths to either side that have to be in view
_AROUND = 10.0


@dataclass(frozen=True, slots=True)
class Coarse:
    """A straight line of light about which the true one lies: column ``base`` in row 0, its ``slope``, its ``margin``.

    ``strength`` is how bright it is over what is around it, of 255, ``width`` [pixels] how wide at half of that.
    """

    base: float
    slope: float
    margin: float
    strength: float
    width: float

    def at(self, rows: Rows) -> Array:
        """Columns (n,) of it in rows (n,)."""
        return np.asarray(self.base + self.slope * rows, np.float64)

    def window(self, high: int, wide: int, shift: Rows) -> tuple[Rows, int]:
        """First column (high,) to look at in each row, moved there by ``shift`` (high,), and how many from it on."""
        inside = np.clip(self.at(np.array([0, high - 1])), 0, wide - 1)
        # a line is told from what is around it: so much has to be in view
        half = max(1.5 * self.margin, _AROUND * self.width)
        low, top = int(max(inside.min() - half, 0)), int(min(inside.max() + half, wide - 1))
        first = np.clip(low + shift, 0, wide - 1 - (top - low))
        return first, top - low + 1


def coarse_line(lit: Pixels, dark: Pixels) -> Coarse | str:
    """The one upright line of a frame (rows, cols) less the picture without it, or the word for why there is none.

    Looked for in steps of eight rows: what lies on one straight line, and no second line beside it.
    """
    import cv2

    added = np.asarray(cv2.subtract(np.ascontiguousarray(lit), np.ascontiguousarray(dark)))
    high, wide = added.shape
    coarse = np.asarray(cv2.resize(added, (wide, max(high // _STEP, 1)), interpolation=cv2.INTER_AREA), np.uint8)
    smooth = np.asarray(cv2.blur(coarse, (3, 1)), float)
    first = _straight(smooth, None)
    if first is None:
        return NO_LINE
    rows = np.arange(len(smooth))
    beside = np.abs(np.arange(wide) - first.at(rows)[:, None]) > first.margin
    if _straight(np.where(beside, smooth, 0.0), _RIVAL * first.strength) is not None:
        return TWO
    step = high / len(smooth)
    found = replace(first, base=first.base - first.slope * (0.5 - 0.5 / step), slope=first.slope / step)
    ends = found.at(np.array([0, high - 1]))
    return NO_LINE if ends.max() < 0 or ends.min() >= wide else found


def _straight(light: Array, least: float | None) -> Coarse | None:
    """The straight line of light on a picture (rows, cols), None where none is as strong as ``least``, or as noise."""
    peak = light.argmax(axis=1)
    rows = np.arange(len(light))
    # every third column tells the level around as well, in a third of the time
    level = np.median(light[:, ::3], axis=1)
    height = light[rows, peak] - level
    noise = max(robust_scale(light[:, ::7].ravel()), 0.3)
    strong = height > max(_OVER_NOISE * noise, _LEAST_LIGHT, least or 0.0)
    if strong.sum() < _FEWEST_STEPS:
        return None
    row, col = rows[strong].astype(float), peak[strong].astype(float)
    some = np.linspace(0, len(row) - 1, min(len(row), 60)).astype(int)
    apart = np.subtract.outer(row[some], row[some])
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = np.subtract.outer(col[some], col[some]) / apart
    slope = float(np.median(slopes[apart > len(row) / 6])) if (apart > len(row) / 6).any() else 0.0
    base = float(np.median(col - slope * row))
    margin = max(_MARGIN * light.shape[1], _LEAST_MARGIN)
    on = np.abs(col - base - slope * row) <= margin
    if on.sum() < max(_ON_ONE_LINE * len(row), _FEWEST_STEPS):
        return None
    found = Coarse(base, slope, margin, float(np.median(height[strong][on])), 0.0)
    near = np.abs(np.arange(light.shape[1]) - found.at(rows)[:, None]) <= margin
    bright = near & (light - level[:, None] > height[:, None] / 2)
    return replace(found, width=float(np.median(bright[strong].sum(axis=1))))
