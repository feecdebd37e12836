"""Photos placed in space: one camera each, the points that tie them together, and how the whole may be off."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.camera import Camera
from flatscan.core.geometry import Array
from flatscan.core.notes import Note

Indices = NDArray[np.int64]


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
        """Pixels (n, 2) of points (n, 3) [m], through the lens; NaN for what lies behind the camera."""
        import cv2

        there = (np.asarray(points, np.float64).reshape(-1, 3) - self.centre) @ self.rotation.T
        pixels = np.full((len(there), 2), np.nan)
        before = there[:, 2] > 0
        if before.any():
            zero, lens = np.zeros(3), np.array(self.camera.distortion or (0.0,) * 4)
            found = cv2.projectPoints(there[before], zero, zero, self.camera.matrix, lens)[0]
            pixels[before] = np.asarray(found, np.float64).reshape(-1, 2)
        return pixels


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
    None where it is not known. ``u_reprojection`` [pixels] is how far points miss their pictures.
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

    @property
    def scale_known(self) -> bool:
        """Whether lengths are metres."""
        return self.scale_u is not None

    def seen_by(self, photo: int) -> Indices:
        """Numbers of the points that a photo sees."""
        starts, photos = self.point_photos
        points = np.repeat(np.arange(len(starts) - 1, dtype=np.int64), np.diff(starts))
        return points[photos == photo]
