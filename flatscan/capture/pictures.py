"""Pictures read from files, upright, and refused by their headers before they are opened."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.registry import Format, need
from flatscan.capture.source import PointSource
from flatscan.core.errors import ReadError

if TYPE_CHECKING:
    import PIL.Image

# what phones and depth cameras have at most, with room to spare: more is a damaged header, or hours of work
MOST_PIXELS, MOST_DEPTHS = 130_000_000, 30_000_000
ORIENTATION, FOCAL_35, EXIF = 0x0112, 0xA405, 0x8769
# a 36 x 24 mm frame has a diagonal of 43.27 mm, to which the 35 mm equivalent refers (CIPA DC-008)
DIAGONAL_35 = float(np.hypot(36.0, 24.0))


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


@contextmanager
def opened(path: Path) -> Iterator[PIL.Image.Image]:
    """A picture opened, however large its header says it is but for `MOST_PIXELS`.

    Raises `ReadError` for what cannot be read, also while it is in use, and with the extra that HEIC needs.
    """
    from PIL import Image, UnidentifiedImageError

    if path.suffix.lower() in (".heic", ".heif"):
        need("pi_heif", "heic", str(path)).register_heif_opener()
    refuse_pixels(path, MOST_PIXELS)
    try:
        with Image.open(path) as image:
            yield image
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as reason:
        raise ReadError(
            path,
            "the picture cannot be read ({reason})",
            needed="a whole JPEG, PNG, TIFF or HEIC picture",
            remedy="Copy it again from the camera",
            reason=str(reason)[:80],
        ) from None


def read_picture(path: Path) -> Picture:
    """A picture in upright position; raises what `opened` does, and `ReadError` where there is none."""
    from PIL import ImageOps

    if not path.is_file():
        raise ReadError(path, "no such picture", needed="a picture", remedy="Check the name and the folder")
    with opened(path) as image:
        exif = image.getexif()
        orientation, focal = exif.get(ORIENTATION, 1), exif.get_ifd(EXIF).get(FOCAL_35)
        upright = np.asarray(ImageOps.exif_transpose(image).convert("RGB"))
    pixels = float(focal) / DIAGONAL_35 * float(np.hypot(*upright.shape[:2])) if focal else None
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
