"""A depth photo: one 16-bit PNG or TIFF, its edge pixels and confidence, with the camera's intrinsics beside it."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.calibration.camera_file import camera_beside, fit_size
from flatscan.capture.camera import Camera
from flatscan.capture.pictures import MOST_DEPTHS, refuse_pixels
from flatscan.capture.registry import Format
from flatscan.capture.source import Block, PointSource
from flatscan.core.beside import plain_in
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, Mask, unit
from flatscan.core.notes import Note, note

# a pixel whose neighbours differ by more than this share of its depth mixes two surfaces (common practice); a wall
# seen 60 degrees off by the coarsest phone sensor (about 210 pixels focal length) steps by 0.8 % from pixel to pixel
_JUMP = 0.03
# phones mark confidence 0, 1, 2; other cameras 0 to 255
_HIGH, _HIGH_BYTE = 2, 128


@dataclass(frozen=True, eq=False)
class DepthImage:
    """Depth (rows, cols) in file units along the optical axis, which pixels count, and why the others do not."""

    depth: Array
    kept: Mask
    empty: int
    doubtful: int
    edges: int

    def points(self, camera: Camera) -> Array:
        """Points (n, 3) in file units: x right, y up, z backward, out of the picture toward who looks at it."""
        row, col = np.nonzero(self.kept)
        ray = camera.straight(np.column_stack([col, row]))
        z = self.depth[row, col]
        return np.column_stack([ray[:, 0] * z, -ray[:, 1] * z, -z])

    def area(self, camera: Camera) -> float:
        """Area in file units squared that the pixels cover on surfaces square to the view; more where they slant."""
        return float((self.depth[self.kept] ** 2).sum() / (camera.fx * camera.fy))


def left_out(file: str, images: Sequence[DepthImage]) -> tuple[Note, ...]:
    """A note on how many pixels of a capture's images were left out and why, if any were."""
    counts = {
        "picture.without-depth": sum(image.empty for image in images),
        "picture.of-low-confidence": sum(image.doubtful for image in images),
        "picture.on-edges": sum(image.edges for image in images),
    }
    parts = tuple(note(code, count=count) for code, count in counts.items() if count)
    pixels = sum(image.depth.size for image in images)
    return (note("picture.pixels-left-out", file=file, parts=parts, pixels=pixels),) if parts else ()


def read_raster(path: Path) -> NDArray[Any]:
    """The numbers of an image file as they are; raises `ReadError` where it cannot be read."""
    import cv2

    # decoding from memory takes any file name, and says nothing on standard error where the file is cut off
    refuse_pixels(path, MOST_DEPTHS)
    content = path.read_bytes()
    # OpenCV fills a cut PNG up with nothing: the last chunk tells
    whole = content[:4] != b"\x89PNG" or b"IEND" in content[-64:]
    data = np.frombuffer(content if whole else b"", np.uint8)
    quiet: Any = getattr(cv2.utils, "logging", cv2)  # OpenCV 4 has these two at the top
    level = quiet.getLogLevel()
    quiet.setLogLevel(0)
    try:
        image = cv2.imdecode(data, cv2.IMREAD_UNCHANGED) if data.size else None
    except cv2.error:
        image = None
    finally:
        quiet.setLogLevel(level)
    if image is None:
        raise ReadError(
            path,
            "the image cannot be read: it is cut off or damaged",
            needed="a whole PNG or TIFF image",
            remedy="Copy or export it again",
        )
    return np.asarray(image)


def read_depth(path: Path, confidence: Path | None = None, least: float | None = None) -> DepthImage:
    """The depth image in a file, with the confidence map beside it; raises `ReadError` for any other image.

    ``least`` is the confidence from which pixels count: without it the highest level of phones (2), or 128 of 255.
    """
    raster = read_raster(path)
    if raster.dtype != np.uint16 or raster.ndim != 2:
        channels = 1 if raster.ndim == 2 else raster.shape[2]
        raise ReadError(
            path,
            "an image of {bits} bits and {channels} channels, not a depth image",
            needed="one channel of 16 bits",
            remedy="Export the depth itself, not a picture of it",
            bits=8 * raster.dtype.itemsize,
            channels=channels,
        )
    depth = raster.astype(np.float64)
    # full scale is what many cameras write where they saw nothing
    seen = (raster > 0) & (raster < 65_535)
    sure = seen if confidence is None else seen & _confident(confidence, raster.shape, least)
    kept = sure & ~_edges(depth, seen)
    counts = (int((~seen).sum()), int((seen & ~sure).sum()), int((sure & ~kept).sum()))
    return DepthImage(depth, kept, *counts)


