"""The wall's own plane: least squares on area-even cell means with a robust loss, and its plumb frame.

Cell means give every part of the wall the same vote however densely it was scanned (Shakarji and Srinivasan: fits of
unevenly sampled points are wrong); Tukey's biweight leaves out what stands off the wall; where a one-sided layer is
suspected, least trimmed squares on the best 70 % of the cells (methods/walls 6).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array, Frame, fit_plane, fit_plane_robust, plumb_frame, robust_scale
from flatscan.wall.planes import Candidate, Thinned

CELL = 0.05
GATE = 0.03
TRIM = 0.7
ONE_SIDED = 0.1


@dataclass(frozen=True, eq=False)
class Fit:
    """A wall's fit: a plumb frame whose plane touches the fit at height 0, and its ``lean`` [m per m].

    ``low`` and ``high`` (2,) are the corners [m] of the rectangle its found points fill, in that frame;
    ``scatter`` [m] is the robust spread of the cell means about the plane; ``members`` the thinned points' indices.
    """

    frame: Frame
    lean: float
    low: Array
    high: Array
    scatter: float
    plane: Candidate

    def local(self, points: Array) -> Array:
        """Points (n, 3) as x along, y up and r off the fitted (leaning) plane, toward the room positive [m]."""
        place = self.frame.to_wall(points)
        place[:, 2] -= self.lean * place[:, 1]
        return place


def cell_means(x: Array, y: Array, z: Array, cell: float) -> tuple[Array, Array, Array]:
    """Mean x, y and z of the points in each occupied square cell [m]."""
    column = np.floor((x - x.min()) / cell).astype(np.int64)
    row = np.floor((y - y.min()) / cell).astype(np.int64)
    number = row * (column.max() + 1) + column
    if len(number) and number.max() > 50 * len(number) + 1_000_000:
        # a few far strays would make the table of all cells huge: number the occupied ones instead
        _, number = np.unique(number, return_inverse=True)
    count = np.bincount(number)
    held = count > 0
    return tuple(np.bincount(number, part)[held] / count[held] for part in (x, y, z))  # type: ignore[return-value]


def fit_wall(
    points: Array, thinned: Thinned, plane: Candidate, up: Array, sign: float, *, clear_below: float | None = None
) -> Fit:
    """Robust fit of the wall whose surface ``plane`` found among ``points`` (n, 3); ``sign`` turns it to the room.

    ``clear_below`` [m along up] leaves out what lies lower, such as a skirting. Points on one line raise
    `numpy.linalg.LinAlgError`.
    """
    frame = plumb_frame(plane.centre, sign * plane.normal, up)
    members = frame.to_wall(thinned.points[plane.members])
    low, high = members[:, :2].min(axis=0), members[:, :2].max(axis=0)
    close = np.abs((points - plane.centre) @ plane.normal) < 2 * thinned.reach
    place = frame.to_wall(points[close])
    within = ((place[:, :2] > low - 0.02) & (place[:, :2] < high + 0.02)).all(axis=1)
    if clear_below is not None:
        within &= points[close] @ up > clear_below
    place = place[within]
    slope = np.array([plane.normal @ frame.out, plane.normal @ frame.along, plane.normal @ frame.up])
    start = np.array([0.0, -slope[1] / slope[0], -slope[2] / slope[0]])
    coefficients, scatter = _robust(place, start, max(CELL, 2 * thinned.box))
    return _framed(frame, coefficients, scatter, members, plane)


def _robust(place: Array, start: Array, cell: float) -> tuple[Array, float]:
    """Plane coefficients (3,) through the cell means near the last plane, and their robust spread [m]."""
    coefficients, scatter = start, GATE
    for _ in range(3):
        residual = place[:, 2] - _height(coefficients, place[:, 0], place[:, 1])
        near = place[np.abs(residual) < GATE]
        if len(near) < 3:
            near = place
        x, y, z = cell_means(near[:, 0], near[:, 1], near[:, 2], cell)
        coefficients, _ = fit_plane_robust(x, y, z)
        rest = z - _height(coefficients, x, y)
        scatter = robust_scale(rest)
        if _one_sided(rest, scatter):
            coefficients = least_trimmed(x, y, z, coefficients)
    return coefficients, scatter


def _height(coefficients: Array, x: Array, y: Array) -> Array:
    height: Array = coefficients[0] + coefficients[1] * x + coefficients[2] * y
    return height


def _one_sided(residual: Array, scatter: float) -> bool:
    """Whether many more cells stand well off the plane on one side than on the other."""
    far = 3 * max(scatter, 5e-4)
    return bool(abs((residual > far).mean() - (residual < -far).mean()) > ONE_SIDED)


def least_trimmed(x: Array, y: Array, z: Array, start: Array, *, share: float = TRIM) -> Array:
    """Plane (3,) through the ``share`` of points closest to it, by concentration steps from a ``start`` near it.

    Rousseeuw and Van Driessen, Computing LTS regression for large data sets, 2006 (from memory).
    """
    keep = max(3, int(np.ceil(share * len(z))))
    coefficients = start
    for _ in range(50):
        best = np.sort(np.argsort(np.abs(z - _height(coefficients, x, y)), kind="stable")[:keep])
        refined, _ = fit_plane(x[best], y[best], z[best])
        if np.allclose(refined, coefficients, rtol=0, atol=1e-12):
            break
        coefficients = refined
    return coefficients


def _framed(frame: Frame, coefficients: Array, scatter: float, members: Array, plane: Candidate) -> Fit:
    """The frame turned to the wall's own horizontal line, standing on the fit at the lowest member."""
    turn, lean = coefficients[1], coefficients[2]
    foot = float(members[:, 1].min())
    at = frame.to_file(np.array([[0.0, foot, coefficients[0] + lean * foot]]))[0]
    turned = plumb_frame(at, frame.out - turn * frame.along, frame.up)
    # the slope is wanted per metre off the turned plane, which is cos(turn) times that off the first one
    lean = float(lean / np.hypot(1.0, turn))
    place = turned.to_wall(frame.to_file(members))[:, :2]
    return Fit(turned, lean, place.min(axis=0), place.max(axis=0), scatter, plane)
