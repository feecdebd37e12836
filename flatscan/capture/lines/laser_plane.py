"""The plane of light of a laser that is fixed to its camera, with its covariance, and the file that keeps it."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.calibration.camera_file import camera_of
from flatscan.capture.camera import Camera
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.records import load_json


@dataclass(frozen=True, eq=False)
class CalibratedPlane:
    """Light fills n . p = c in the camera's axes (x right, y down, z forward) [m], seen through ``camera``.

    ``covariance`` (4, 4) is that of (n, c), ``by_focal`` (4,) their change for a focal length longer by its whole.
    ``rms`` [m] is how far the light lies off the plane, ``near`` and ``far`` [m] where boards were held, ``bow`` [m]
    how far the board's middle stands off its edges, ``lens`` [pixels] what the lens's file leaves, ``spread`` (m,)
    [pixels] the rms of each pose's line.
    """

    camera: Camera
    normal: Array
    distance: float
    covariance: Array
    by_focal: Array
    rms: float
    poses: int
    near: float
    far: float
    bow: float
    lens: float
    spread: Array

    @property
    def u_distance(self) -> float:
        """Standard uncertainty [m] of the plane's distance from the camera."""
        return float(np.sqrt(self.covariance[3, 3]))

    @property
    def u_turn(self) -> float:
        """Standard uncertainty [radians] of the plane's direction, the larger of two."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance[:3, :3])[-1]))

    def moved(self, change: Array) -> CalibratedPlane:
        """The plane after a change (4,) of normal and distance."""
        normal = self.normal + change[:3]
        size = float(np.linalg.norm(normal))
        return replace(self, normal=normal / size, distance=(self.distance + float(change[3])) / size)

    def longer(self, part: float) -> CalibratedPlane:
        """The plane as a lens with a focal length longer by ``part`` of it would have shown it."""
        camera = replace(self.camera, fx=self.camera.fx * (1 + part), fy=self.camera.fy * (1 + part))
        return replace(self.moved(self.by_focal * part), camera=camera)

    def ways(self) -> tuple[Array, ...]:
        """Independent changes (4,) of one standard uncertainty each."""
        values, vectors = np.linalg.eigh(self.covariance)
        return tuple(np.sqrt(value) * vectors[:, i] for i, value in enumerate(values) if value > 1e-18)

    def u_at(self, rays: Array) -> Array:
        """Standard uncertainty (n,) [m] of the distance from the camera at which rays (n, 3) with z = 1 are lit."""
        across = rays @ self.normal
        reach = self.distance / across
        slopes = np.column_stack([-reach[:, None] * rays / across[:, None], 1 / across])
        return np.sqrt(np.einsum("ni,ij,nj->n", slopes, self.covariance, slopes))

    def text(self) -> str:
        """The JSON file of the plane, with its camera."""
        plane = {
            "normal": self.normal.tolist(),
            "distance_m": self.distance,
            "covariance": self.covariance.tolist(),
            "by_focal": self.by_focal.tolist(),
            "rms_m": self.rms,
            "poses": self.poses,
            "near_m": self.near,
            "far_m": self.far,
            "bow_m": self.bow,
            "lens_pixels": self.lens,
        }
        return json.dumps({"laser_plane": plane, "camera": json.loads(self.camera.text())}, indent=2) + "\n"


def read_plane(path: Path) -> CalibratedPlane:
    """The plane in a file of `CalibratedPlane.text`; raises `ReadError` for any other."""

    def wrong(reason: str) -> ReadError:
        return ReadError(
            path,
            "no plane of a laser in it ({reason})",
            needed="the file of {run:calibrate --laser}",
            remedy="Calibrate the laser again",
            reason=reason[:80],
        )

    record = load_json(path, wrong)
    try:
        plane = record["laser_plane"]
        normal, covariance, by_focal = (np.array(plane[key], float) for key in ("normal", "covariance", "by_focal"))
        numbers = {key: float(plane[f"{key}_m"]) for key in ("distance", "rms", "near", "far", "bow")}
        numbers["lens"] = float(plane["lens_pixels"])
        camera = camera_of(path, record["camera"])
        shaped = normal.shape == (3,) and covariance.shape == (4, 4) and by_focal.shape == (4,)
        sound = shaped and all(np.isfinite(one).all() for one in (normal, covariance, by_focal, [*numbers.values()]))
        if not (sound and abs(np.linalg.norm(normal) - 1) < 1e-6 and np.linalg.eigvalsh(covariance)[0] > -1e-12):
            raise ValueError("its numbers fit no plane")
        poses = int(plane["poses"])
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as reason:
        raise wrong(str(reason)) from None
    none = np.empty(0)
    return CalibratedPlane(
        camera, normal, covariance=covariance, by_focal=by_focal, poses=poses, spread=none, **numbers
    )


def as_plain(plane: CalibratedPlane) -> dict[str, Any]:
    """The file's contents as a document."""
    record: dict[str, Any] = json.loads(plane.text())
    return record
