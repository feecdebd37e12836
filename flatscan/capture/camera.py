"""Cameras and their pictures: lens, pose, and pictures read from files."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.registry import Format, need
from flatscan.capture.source import Block, Normals, PointSource
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.model import Readings


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


@dataclass(frozen=True, eq=False)
class Pose:
    """p' = ``rotation`` (3, 3) p + ``translation`` (3,)."""

    rotation: Array
    translation: Array

    @property
    def is_default(self) -> bool:
        """Whether it says nothing: no turn, and the scanner at the origin."""
        return bool(np.array_equal(self.rotation, np.eye(3)) and not self.translation.any())

    def __call__(self, points: Array) -> Array:
        """Points (n, 3) in the common axes."""
        with np.errstate(all="ignore"):
            # row by row sums of three products, not a library's: the same digits on any machine and block size
            turned = sum(points[:, [axis]] * self.rotation[:, axis] for axis in range(3))
        return np.asarray(turned + self.translation)

    def blocks(self, inner: Callable[[], Iterator[Block]]) -> Callable[[], Iterator[Block]]:
        """The same blocks in the common axes."""
        return _Posed(self, inner)


@dataclass(frozen=True, eq=False)
class _Posed:
    pose: Pose
    inner: Callable[[], Iterator[Block]]

    def __call__(self) -> Iterator[Block]:
        turn = Pose(self.pose.rotation, np.zeros(3))
        for block in self.inner():
            yield block._replace(points=self.pose(block.points), normals=_turned(turn, block.normals))


def _turned(turn: Pose, normals: Normals | None) -> Normals | None:
    return None if normals is None else lambda rows: turn(normals(rows))


def rotation_matrix(w: float, x: float, y: float, z: float) -> Array:
    """Rotation (3, 3) of a quaternion, normalised first; the zero quaternion raises `ValueError`.

    Standard form with the scalar part w (for example ASTM E2807-11, section on rigid body transforms).
    """
    size = float(np.linalg.norm((w, x, y, z)))
    if not np.isfinite(size) or size < 1e-9:
        raise ValueError("a quaternion of length zero or not finite")
    w, x, y, z = (part / size for part in (w, x, y, z))
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


LINE_READER, SWEEP_READER = "laser line photos", "swept laser lines"
# what phones and depth cameras have at most, with room to spare: more is a damaged header, or hours of work
MOST_PIXELS, MOST_DEPTHS = 130_000_000, 30_000_000
_ORIENTATION, _FOCAL_35, _EXIF = 0x0112, 0xA405, 0x8769
# a 36 x 24 mm frame has a diagonal of 43.27 mm, to which the 35 mm equivalent refers (CIPA DC-008)
_DIAGONAL_35 = float(np.hypot(36.0, 24.0))


@dataclass(frozen=True, eq=False)
class Picture:
    """Red, green, blue (rows, cols, 3); whether its camera had marked it as turned; focal length [pixels] or None."""

    colours: NDArray[np.uint8]
    turned: bool
    focal: float | None

    @property
    def size(self) -> str:
        """Pixels across and down, as people write them."""
        high, wide = self.colours.shape[:2]
        return f"{wide} x {high}"


def size_of(picture: Path) -> tuple[int, int]:
    """Pixels across and down that a picture's header states, or 0 where it states none."""
    from PIL import Image

    # Pillow's own limit warns at one size and fails at another: how large is too large is decided here
    Image.MAX_IMAGE_PIXELS = None
    try:
        with Image.open(picture) as image:
            return image.size
    except (OSError, ValueError, SyntaxError):
        return 0, 0


def refuse_pixels(picture: Path, most: int) -> None:
    """Raise `ReadError` for a picture of more pixels than ``most``, told by its header before it is opened."""
    wide, high = size_of(picture)
    if wide * high > most:
        raise ReadError(
            picture,
            "a picture of {pixels:count} pixels by its header",
            needed="at most {most:count}",
            remedy="Export it smaller; a header that states more than the camera has is damaged",
            pixels=wide * high,
            most=most,
        )


def read_picture(path: Path) -> Picture:
    """A picture in upright position; raises `ReadError` where it cannot be read, with the extra HEIC needs."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    if not path.is_file():
        raise ReadError(path, "no such picture", needed="a picture", remedy="Check the name and the folder")
    if path.suffix.lower() in (".heic", ".heif"):
        need("pi_heif", "heic", str(path)).register_heif_opener()
    refuse_pixels(path, MOST_PIXELS)
    try:
        with Image.open(path) as image:
            exif = image.getexif()
            orientation, focal = exif.get(_ORIENTATION, 1), exif.get_ifd(_EXIF).get(_FOCAL_35)
            upright = np.asarray(ImageOps.exif_transpose(image).convert("RGB"))
    except (UnidentifiedImageError, OSError, ValueError) as reason:
        raise ReadError(
            path,
            "the picture cannot be read ({reason})",
            needed="a whole JPEG, PNG, TIFF or HEIC picture",
            remedy="Copy it again from the camera",
            reason=str(reason)[:80],
        ) from None
    pixels = float(focal) / _DIAGONAL_35 * float(np.hypot(*upright.shape[:2])) if focal else None
    return Picture(upright, orientation not in (None, 1), pixels)


def refuse_picture(path: Path) -> PointSource:
    """Raise `ReadError`: a picture holds no distances."""
    raise ReadError(
        path,
        "an ordinary picture, which holds no distances",
        needed="a depth image of 16 bits, or pictures of a laser line with their set-up",
        remedy="For a laser line give the set-up file ({run:line SETUP.toml}); for depth export the depth itself",
    )


def _is_picture(head: bytes) -> bool:
    heif = head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"heif", b"mif1", b"msf1", b"hevc")
    return head[:3] == b"\xff\xd8\xff" or head[:8] == b"\x89PNG\r\n\x1a\n" or heif


PICTURE = Format("picture", (".jpg", ".jpeg", ".heic", ".heif"), "points", _is_picture, refuse_picture)


def _is_setup(head: bytes) -> bool:
    """Whether a file begins like a set-up: TOML with a table [[line]] or [targets] and [laser]."""
    return b"[laser]" in head and (b"[[line]]" in head or b"[targets]" in head)


def open_line_photos(path: Path, *, file_unit: str | None = None, reading_u: float = 0.0006) -> Readings:
    """`line_budget.open_lines`, imported when it is needed; ``file_unit`` and ``reading_u`` are another format's."""
    from flatscan.capture.line_budget import open_lines

    del file_unit, reading_u
    return open_lines(path)


def _of_setup(path: Path) -> tuple[Path, ...]:
    from flatscan.capture.line_setup import files_of_setup

    return files_of_setup(path)


LINE_PHOTOS = Format(LINE_READER, (".toml",), "stations", _is_setup, open_line_photos, _of_setup)


def _is_sweep(head: bytes) -> bool:
    return b"[laser]" in head and b"[[sweep]]" in head


def open_swept(path: Path, told: Callable[[float], None] | None = None) -> PointSource:
    """`swept.open_sweeps`, imported when it is needed."""
    from flatscan.capture.swept import open_sweeps

    return open_sweeps(path, told)


def _of_sweep(path: Path) -> tuple[Path, ...]:
    from flatscan.capture.sweep_setup import files_of_sweeps

    return files_of_sweeps(path)


SWEEP = Format(SWEEP_READER, (".toml",), "points", _is_sweep, open_swept, _of_sweep, tells=True)
