"""Cameras: lens and size, and the rays of their pixels."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np

from flatscan.core.geometry import Array


@dataclass(frozen=True, slots=True)
class Camera:
    """Pixels wide and high, focal lengths and principal point [pixels, centres of pixels at whole numbers].

    ``distortion`` are OpenCV's coefficients k1 k2 p1 p2 k3 ..., empty for a picture free of it. ``extras`` are further
    words of its file (``depth_scale`` and the like). ``rms`` [pixels] is how well a calibration fitted.
    """

    width: int
    height: int
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: tuple[float, ...] = ()
    extras: tuple[tuple[str, Any], ...] = ()
    rms: float | None = None

    @property
    def matrix(self) -> Array:
        """Intrinsic matrix (3, 3)."""
        return np.array([[self.fx, 0.0, self.cx], [0.0, self.fy, self.cy], [0.0, 0.0, 1.0]])

    def extra(self, name: str) -> Any:
        """A further word of the camera's file, or None."""
        return dict(self.extras).get(name)

    def straight(self, pixels: Array) -> Array:
        """Normalised coordinates x / z, y / z (n, 2) of the rays through pixels (n, 2), distortion undone."""
        pixels = np.asarray(pixels, np.float64).reshape(-1, 2)
        if not any(self.distortion):
            return (pixels - [self.cx, self.cy]) / [self.fx, self.fy]
        import cv2

        # the default five rounds leave hundredths of a pixel at the corners of a wide lens
        done = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-12)
        lens = np.array(self.distortion)
        undo: Any = getattr(cv2, "undistortPointsIter", cv2.undistortPoints)  # OpenCV 4 has two functions for it
        straight = undo(pixels[:, None, :], self.matrix, lens, R=None, P=None, criteria=done)
        return np.asarray(straight[:, 0, :], np.float64)

    def text(self) -> str:
        """The JSON file of the camera, matrix column by column as Open3D writes it."""
        record: dict[str, Any] = {
            "width": self.width,
            "height": self.height,
            "intrinsic_matrix": [float(value) for value in self.matrix.T.ravel()],
        }
        if self.distortion:
            record["distortion"] = list(self.distortion)
        if self.rms is not None:
            record["rms_pixels"] = self.rms
        return json.dumps(record | dict(self.extras), indent=2) + "\n"
