"""Printed targets on a picture: square markers whose numbers say where they hang."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.errors import BadValue
from flatscan.geometry import Array, Mask

# 50 markers of 4 x 4 bits: the fewest and so the largest bits for their size, which a far camera needs
DICTIONARY = "DICT_4X4_50"
MARKERS, BITS = 50, 4


def marker_bits(number: int) -> Mask:
    """Bits of a marker with its black border (6, 6), True where white; a number not 0 to 49 raises `BadValue`."""
    import cv2

    if not 0 <= number < MARKERS:
        raise BadValue("target", f"number {number}", needed=f"0 to {MARKERS - 1}", remedy="Choose one of these")
    side = BITS + 2
    image = cv2.aruco.generateImageMarker(_dictionary(), number, side)
    made: Mask = np.asarray(image) > 127
    return made


def find_targets(picture: NDArray[np.uint8]) -> dict[int, Array]:
    """Corners (4, 2) [pixels] by number of the markers on a picture (rows, cols[, 3]): from top left, clockwise.

    Refined to a part of a pixel; a number seen twice is left out, because one of the two is no target.
    """
    import cv2

    settings = cv2.aruco.DetectorParameters()
    # by the outline's straight edges, which is as sharp as by corners and needs no window around them
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_CONTOUR
    settings.minMarkerPerimeterRate = 0.01
    settings.adaptiveThreshWinSizeMax = 53
    corners, numbers, _ = cv2.aruco.ArucoDetector(_dictionary(), settings).detectMarkers(picture)
    if numbers is None:
        return {}
    found: dict[int, Array] = {}
    seen = [int(number) for number in np.asarray(numbers).ravel()]
    for number, corner in zip(seen, corners, strict=True):
        if seen.count(number) == 1:
            found[number] = np.asarray(corner, np.float64).reshape(4, 2)
    return found


def corners_on_wall(centre: Array, size: float) -> Array:
    """The same corners (4, 2) on the wall [m], of an upright marker of that size around ``centre`` (2,)."""
    half = size / 2
    return np.asarray(centre, float) + half * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])


def _dictionary() -> Any:
    import cv2

    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
