"""Whether two pictures were taken from one place: how the wall shifts from one to the other beside the laser line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.pictures import Picture
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, robust_scale
from flatscan.core.quantity import share

# a shift of the camera goes into the heights pixel for pixel, and the line itself is known to a tenth of one
_MOST_MOVED = 0.7
# blocks of the halved picture [pixels], how sure [pixels] one must be of its shift, how alike it must then look in both
# pictures (correlation), and how many are needed
_BLOCK, _SURE, _ALIKE, _FEWEST = 32, 0.15, 0.6, 8
_ROUNDS = 4


def refuse_moved(on: Picture, off: Picture | None, where: Path) -> None:
    """Raise `ReadError` where the camera was moved between two pictures; a wall without any mark tells nothing."""
    comparable = off is not None and on.colours.shape == off.colours.shape
    moved = shift_between(on.colours, off.colours) if off is not None and comparable else None
    if moved is None or moved <= _MOST_MOVED:
        return
    raise ReadError(
        where,
        "the camera was moved between the two pictures: the wall shifts by {moved:number.1} pixels",
        needed="both from one place, within {most:number.1} pixels",
        remedy="Take both again without touching the camera, by timer; in a dim room the one with the laser will do",
        moved=share(moved),
        most=share(_MOST_MOVED),
    )


def shift_between(on: NDArray[np.uint8], off: NDArray[np.uint8]) -> float | None:
    """By how many pixels the wall on pictures (rows, cols, 3) is shifted; None where too little of it shows in both.

    Lucas and Kanade's least squares on blocks of both pictures freed of slow changes of light, their median over those
    that look alike, which those with the line do not; a first guess comes from the phases of their spectra.
    """
    import cv2

    first, second = (_fine(picture) for picture in (on, off))
    window: Any = cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F)
    guess, strength = cv2.phaseCorrelate(second, first, window)
    shift = np.array(guess) if strength > 0.1 else np.zeros(2)
    change = np.zeros((0, 2))
    for turn in range(_ROUNDS):
        laid = cv2.warpAffine(second, np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]]), first.shape[::-1])
        change = _block_shifts(first, np.asarray(laid), _ALIKE if turn == _ROUNDS - 1 else -1.0)
        if len(change) < _FEWEST:
            return None
        shift = shift + np.median(change, axis=0)
    doubt = robust_scale(np.hypot(*(change - np.median(change, axis=0)).T)) / np.sqrt(len(change))
    moved = 2 * float(np.hypot(*shift))
    return moved if moved > 6 * doubt else 0.0


def _fine(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Grey, halved, without what changes over more than a few pixels."""
    import cv2

    grey = cv2.resize(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0)
    return np.asarray(light - cv2.GaussianBlur(light, (0, 0), 6.0), np.float32)


def _block_shifts(first: NDArray[np.float32], second: NDArray[np.float32], alike: float) -> Array:
    """Shifts (n, 2) [pixels] from the second to the first of blocks that are sure of theirs and at least so alike."""
    import cv2

    rows, cols = (size // _BLOCK for size in first.shape)
    if not rows or not cols:
        return np.empty((0, 2))
    across, down = (cv2.Scharr(second, cv2.CV_32F, *way) / 32 for way in ((1, 0), (0, 1)))
    rest = second - first

    def summed(values: Any) -> Array:
        blocks = values[: rows * _BLOCK, : cols * _BLOCK].reshape(rows, _BLOCK, cols, _BLOCK)
        total: Array = blocks.sum(axis=(1, 3), dtype=float).ravel()
        return total

    xx, xy, yy = summed(across * across), summed(across * down), summed(down * down)
    px, py = summed(across * rest), summed(down * rest)
    noise = robust_scale((rest - cv2.GaussianBlur(rest, (0, 0), 2.0))[::3, ::3].astype(float).ravel()) + 0.05
    like = summed(first * second) / np.sqrt(summed(first * first) * summed(second * second) + 1e-9)
    least = (xx + yy) / 2 - np.hypot((xx - yy) / 2, xy)
    sure = (least > (noise / _SURE) ** 2) & (like >= alike)
    size = (xx * yy - xy**2)[sure, None]
    return np.column_stack([yy * px - xy * py, xx * py - xy * px])[sure] / size
