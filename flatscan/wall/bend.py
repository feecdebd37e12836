"""Surfaces that are not one flat wall: curved ones, and walls on two levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Array
from flatscan.wall.candidates import COHERENT, Candidate, Thinned, in_plane, plane_axes
from flatscan.wall.quadratic import slopes_at, solve, terms_at

GROWTH = 1.6
CURVED_SAGITTA = 0.06
MORE = 1.25
LARGEST_RADIUS = 30.0
LEVELS = (0.015, 0.25)


@dataclass(frozen=True, slots=True)
class Bend:
    """A curved surface: smallest radius [m] and how far it leaves a plane over its own extent [m]."""

    radius: float
    sagitta: float


def find_bend(thinned: Thinned, plane: Candidate) -> Bend | None:
    """The curvature of the surface that ``plane`` touches, or None where it is flat.

    A quadratic is grown outward from the plane's own points. The surface is curved if the quadratic holds a quarter
    more points than the plane does, leaves the plane by more than 60 mm over its extent, and has a radius under 30 m.
    """
    flat = in_plane(thinned.points, plane.centre, plane.normal)
    off = (thinned.points - plane.centre) @ plane.normal
    half = np.quantile(np.abs(flat[plane.members]), 0.95, axis=0)
    size = float(half.max())
    around = np.flatnonzero((np.abs(flat) < GROWTH * half + 0.05).all(axis=1))
    flat, off, facing = flat[around], off[around], thinned.normals[around]
    axes = plane_axes(plane.normal)
    design = terms_at(flat[:, 0] / size, flat[:, 1] / size)
    held = np.isin(around, plane.members)
    for growth in np.linspace(1.0, GROWTH, 6):
        terms = solve(design[held], off[held])
        held = (np.abs(flat) < growth * half + 0.05).all(axis=1) & (np.abs(off - design @ terms) < thinned.reach)
        # what only crosses the sheet, as furniture does, faces another way than the sheet there
        slope = (slopes_at(flat[:, 0] / size, flat[:, 1] / size) @ terms).T / size
        sheet = plane.normal - slope @ axes
        held &= np.abs((sheet * facing).sum(axis=1)) > COHERENT * np.linalg.norm(sheet, axis=1)
        if held.sum() < 10:
            return None
    bend = np.linalg.eigvalsh(np.array([[2 * terms[3], terms[4]], [terms[4], 2 * terms[5]]]))
    sharpest = float(np.abs(bend).max()) / size**2
    span = float(np.ptp(design[held][:, 3:] @ terms[3:]))
    if held.sum() < MORE * len(plane.members) or span < CURVED_SAGITTA or sharpest < 1 / LARGEST_RADIUS:
        return None
    return Bend(1 / sharpest, span)


def level_beside(thinned: Thinned, plane: Candidate, others: list[Candidate]) -> tuple[Candidate, float] | None:
    """A parallel surface that goes on beside this one 15 to 250 mm before or behind it, and that step [m].

    The step is + along ``plane``'s normal. Surfaces that overlap (a cupboard's front, the other face of a
    partition) are not a second level of the same wall.
    """
    own = in_plane(thinned.points[plane.members], plane.centre, plane.normal)
    for other in others:
        if other is plane or abs(np.dot(other.normal, plane.normal)) < np.cos(np.radians(3.0)):
            continue
        points = thinned.points[other.members]
        step = float(np.median((points - plane.centre) @ plane.normal))
        if not LEVELS[0] < abs(step) < LEVELS[1]:
            continue
        beside = in_plane(points, plane.centre, plane.normal)
        if _touch(own, beside):
            return other, step
    return None


def _touch(one: Array, two: Array, *, cell: float = 0.1) -> bool:
    """Whether two point sets in one plane fill neighbouring cells over 0.5 m and share at most a tenth of theirs."""
    low = np.minimum(one.min(axis=0), two.min(axis=0)) - 2 * cell
    size = np.ceil((np.maximum(one.max(axis=0), two.max(axis=0)) - low) / cell).astype(int) + 3
    grids = []
    for points in (one, two):
        grid = np.zeros(size, dtype=bool)
        grid[tuple(np.floor((points - low) / cell).astype(int).T)] = True
        grids.append(grid)
    shared = (grids[0] & grids[1]).sum()
    wide = grids[0].copy()
    for shift in (-1, 1):
        for axis in (0, 1):
            wide |= np.roll(grids[0], shift, axis)
    meeting = (wide & grids[1]).sum()
    return bool(meeting * cell > 0.5 and shared < 0.1 * min(grids[0].sum(), grids[1].sum()) + 0.5 / cell)
