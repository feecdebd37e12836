"""Pictures as they were seen: colour channels, turned upright as their camera says."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.registry import need
from flatscan.core.errors import ReadError

_ORIENTATION, _FOCAL_35, _EXIF = 0x0112, 0xA405, 0x8769
# a 36 x 24 mm frame has a diagonal of 43.27 mm, to which the 35 mm equivalent refers (CIPA DC-008)
_DIAGONAL_35 = float(np.hypot(36.0, 24.0))


@dataclass(frozen=True, eq=False)
class Picture:
    """Red, green, blue (rows, cols, 3); whether its camera had marked it as turned; focal length [pixels] or None."""

    colours: NDArray[np.uint8]
    turned: bool
    focal: float | None


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
            path, f"the picture cannot be read ({str(reason)[:80]})", needed="a whole JPEG, PNG, TIFF or HEIC picture",
            remedy="Copy it again from the camera",
        ) from None  # fmt: skip
    pixels = float(focal) / _DIAGONAL_35 * float(np.hypot(*upright.shape[:2])) if focal else None
    return Picture(upright, orientation not in (None, 1), pixels)
