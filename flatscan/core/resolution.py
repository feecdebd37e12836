"""The smallest feature that cells and their smoothing show at nearly its full height."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from flatscan.core.geometry import Array

KEPT = 0.95
# standard deviations of a normal curve over its width at half height: 2 sqrt(2 ln 2)
_WIDTH = 2.3548200450309493
# a ridge whose crest lies half way between two lines keeps that share on both of them where it is so many times as wide
# as they are apart: exp(-4 ln 2 (1/2)^2 / w^2) = 0.95
BETWEEN_LINES = float(np.sqrt(np.log(2) / -np.log(KEPT)))


def smoothing_row(window: int) -> Array:
    """Weights of the middle of a quadratic through ``window`` equal steps (Savitzky and Golay 1964)."""
    step = np.arange(window) - window // 2
    if window == 1:
        return np.ones(1)
    weights: Array = np.linalg.pinv(np.stack([np.ones(window), step, step**2], axis=1).astype(float))[0]
    return weights


def ridge_kept(width: float, window: int, off: float = 0.5) -> float:
    """Share of its height that a ridge, ``width`` cells across at half height, keeps in cells smoothed over a window.

    The ridge is a normal curve across and its crest lies ``off`` cells from the middle of one: 0.5 is on the edge
    between two, the worst place. A cell is the mean over its width, so its value is a difference of error functions.
    """
    from scipy.special import erf

    sd = width / _WIDTH
    edge = np.arange(-window - 3, window + 4) - 0.5 - off
    rise = sd * np.sqrt(np.pi / 2) * erf(edge / sd / np.sqrt(2))
    return float(np.convolve(np.diff(rise), smoothing_row(window), "same")[2:-2].max())


@lru_cache(maxsize=64)
def narrowest_kept(window: int) -> float:
    """Width at half height, in cells, of the narrowest ridge that keeps 95 % of its height wherever it lies.

    Halved twenty-five times, which leaves 1e-6 cells: scipy's root finders take longer to load than this takes to run.
    """
    low, high = 0.5, 10.0 * window
    for _ in range(25 + window.bit_length()):
        middle = (low + high) / 2
        low, high = (low, middle) if ridge_kept(middle, window) > KEPT else (middle, high)
    return high
