"""Photos placed in space: one camera each, the points that tie them together, and how the whole may be off."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.camera import Camera
from flatscan.core.geometry import Array
from flatscan.core.notes import Note

Indices = NDArray[np.int64]
# tangent of the widest angle off the axis that a lens of these terms is asked for
_WIDEST = 10.0


@dataclass(frozen=True, eq=False)
class Placed:
    """A photo and where it was taken: x_camera = ``rotation`` (3, 3) @ (x_world - ``centre`` (3,)) [m].

    Camera axes as OpenCV's: x right, y down, z forward. ``camera`` is for the picture as `read_picture` gives it.
    """

    name: str
    path: Path
    camera: Camera
    rotation: Array
    centre: Array

    def seen(self, points: Array) -> Array:
        """Pixels (n, 2) of points (n, 3) [m], through the lens; NaN behind the camera and where its terms fold."""
        import cv2

        there = (np.asarray(points, np.float64).reshape(-1, 3) - self.centre) @ self.rotation.T
        pixels = np.full((len(there), 2), np.nan)
        before = there[:, 2] > 0
        # further out a lens's polynomial comes back into the picture, and shows there what it never saw
        before[before] = np.hypot(*there[before, :2].T) < _folds(self.camera.distortion) * there[before, 2]
        if before.any():
            zero, lens = np.zeros(3), np.array(self.camera.distortion or (0.0,) * 4)
            found = cv2.projectPoints(there[before], zero, zero, self.camera.matrix, lens)[0]
            pixels[before] = np.asarray(found, np.float64).reshape(-1, 2)
        return pixels


@lru_cache(maxsize=256)
def _folds(distortion: tuple[float, ...]) -> float:
    """How far off the axis, x over z, a lens's radial terms first stop growing (OpenCV's order); at most `_WIDEST`."""
    k1, k2, _, _, k3, k4, k5, k6 = (*distortion, *(0.0,) * 8)[:8]
    at = np.linspace(0.0, _WIDEST, 2001)
    two = at**2
    shown = at * (1 + two * (k1 + two * (k2 + two * k3))) / (1 + two * (k4 + two * (k5 + two * k6)))
    back = np.flatnonzero(np.diff(shown) <= 0)
    return float(at[back[0]]) if len(back) else _WIDEST


@dataclass(frozen=True)
class LeftOut:
    """A photo that could not be used: its ``name`` and ``why``, a note with its numbers."""

    name: str
    why: Note


@dataclass(frozen=True, eq=False)
class Bundle:
    """Photos in one frame: x right along the wall, y up, z toward the room [m]; cameras stand at z > 0.

    z = 0 is a robust plane through the sparse points of the largest plane and no more than a first guess of the wall;
    the origin is at their lower left. ``points`` (n, 3) are the sparse points; ``point_photos`` says which photos see
    them: starts (n + 1,) and photos (k,), so that point i is seen by photos[starts[i] : starts[i + 1]].

    Each of ``modes`` is the same photos with poses and lens one standard deviation off along one direction of what the
    adjustment leaves open; they are independent, so variances of what they change add up. ``mode_names`` says what
    each is. Scale is not among them: ``scale_u`` is the relative u of all lengths, None where no scale is known and
    lengths are in a unit of no meaning (``scale_from`` says how it is known). ``u_up`` [rad] is how well y is plumb,
    None where it is not known. ``u_reprojection`` [pixels] is how far points miss their pictures. ``targets``
    (k, 4, 3) are the corners of the printed targets found, from top left clockwise.
    """

    photos: tuple[Placed, ...]
    left_out: tuple[LeftOut, ...]
    points: Array
    point_photos: tuple[Indices, Indices]
    modes: tuple[tuple[Placed, ...], ...]
    mode_names: tuple[str, ...]
    scale_u: float | None
    scale_from: Note
    u_reprojection: float
    axes_from: Note
    u_up: float | None
    notes: tuple[Note, ...] = ()
    targets: Array = field(default_factory=lambda: np.zeros((0, 4, 3)))

    @property
    def scale_known(self) -> bool:
        """Whether lengths are metres."""
        return self.scale_u is not None

    def seen_by(self, photo: int) -> Indices:
        """Numbers of the points that a photo sees."""
        starts, photos = self.point_photos
        points = np.repeat(np.arange(len(starts) - 1, dtype=np.int64), np.diff(starts))
        return points[photos == photo]
