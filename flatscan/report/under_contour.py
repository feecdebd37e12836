"""A wall's own photo as a light shade over the bands of its contour, so that both are read at once."""

from __future__ import annotations

import base64
import io

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.photographed import FlatPicture

# the darkest stone takes so much of the light of the tone it lies under; a band still differs from the next by more
DARKEST = 0.34
# shares of the picture that are darkest and lightest: single pixels set no scale
_DARK, _LIGHT = 0.02, 0.90
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def shade_of(picture: FlatPicture, most: int) -> Array:
    """How much light (rows, cols), 0 to `DARKEST`, the photo takes: no more than ``most`` pixels a side, row 0 lowest.

    0 where no photo shows the wall.
    """
    by = max(1, -(-max(picture.seen.shape) // most))
    rows, cols = (max(1, size // by) for size in picture.seen.shape)
    grey = (picture.colours[: rows * by, : cols * by] @ _LUMINANCE).reshape(rows, by, cols, by).mean(axis=(1, 3))
    seen = picture.seen[: rows * by, : cols * by].reshape(rows, by, cols, by).all(axis=(1, 3))
    if not seen.any():
        return np.zeros((rows, cols))
    dark, light = np.quantile(grey[seen], [_DARK, _LIGHT])
    part = np.clip((light - grey) / max(float(light - dark), 1e-6), 0.0, 1.0)
    return np.where(seen, DARKEST * part, 0.0)


def shade_as_jpeg(picture: FlatPicture, most: int) -> dict[str, object]:
    """The same as a grey JPEG in base64 that tones are multiplied by, with where it lies on the wall [m]."""
    from PIL import Image

    light = np.rint(255 * (1 - shade_of(picture, most)[::-1])).astype(np.uint8)
    kept = io.BytesIO()
    Image.fromarray(light).save(kept, "JPEG", quality=70)
    high, wide = (size * picture.step for size in picture.seen.shape)
    return {
        "left": picture.left,
        "bottom": picture.bottom,
        "width": wide,
        "height": high,
        "jpeg": base64.b64encode(kept.getvalue()).decode("ascii"),
    }
