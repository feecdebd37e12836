"""The photos of a folder: which they are, how the camera held its sensor, and what their headers tell of the lens."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.camera import Camera
from flatscan.capture.pictures import DIAGONAL_35, EXIF, FOCAL_35, ORIENTATION, opened, read_picture
from flatscan.core.geometry import Array

_MODEL, _FOCAL, _ZOOM = 0x0110, 0x920A, 0xA404
# EXIF 2.32, 4.6.4, orientation: how rows and columns of the sensor lie in the upright picture, as OpenCV's quarter
# turns of the sensor's picture and whether it is mirrored first
_TURNS = {1: (0, False), 2: (0, True), 3: (2, False), 4: (2, True), 5: (3, True), 6: (1, False), 7: (1, True),
          8: (3, False)}  # fmt: skip


@dataclass(frozen=True)
class PhotoFile:
    """A photo and its header: size of the sensor's picture, EXIF orientation, ``focal`` [pixels] or None, ``camera``.

    ``camera`` is what two photos must share to have one lens: model, size, focal length and zoom as they stand there.
    """

    path: Path
    sha256: str
    width: int
    height: int
    orientation: int
    focal: float | None
    camera: tuple[str, ...]

    @property
    def name(self) -> str:
        """Name of its file."""
        return self.path.name

    @property
    def mirrored(self) -> bool:
        """Whether left and right are changed over in it, so that no camera in a room can have taken it."""
        return _TURNS[self.orientation][1]


def photo_file(path: Path) -> PhotoFile:
    """What a photo's header tells; raises `ReadError` for what is no picture."""
    with opened(path) as image:
        exif = image.getexif()
        own: dict[int, Any] = dict(exif.get_ifd(EXIF))
        # readers of HEIC turn the picture themselves and keep beside how it lay
        turned = image.info.get("original_orientation")
        size = image.size
    orientation = int(turned or exif.get(ORIENTATION, 1) or 1)
    orientation = orientation if orientation in _TURNS else 1
    wide, high = size if not turned or _TURNS[orientation][0] % 2 == 0 else size[::-1]
    focal_35 = _number(own.get(FOCAL_35))
    focal = focal_35 / DIAGONAL_35 * float(np.hypot(wide, high)) if focal_35 else None
    words: tuple[str, ...] = (str(exif.get(_MODEL, "")).strip(), f"{wide} x {high}")
    words += tuple(f"{_number(own.get(tag)):.2f}" for tag in (_FOCAL, FOCAL_35, _ZOOM))
    return PhotoFile(path, _sha256(path), wide, high, orientation, focal, words)


def _number(value: object) -> float:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return 0.0
    return number if np.isfinite(number) and number > 0 else 0.0


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def common_camera(photos: tuple[PhotoFile, ...]) -> tuple[tuple[str, ...], Counter[tuple[str, ...]]]:
    """The camera that took most of the photos, and how many each took."""
    cameras = Counter(one.camera for one in photos)
    most = max(cameras.values())
    return min(camera for camera, many in cameras.items() if many == most), cameras


def sensor_picture(photo: PhotoFile) -> NDArray[np.uint8]:
    """Grey (rows, cols) as the sensor had it, whichever way the camera was held."""
    import cv2

    grey = cv2.cvtColor(read_picture(photo.path).colours, cv2.COLOR_RGB2GRAY)
    turns, mirrored = _TURNS[photo.orientation]
    grey = np.rot90(grey, turns)
    return np.ascontiguousarray(grey[:, ::-1] if mirrored else grey)


def upright(photo: PhotoFile, camera: Camera) -> tuple[Camera, Array]:
    """A sensor's camera as that of its upright picture, and the rotation (3, 3) from its axes to the upright ones.

    A mirrored picture has no camera.
    """
    turns, _ = _TURNS[photo.orientation]
    turn = np.eye(3)
    for _ in range(turns):
        camera, turn = _quarter(camera), np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]) @ turn
    return camera, turn


def _quarter(camera: Camera) -> Camera:
    """The camera of a picture turned a quarter clockwise: x becomes height - 1 - y, y becomes x."""
    k1, k2, p1, p2, *rest = (*camera.distortion, *(0.0,) * max(0, 4 - len(camera.distortion)))
    # tangential terms are a vector (p2, p1) that turns along
    lens = (k1, k2, p2, -p1, *rest)
    return Camera(
        camera.height, camera.width, camera.fy, camera.fx, camera.height - 1 - camera.cy, camera.cx,
        lens if any(lens) else (), camera.extras, camera.rms,
    )  # fmt: skip
