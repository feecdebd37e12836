"""Pictures as they were seen, turned upright; and the formats that pictures of a wall come in without depth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.registry import Format, need
from flatscan.capture.source import PointSource
from flatscan.core.errors import ReadError
from flatscan.core.model import Readings

LINE_READER = "laser line photos"
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


def read_picture(path: Path) -> Picture:
    """A picture in upright position; raises `ReadError` where it cannot be read, with the extra HEIC needs."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    if not path.is_file():
        raise ReadError(path, "no such picture", needed="a picture", remedy="Check the name and the folder")
    if path.suffix.lower() in (".heic", ".heif"):
        need("pi_heif", "heic", str(path)).register_heif_opener()
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


LINE_PHOTOS = Format(LINE_READER, (".toml",), "stations", _is_setup, open_line_photos)
