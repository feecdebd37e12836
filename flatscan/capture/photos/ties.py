"""What holds photos together, as numbers: where each was taken, their lenses, the points they share, who sees which."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from flatscan.capture.camera import Camera
from flatscan.capture.photos.bundle import Indices
from flatscan.core.geometry import Array, Mask

# focal length, how much longer it is down than across (a share), centre, and OpenCV's k1 k2 p1 p2 k3 and first divisor
LENS = ("f", "aspect", "cx", "cy", "k1", "k2", "p1", "p2", "k3", "k4")
POSE = 6


@dataclass(frozen=True, eq=False)
class Sights:
    """Points seen on photos: numbers of ``photo`` and ``point`` (n,), ``pixels`` (n, 2) and their u ``sd`` (n,).

    ``size`` (n,) [pixels] is how large the feature is: large ones are placed less well.
    """

    photo: Indices
    point: Indices
    pixels: Array
    size: Array
    sd: Array

    def __len__(self) -> int:
        return len(self.photo)

    def only(self, kept: Mask) -> Sights:
        """Those kept (n,)."""
        return Sights(self.photo[kept], self.point[kept], self.pixels[kept], self.size[kept], self.sd[kept])


@dataclass(frozen=True, eq=False)
class Ties:
    """Photos' turns (m, 3, 3) and centres (m, 3), lenses (g, 10) as in `LENS`, ``lens_of`` (m,), ``points`` (p, 3).

    x_camera = turn @ (x - centre); all in one unit of length. ``labels`` (p,) is -1 for a feature and for a corner of a
    printed target four times its number and which corner.
    """

    turns: Array
    centres: Array
    lenses: Array
    lens_of: Indices
    points: Array
    labels: Indices

    @property
    def unknowns(self) -> int:
        """How many numbers photos and lenses have."""
        return POSE * len(self.turns) + self.lenses.size

    def pose_columns(self, photo: Indices) -> Indices:
        """Columns (n, 6) of the poses of photos (n,)."""
        return POSE * photo[:, None] + np.arange(POSE)

    def lens_columns(self, photo: Indices) -> Indices:
        """Columns (n, 10) of the lenses of photos (n,)."""
        size = self.lenses.shape[1]
        return POSE * len(self.turns) + size * self.lens_of[photo][:, None] + np.arange(size)

    def moved(self, change: Array, points: Array | None = None) -> Ties:
        """The same with poses and lenses changed by ``change`` (unknowns,) and points by (p, 3)."""
        poses = change[: POSE * len(self.turns)].reshape(-1, POSE)
        lenses = self.lenses + change[POSE * len(self.turns) :].reshape(self.lenses.shape)
        turns = np.einsum("mij,mjk->mik", turned_by(poses[:, :3]), self.turns)
        centres = self.centres + poses[:, 3:]
        after = self.points if points is None else self.points + points
        return Ties(turns, centres, lenses, self.lens_of, after, self.labels)

    def similar(self, scale: float, turn: Array, shift: Array) -> Ties:
        """The same in another frame: x becomes scale turn @ x + shift."""
        return replace(
            self,
            turns=self.turns @ turn.T,
            centres=scale * self.centres @ turn.T + shift,
            points=scale * self.points @ turn.T + shift,
        )


def turned_by(vectors: Array) -> Array:
    """Rotations (m, 3, 3) about vectors (m, 3) by their lengths [rad] (Rodrigues' formula)."""
    angle = np.linalg.norm(vectors, axis=1)[:, None, None]
    cross = crossing(vectors)
    with np.errstate(invalid="ignore", divide="ignore"):
        one = np.where(angle > 1e-8, np.sin(angle) / angle, 1.0)
        two = np.where(angle > 1e-8, (1 - np.cos(angle)) / angle**2, 0.5)
    rotations: Array = np.eye(3) + one * cross + two * (cross @ cross)
    return rotations


def crossing(vectors: Array) -> Array:
    """Matrices (m, 3, 3) that make the cross product of vectors (m, 3) with another."""
    x, y, z = vectors.T
    zero = np.zeros(len(vectors))
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)


