"""Printed targets on pictures: their bits, where they are, and where their corners are on the wall."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, Mask

# 50 markers of 4 x 4 bits: the fewest and so the largest bits for their size, which a far camera needs
DICTIONARY = "DICT_4X4_50"
MARKERS, BITS = 50, 4
# how far off the detector's corner an edge is looked for [pixels]
_REACH = 2.5
MARKER_SHARE = 0.7
# light by what a picture's pixels are, about (IEC 61966-2-1; phones' own curves differ in the bright end)
_TONE = 2.2


def marker_bits(number: int) -> Mask:
    """Bits of a marker with its black border (6, 6), True where white; a number not 0 to 49 raises `BadValue`."""
    import cv2

    if not 0 <= number < MARKERS:
        raise BadValue(
            "target",
            "number {number}",
            needed="0 to {last}",
            remedy="Choose one of these",
            number=number,
            last=MARKERS - 1,
        )
    side = BITS + 2
    image = cv2.aruco.generateImageMarker(dictionary(), number, side)
    white: Mask = np.asarray(image) > 127
    return white


def find_targets(picture: NDArray[np.uint8], *, light: bool = False) -> dict[int, Array]:
    """Corners (4, 2) [pixels] by number of the markers on a picture (rows, cols[, 3]): from top left, clockwise.

    Refined to a part of a pixel; a number seen twice is left out, because one of the two is no target. With ``light``
    the edges are where the light changes most, which a camera's tone curve moves into the black: a black square of 75
    pixels looks 1 % too small by it.
    """
    import cv2

    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 0.01
    settings.adaptiveThreshWinSizeMax = 53
    grey = picture.astype(float) if picture.ndim == 2 else picture.astype(float).mean(axis=2)
    grey = 255 * (grey / 255) ** _TONE if light else grey
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary(), settings).detectMarkers(picture)
    if numbers is None:
        return {}
    found: dict[int, Array] = {}
    seen = [int(number) for number in np.asarray(numbers).ravel()]
    for number, corner in zip(seen, corners, strict=True):
        if seen.count(number) == 1:
            found[number] = sharpened(grey, np.asarray(corner, np.float64).reshape(4, 2))
    return found


def sharpened(grey: Array, corners: Array) -> Array:
    """Corners (4, 2) [pixels] where lines through the edges' steepest places cross; as they were where none is clear.

    The detector's own corners lie on pixels' centres, half a pixel inside; along an edge of many pixels the step from
    black to white is known far better than at a corner.
    """
    lines = [_edge(grey, corners[i], corners[(i + 1) % 4]) for i in range(4)]
    if any(line is None for line in lines):
        return corners
    crossings = corners.copy()
    for i in range(4):
        one, other = lines[i - 1], lines[i]
        if one is None or other is None:
            return corners
        normals = np.stack([one[0], other[0]])
        crossings[i] = np.linalg.solve(normals, np.array([one[1], other[1]]))
    far = np.hypot(*(crossings - corners).T).max() > 0.15 * np.hypot(*(corners[1] - corners[0])) + 1.5
    return corners if far else crossings


def _edge(grey: Array, start: Array, stop: Array) -> tuple[Array, float] | None:
    """Normal (2,) and distance of the line along one side of a marker, fitted to the steepest place of its profiles."""
    length = float(np.hypot(*(stop - start)))
    if length < 8:
        return None
    along = (stop - start) / length
    normal = np.array([-along[1], along[0]])
    reach = np.arange(-_REACH, _REACH + 0.01, 0.25)
    part = np.linspace(0.12, 0.88, max(8, int(length)))
    base = start + part[:, None] * (stop - start)
    at = base[:, None, :] + reach[None, :, None] * normal
    values = ndimage.map_coordinates(grey, [at[..., 1], at[..., 0]], order=1, mode="nearest")
    steep = np.abs(np.diff(values, axis=1))
    weight = np.where(steep > 0.3 * steep.max(axis=1, keepdims=True), steep, 0.0)
    clear = weight.sum(axis=1) > 10.0
    if clear.sum() < 6:
        return None
    middle = (weight * (reach[:-1] + 0.125)).sum(axis=1)[clear] / weight.sum(axis=1)[clear]
    coefficients = np.polynomial.polynomial.polyfit(part[clear] * length, middle, 1)
    slope = float(coefficients[1])
    turned = (normal - slope * along) / np.hypot(1.0, slope)
    return turned, float(turned @ (start + coefficients[0] * normal))


def corners_on_wall(centre: Array, size: float) -> Array:
    """The same corners (4, 2) on the wall [m], of an upright marker of that size around ``centre`` (2,)."""
    half = size / 2
    return np.asarray(centre, float) + half * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])


def dictionary() -> Any:
    """OpenCV's dictionary of our markers."""
    import cv2

    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
