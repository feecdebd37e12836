"""Level joints of masonry: courses run unbroken from side to side, the upright joints between them are staggered."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array, unit
from flatscan.wall.planes import Candidate, Thinned

# a joint is about this wide, a course at most so high: what is longer is the wall's own shape [m]
_ROW, _COURSE = 0.01, 0.35
# rows must differ so many times more than their own noise, and than rows the other way
_OVER_NOISE, _OVER_OTHERS = 3.0, 3.0
_LEAST_IN_ROW, _LEAST_ROWS = 12, 60


def has_level_joints(thinned: Thinned, plane: Candidate, up: Array) -> bool:
    """Whether rows level with ``up`` lie before and behind each other far more than rows upright to it do."""
    points = thinned.points[plane.members]
    off = (points - plane.centre) @ plane.normal
    rows = _unevenness(points @ up, off)
    columns = _unevenness(points @ unit(np.cross(up, plane.normal)), off)
    if rows is None or columns is None:
        return False
    (level, noise), (upright, _) = rows, columns
    return level > _OVER_NOISE * noise and level > _OVER_OTHERS * upright


def _unevenness(place: Array, off: Array) -> tuple[float, float] | None:
    """Variance of the means of rows about their neighbours' over a course, and what noise alone makes of it [m2]."""
    number = np.floor((place - place.min()) / _ROW).astype(np.int64)
    count = np.bincount(number)
    held = count >= _LEAST_IN_ROW
    if held.sum() < _LEAST_ROWS:
        return None
    total, square = np.bincount(number, weights=off), np.bincount(number, weights=off**2)
    mean = np.where(held, total / np.maximum(count, 1), 0.0)
    spread = square / np.maximum(count, 1) - mean**2
    course = np.ones(int(_COURSE / _ROW) | 1)
    usual = np.convolve(mean, course, "same") / np.maximum(np.convolve(held, course, "same"), 1)
    return float(((mean - usual)[held] ** 2).mean()), float((spread / np.maximum(count, 1))[held].mean())
