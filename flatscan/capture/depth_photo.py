"""A depth photo: one 16-bit PNG or TIFF with the camera's intrinsics beside it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.capture.camera import Camera, camera_beside, fit_size
from flatscan.capture.depth_image import read_depth
from flatscan.capture.registry import Format
from flatscan.capture.source import Block, PointSource
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, unit
from flatscan.core.notes import Note, note

READER = "depth photo"
# a camera held by hand leans by a few degrees: 3 degrees, k = 1 (engineering estimate)
HAND_HELD = 0.05
# gravity felt by a phone's sensor is good to 0.1-0.3 degrees (METHODS 4)
_SENSED = 3.5e-3


@dataclass(frozen=True, eq=False)
class OneBlock:
    """Points that are in memory as one block; a plain object so that a cloud can be pickled."""

    points: Array

    def __call__(self) -> Iterator[Block]:
        """The block."""
        yield Block(self.points)


def open_depth_photo(path: Path) -> PointSource:
    """The points of a depth photo, x right, y up, z toward the camera, which stands at the origin.

    The side file (``<name>.json``) holds the intrinsics in Open3D's layout and may hold ``distortion`` (OpenCV's
    order), ``depth_scale`` (units per metre), ``least_confidence`` and ``gravity`` (3, pointing down, camera axes x
    right, y down, z forward). A confidence map ``<name>_confidence.png`` is honoured. Raises `ReadError`.
    """
    camera, camera_file = camera_beside(path)
    image = read_depth(path, confidence_beside(path), camera.extra("least_confidence"))
    camera = fit_size(camera, camera_file, image.depth.shape[1], image.depth.shape[0], path)
    factor, unit_name = scale_of(camera, camera_file)
    points = image.points(camera) * factor
    up, up_from, u_up = _up_of(camera, camera_file)
    said = image.words()
    return PointSource(
        READER, len(points), OneBlock(points), unit=unit_name, unit_from=f"depth_scale in {camera_file.name}",
        step=np.array([0.0, 0.0, factor]), up=up, up_from=up_from, u_up=u_up, stands=np.zeros((1, 3)),
        mesh_area=image.area(camera) * factor**2, warnings=(f"{path.name}: {said}",) if said else (),
    )  # fmt: skip


def confidence_beside(path: Path) -> Path | None:
    """The confidence map that belongs to a depth image, or None."""
    for beside in (
        path.with_name(f"{path.stem}_confidence.png"), path.parent.parent / "confidence" / path.name,
        path.parent / "confidence" / path.name,
    ):  # fmt: skip
        if beside.is_file() and beside != path:
            return beside
    return None


def scale_of(camera: Camera, camera_file: Path) -> tuple[float, str | None]:
    """What a depth value is multiplied by, and the unit it then has; 1 and None where the side file does not say."""
    given = camera.extra("depth_scale")
    if given is None:
        return 1.0, None
    if not isinstance(given, (int, float)) or isinstance(given, bool) or not 0 < given < 1e7:
        raise ReadError(
            camera_file, f"depth_scale {given!r}", needed="how many units of depth make a metre, such as 1000",
            remedy="Correct the file",
        )  # fmt: skip
    return 1.0 / float(given), "m"


def _up_of(camera: Camera, camera_file: Path) -> tuple[Array, Note, float]:
    gravity = camera.extra("gravity")
    if gravity is None:
        return np.array([0.0, 1.0, 0.0]), note("capture.up-by-hand"), HAND_HELD
    try:
        down = unit(np.array(gravity, float).reshape(3))
    except (TypeError, ValueError):
        raise ReadError(
            camera_file, f"gravity {gravity!r}", needed="three numbers that point down", remedy="Correct the file"
        ) from None
    # camera axes x right, y down, z forward to x right, y up, z backward
    return -down * [1.0, -1.0, -1.0], note("capture.up-by-gravity", file=camera_file.name), _SENSED


def is_depth(head: bytes) -> bool:
    """Whether a file begins like a PNG of one 16-bit channel, or like a TIFF."""
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return head[12:16] == b"IHDR" and head[24:26] == b"\x10\x00"
    return head[:4] in (b"II*\x00", b"MM\x00*")


FORMAT = Format(READER, (".png", ".tif", ".tiff"), "points", is_depth, open_depth_photo)