def _confident(path: Path, shape: tuple[int, ...], least: float | None) -> Mask:
    raster = read_raster(path)
    if raster.shape != shape:
        raise ReadError(
            path,
            "a confidence map of {size} pixels",
            needed="{width} x {height}, as the depth image",
            remedy="Export both from the same capture",
            size=" x ".join(map(str, raster.shape[::-1])),
            width=shape[1],
            height=shape[0],
        )
    if least is None:
        least = _HIGH if raster.max() <= _HIGH else _HIGH_BYTE
    sure: Mask = raster >= least
    return sure


def _edges(depth: Array, seen: Mask) -> Mask:
    """Pixels beside a jump in depth or beside one without depth."""
    from scipy import ndimage

    low = ndimage.minimum_filter(np.where(seen, depth, np.inf), 3, mode="nearest")
    high = ndimage.maximum_filter(np.where(seen, depth, -np.inf), 3, mode="nearest")
    return seen & (~ndimage.binary_erosion(seen, np.ones((3, 3)), border_value=1) | (high - low > _JUMP * depth))


READER = "depth photo"
# a camera held by hand leans by a few degrees: 3 degrees, k = 1 (engineering estimate)
HAND_HELD = 0.05
# gravity felt by a phone's sensor is good to 0.1-0.3 degrees (methods/uncertainty 9)
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
    return PointSource(
        READER,
        len(points),
        OneBlock(points),
        unit=unit_name,
        unit_from=note("picture.unit-by-scale", file=camera_file.name),
        step=np.array([0.0, 0.0, factor]),
        up=up,
        up_from=up_from,
        u_up=u_up,
        stands=np.zeros((1, 3)),
        mesh_area=image.area(camera) * factor**2,
        warnings=left_out(path.name, [image]),
        kind="depth-photo",
    )


def confidence_beside(path: Path) -> Path | None:
    """The confidence map that belongs to a depth image, or None; `ReadError` for one that is no plain file there."""
    own, above = path.parent, path.parent.parent
    for folder, beside in (
        (own, path.with_name(f"{path.stem}_confidence.png")),
        (above, above / "confidence" / path.name),
        (own, own / "confidence" / path.name),
    ):
        if beside != path and os.path.lexists(beside):
            return plain_in(folder, beside)
    return None


def scale_of(camera: Camera, camera_file: Path) -> tuple[float, str | None]:
    """What a depth value is multiplied by, and the unit it then has; 1 and None where the side file does not say."""
    given = camera.extra("depth_scale")
    if given is None:
        return 1.0, None
    if not isinstance(given, (int, float)) or isinstance(given, bool) or not 0 < given < 1e7:
        raise ReadError(
            camera_file,
            "depth_scale {given}",
            needed="how many units of depth make a metre, such as 1000",
            remedy="Correct the file",
            given=repr(given),
        )
    return 1.0 / float(given), "m"


def _up_of(camera: Camera, camera_file: Path) -> tuple[Array, Note, float]:
    gravity = camera.extra("gravity")
    if gravity is None:
        return np.array([0.0, 1.0, 0.0]), note("capture.up-by-hand"), HAND_HELD
    try:
        felt = np.array(gravity, float).reshape(3)
        # as a length of 1, whatever its unit: squares of numbers people do not write are none
        if not 1e-6 < np.abs(felt).max() < 1e6:
            raise ValueError
        down = unit(felt)
    except (TypeError, ValueError, OverflowError):
        raise ReadError(
            camera_file,
            "gravity {given}",
            needed="three numbers that point down",
            remedy="Correct the file",
            given=repr(gravity),
        ) from None
    # camera axes x right, y down, z forward to x right, y up, z backward
    return -down * [1.0, -1.0, -1.0], note("capture.up-by-gravity", file=camera_file.name), _SENSED


def is_depth(head: bytes) -> bool:
    """Whether a file begins like a PNG of one 16-bit channel, or like a TIFF."""
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return head[12:16] == b"IHDR" and head[24:26] == b"\x10\x00"
    return head[:4] in (b"II*\x00", b"MM\x00*")


def _others(path: Path) -> tuple[Path, ...]:
    _, camera_file = camera_beside(path)
    confidence = confidence_beside(path)
    return (camera_file,) if confidence is None else (camera_file, confidence)


FORMAT = Format(READER, (".png", ".tif", ".tiff"), "points", is_depth, open_depth_photo, _others)
