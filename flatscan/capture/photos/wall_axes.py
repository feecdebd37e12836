"""The axes that placed photos are given: the largest plane, which way is up in it, and how long a metre is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatscan.capture.photos.photo_setup import PhotoSetup
from flatscan.capture.photos.taped_places import SPREAD, Laid, laid_on_tapes
from flatscan.capture.photos.target_ties import Marks, marks_of
from flatscan.capture.photos.ties import Ties
from flatscan.core.geometry import Array, Mask, fit_plane_total, robust_scale
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share

# trials of three points, and how far off a point of the plane may lie as a share of the cameras' distance
_TRIALS, _NEAR = 400, 0.02
# how well people hold a phone level, and stick a target upright [rad] (engineering estimates)
_HELD, _STUCK, _LEAST_HELD = 0.05, 0.02, 0.02
_ALIKE = 0.1


@dataclass(frozen=True, eq=False)
class Axes:
    """Ties in metres on the wall's axes, and how that is known; ``on_plane`` is the share of points near z = 0."""

    ties: Ties
    scale_u: float | None
    scale_from: Note
    axes_from: Note
    u_up: float
    on_plane: float
    notes: tuple[Note, ...]


def on_wall_axes(ties: Ties, uprights: Array, setup: PhotoSetup) -> Axes:
    """The same ties on the wall's axes; ``uprights`` (m, 3) are the upright directions of the photos as they lie."""
    centre, normal, near = _largest_plane(ties)
    up, axes_from, u_up = _upright(ties, uprights, normal)
    ties = ties.similar(1.0, np.stack([np.cross(up, normal), up, normal]), np.zeros(3))
    ties = ties.similar(1.0, np.eye(3), -ties.points[near].mean(axis=0))
    marks = marks_of(ties)
    pixel = float(np.median(ties.centres[:, 2]) / np.median(ties.lenses[:, 0]))
    laid = laid_on_tapes(marks, setup, pixel)
    if laid is not None:
        turn = np.eye(3)
        turn[:2, :2] = laid.turn
        ties = ties.similar(laid.scale, turn, np.zeros(3))
        if laid.axes:
            axes_from, u_up = note("placed.axes-taped", count=laid.used), laid.u_turn
    else:
        # a length of no meaning: the cameras stand at 1
        ties = ties.similar(1 / float(np.median(ties.centres[:, 2])), np.eye(3), np.zeros(3))
    ties = ties.similar(1.0, np.eye(3), _to_origin(ties, near))
    return Axes(
        ties,
        None if laid is None else laid.u_scale,
        note("placed.no-scale") if laid is None else laid.scale_from,
        axes_from,
        u_up,
        float(near.mean()),
        () if laid is None else (*laid.notes, *_sizes(marks, setup, laid, pixel)),
    )


def _to_origin(ties: Ties, near: Mask) -> Array:
    """Shift (3,) that puts the lower left of the points near the plane, without the last stray ones, at 0, 0."""
    low = np.percentile(ties.points[near, :2], 0.2, axis=0)
    return np.array([-low[0], -low[1], -np.median(ties.points[near, 2])])


def _sizes(marks: Marks, setup: PhotoSetup, laid: Laid, pixel: float) -> tuple[Note, ...]:
    """What the printed targets measure, where their size was stated and the scale is known otherwise."""
    if setup.target_size is None or laid.by_size or not len(marks):
        return ()
    measured = float(np.median(marks.sides)) * laid.scale
    off = measured / setup.target_size - 1
    spread = np.hypot(setup.doubts.target_size, SPREAD * pixel * laid.scale) / setup.target_size
    if abs(off) < max(0.01, 3 * spread):
        return ()
    return (note("placed.size-check", stated=metres(setup.target_size), measured=metres(measured), off=share(off)),)


def _largest_plane(ties: Ties) -> tuple[Array, Array, Mask]:
    """Middle, normal toward the cameras, and points near the plane that most points lie near (MSAC, then robust)."""
    points = ties.points
    distance = float(np.median(np.linalg.norm(points - ties.centres.mean(axis=0), axis=1)))
    most = _NEAR * distance
    rng = np.random.default_rng(0)
    best, found = np.inf, (points.mean(axis=0), np.array([0.0, 0.0, 1.0]))
    for _ in range(_TRIALS):
        a, b, c = points[rng.choice(len(points), 3, replace=False)]
        normal = np.cross(b - a, c - a)
        size = float(np.linalg.norm(normal))
        if size < 1e-9 * distance**2:
            continue
        off = (points - a) @ normal / size
        cost = float(np.minimum(off**2, most**2).sum())
        if cost < best:
            best, found = cost, (a, normal / size)
    for _ in range(10):
        off = (points - found[0]) @ found[1]
        near = np.abs(off) < most
        scale = max(robust_scale(off[near]), 1e-6 * distance)
        near = np.abs(off) < min(most, 4 * scale)
        found = fit_plane_total(points[near])
    centre, normal = found
    if np.median((ties.centres - centre) @ normal) < 0:
        normal = -normal
    return centre, normal, np.abs((points - centre) @ normal) < most


def _upright(ties: Ties, uprights: Array, normal: Array) -> tuple[Array, Note, float]:
    """Unit vector up in the plane with this normal, how it is known, and its u [rad]."""
    one = np.cross(normal, [1.0, 0.0, 0.0] if abs(normal[0]) < 0.9 else [0.0, 1.0, 0.0])
    one = one / np.linalg.norm(one)
    two = np.cross(normal, one)
    held = np.arctan2(uprights @ two, uprights @ one)
    angle, scatter = _mean_of_quarters(held)
    known, u = note("placed.axes-held"), max(_HELD, scatter) / np.sqrt(len(held)) + _LEAST_HELD
    marks = marks_of(ties)
    if len(marks) > 1:
        upward = marks.corners[:, :2].mean(axis=1) - marks.corners[:, 2:].mean(axis=1)
        stuck = np.arctan2(upward @ two, upward @ one)
        turned = np.angle(np.exp(1j * (stuck - angle)))
        alike = np.abs(turned - np.median(turned)) < _ALIKE
        # targets stuck the wrong way round are no upright; most of them must stand as photos say, within half a quarter
        if alike.mean() > 0.6 and alike.sum() > 1 and abs(np.median(turned)) < np.pi / 4:
            off = float(turned[alike].mean())
            angle += off
            u = max(_STUCK, float(turned[alike].std())) / np.sqrt(alike.sum())
            known = note("placed.axes-stuck", count=int(alike.sum()))
    up = np.cos(angle) * one + np.sin(angle) * two
    return up, known, float(u)


def _mean_of_quarters(angles: Array) -> tuple[float, float]:
    """Direction that most photos hold up, with photos turned by quarters counted alike, and their scatter [rad]."""
    fourth = np.exp(4j * angles)
    middle = float(np.angle(fourth.mean())) / 4
    candidates = middle + np.arange(4) * np.pi / 2
    off = np.abs(np.angle(np.exp(1j * (angles[:, None] - candidates))))
    best = candidates[int((off < np.pi / 4).sum(axis=0).argmax())]
    scatter = np.angle(fourth * np.exp(-4j * middle)) / 4
    return float(best), float(robust_scale(scatter)) if len(angles) > 2 else _HELD


def uprights_of(turns: Array, to_upright: Sequence[Array]) -> Array:
    """Upright directions (m, 3) of photos in the world: against y of their upright pictures."""
    return np.array([-(turn @ own)[1] for own, turn in zip(turns, to_upright, strict=True)])