@dataclass(frozen=True, eq=False)
class Slopes:
    """Pixels (n, 2) that sights should have, and their slopes by pose (n, 2, 6), lens (n, 2, 10), point (n, 2, 3)."""

    pixels: Array
    pose: Array
    lens: Array
    point: Array
    before: Mask


def seen_by(ties: Ties, sights: Sights) -> Slopes:
    """Where points are seen, with slopes (OpenCV's model of a lens; turns change from the left, by vectors)."""
    turn = ties.turns[sights.photo]
    there = np.einsum("nij,nj->ni", turn, ties.points[sights.point] - ties.centres[sights.photo])
    before = there[:, 2] > 1e-6
    there = np.where(before[:, None], there, [0.0, 0.0, 1.0])
    depth = there[:, 2]
    plain = there[:, :2] / depth[:, None]
    bent, by_plain, by_lens = _bent(plain, ties.lenses[ties.lens_of[sights.photo]])
    by_there = np.zeros((len(there), 2, 3))
    by_there[:, 0, 0] = by_there[:, 1, 1] = 1 / depth
    by_there[:, :, 2] = -plain / depth[:, None]
    slope = by_plain @ by_there
    point = slope @ turn
    pose = np.concatenate([-slope @ crossing(there), -point], axis=2)
    return Slopes(bent, pose, by_lens, point, before)


def _bent(plain: Array, lens: Array) -> tuple[Array, Array, Array]:
    """Pixels (n, 2) of plain coordinates (n, 2) through lenses (n, 10), slopes by both: (n, 2, 2) and (n, 2, 10)."""
    f, aspect, cx, cy, k1, k2, p1, p2, k3, k4 = lens.T
    x, y = plain.T
    square = x * x + y * y
    top, under = 1 + square * (k1 + square * (k2 + square * k3)), 1 + square * k4
    radial = top / under
    by_square = ((k1 + square * (2 * k2 + 3 * square * k3)) - radial * k4) / under
    xd = x * radial + 2 * p1 * x * y + p2 * (square + 2 * x * x)
    yd = y * radial + p1 * (square + 2 * y * y) + 2 * p2 * x * y
    fy = f * (1 + aspect)
    pixels = np.stack([f * xd + cx, fy * yd + cy], axis=1)
    slope = np.empty((len(x), 2, 2))
    slope[:, 0, 0] = f * (radial + 2 * x * x * by_square + 2 * p1 * y + 6 * p2 * x)
    slope[:, 0, 1] = f * (2 * x * y * by_square + 2 * p1 * x + 2 * p2 * y)
    slope[:, 1, 0] = fy * (2 * x * y * by_square + 2 * p1 * x + 2 * p2 * y)
    slope[:, 1, 1] = fy * (radial + 2 * y * y * by_square + 6 * p1 * y + 2 * p2 * x)
    zero, one = np.zeros_like(x), np.ones_like(x)
    growth = np.stack([square, square**2], axis=0) / under
    cube, divided = square**3 / under, -square * radial / under
    across = [xd, zero, one, zero, *(f * x * growth), f * 2 * x * y, f * (square + 2 * x * x), f * x * cube]
    down = [(1 + aspect) * yd, f * yd, zero, one, *(fy * y * growth), fy * (square + 2 * y * y), fy * 2 * x * y]
    across.append(f * x * divided)
    down += [fy * y * cube, fy * y * divided]
    return pixels, slope, np.stack([np.stack(across, axis=1), np.stack(down, axis=1)], axis=1)


def camera_of(lens: Array, width: int, height: int) -> Camera:
    """A lens (10,) as a camera for pictures of that size."""
    f, aspect, cx, cy, k1, k2, p1, p2, k3, k4 = (float(value) for value in lens)
    distortion: tuple[float, ...] = (k1, k2, p1, p2, k3)
    if k4:
        distortion = (*distortion, k4, 0.0, 0.0)
    return Camera(width, height, f, f * (1 + aspect), cx, cy, distortion if any(distortion) else ())


def lens_of_camera(camera: Camera) -> Array:
    """A camera's lens as (10,) numbers in the order of `LENS`; further coefficients are dropped."""
    given: list[Any] = [*camera.distortion[:6], *(0.0,) * (6 - len(camera.distortion[:6]))]
    return np.array([camera.fx, camera.fy / camera.fx - 1, camera.cx, camera.cy, *given])
