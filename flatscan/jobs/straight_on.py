"""The wall's own photo, straight on, laid into its frame: what contours are drawn over."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Wall
from flatscan.core.photographed import FlatPicture

# a wall turned further from the plane that its photos were laid on is not what they show straight on
_FACED = 0.9


def picture_on(taken: Cloud, wall: Wall) -> FlatPicture | None:
    """The picture that photos of a wall made of it, on the wall's own outline; None where there is none."""
    picture = None if taken.photographed is None else taken.photographed.picture
    if picture is None or wall.frame.out[2] < _FACED:
        return None
    (left, bottom), (right, top) = wall.whole.min(axis=0), wall.whole.max(axis=0)
    cols, rows = (max(1, round(size / picture.step)) for size in (right - left, top - bottom))

    def pixel(x: float, y: float) -> Array:
        """Where the picture shows a place of the wall [pixels of the picture]."""
        at = wall.frame.to_file(np.array([[x, y, 0.0]]))[0] + taken.shift
        return np.asarray((at[:2] - [picture.left, picture.bottom]) / picture.step - 0.5)

    corner = pixel(left + picture.step / 2, bottom + picture.step / 2)
    along, upward = pixel(left + 1, bottom) - pixel(left, bottom), pixel(left, bottom + 1) - pixel(left, bottom)
    matrix = np.column_stack([along * picture.step, upward * picture.step, corner])
    return _taken(picture, matrix, (cols, rows), (float(left), float(bottom)))


def _taken(picture: FlatPicture, matrix: Array, size: tuple[int, int], corner: tuple[float, float]) -> FlatPicture:
    import cv2

    inverse = cv2.WARP_INVERSE_MAP
    colours = cv2.warpAffine(picture.colours, matrix, size, flags=cv2.INTER_LINEAR | inverse)
    seen = cv2.warpAffine(picture.seen.astype(np.uint8), matrix, size, flags=cv2.INTER_NEAREST | inverse)
    return FlatPicture(*corner, picture.step, np.asarray(colours, np.uint8), np.asarray(seen > 0))
