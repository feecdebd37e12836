"""A skirting along the foot of a wall: found by its step, left out of the fit and of the part measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array
from flatscan.wall.fit import Fit

ROW = 0.02
STEP = 0.004
PROUD = 0.045
LOWEST, HIGHEST = 0.04, 0.30
SPREAD = 0.5


@dataclass(frozen=True, slots=True)
class Skirting:
    """How far it stands proud, and where its top lies, up in the fit's coordinates [m]."""

    thickness: float
    top: float


def find_skirting(points: Array, fit: Fit) -> Skirting | None:
    """The skirting of a wall among ``points`` (n, 3), or None.

    Rows of 20 mm up from the foot: all of them at least 4 mm proud up to a step within 40 mm, 40 to 300 mm above the
    foot, along at least half of the wall. A wall that bellies out at its foot has no such step.
    """
    close = np.abs((points - fit.frame.at) @ fit.frame.out) < 0.4
    place = fit.local(points[close])
    place = place[(place[:, 0] > fit.low[0]) & (place[:, 0] < fit.high[0]) & (np.abs(place[:, 2]) < PROUD + 0.015)]
    place = place[np.abs(place[:, 1] - fit.low[1]) < HIGHEST + 0.15]
    if len(place) < 50:
        return None
    foot = float(np.quantile(place[:, 1], 0.002))
    row = np.floor((place[:, 1] - foot) / ROW).astype(int)
    rows = int(np.ceil((HIGHEST + 0.1) / ROW))
    columns = np.floor(place[:, 0] / 0.2)
    wide = (fit.high[0] - fit.low[0]) / 0.2
    middle = np.full(rows, np.nan)
    for i in range(rows):
        here = row == i
        if here.sum() >= 8 and len(np.unique(columns[here])) > SPREAD * wide:
            middle[i] = np.median(place[here, 2])
    return _step(middle, foot)


def _step(middle: Array, foot: float) -> Skirting | None:
    """The first row from which the wall lies back, if every row below stands proud of it."""
    for k in range(int(LOWEST / ROW), int(HIGHEST / ROW)):
        above = middle[k + 1 : k + 5]
        if np.isfinite(above).sum() < 2:
            continue
        # the lowest row holds the floor's edge, the row of the step a part of either
        below = middle[1:k]
        below = below[np.isfinite(below)]
        thickness = float(np.median(below) - np.nanmedian(above)) if len(below) else 0.0
        proud = len(below) > 0 and (below - np.nanmedian(above)).min() > max(STEP, 0.6 * thickness)
        if proud and thickness > STEP and np.nanmax(np.abs(above - np.nanmedian(above))) < 0.3 * thickness:
            return Skirting(thickness, foot + (k + 1) * ROW)
    return None
