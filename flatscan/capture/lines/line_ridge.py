"""Where a laser line runs on a picture, to a pixel or two: the strongest bright ridge of each row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.lines.line_profile import FULL, FWHM, Rows, running_median
from flatscan.core.geometry import Array, Mask, robust_scale

Colours = NDArray[np.uint8]
CHANNELS = {"red": 0, "green": 1, "blue": 2}
FEWEST_ROWS = 30
# a ridge must stand out this many times over the scatter of all ridges
_OVER_NOISE = 6.0
# sigmas of the ridges that are tried, in pixels of the halved picture
_SCALES = (1.0, 2.0, 4.0, 8.0, 16.0)
_RIVAL = 0.6


@dataclass(frozen=True, eq=False)
class Ridge:
    """Where each row (rows,) has its ridge, where that stands out, and where another rivals it ``apart`` pixels off."""

    at: Array
    strong: Mask
    rivalled: Mask
    apart: float
    sigma: float


def ridge_of(lit: Colours, dark: Colours | None, channels: list[str]) -> Ridge:
    """The strongest bright ridge of each row, at the one scale that suits most rows (Steger, IEEE PAMI 20, 1998, 113).

    On a picture of half the size: it needs to be right to a pixel or two only.
    """
    import cv2

    added = _coloured(lit) if dark is None else cv2.subtract(lit, dark)
    total = np.zeros((1, len(CHANNELS)), np.float32)
    total[0, [CHANNELS[name] for name in channels]] = 1.0
    small = cv2.resize(added, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    light = cv2.transform(small.astype(np.float32), total)
    best: tuple[float, float, Any] = (-np.inf, 1.0, light)
    for sigma in _SCALES:
        curved = cv2.sepFilter2D(light, cv2.CV_32F, _second(sigma), cv2.getGaussianKernel(7, 1.0, cv2.CV_32F))
        worth = float(np.percentile(curved.max(axis=1), 75))
        if worth > best[0]:
            best = (worth, sigma, curved)
    _, sigma, curved = best
    at = curved.argmax(axis=1)
    high = curved[np.arange(len(curved)), at]
    noise = robust_scale(curved[:: max(1, len(curved) // 200)].astype(float).ravel())
    far = np.abs(np.arange(curved.shape[1])[None, :] - at[:, None]) > np.ceil(6 * sigma)
    others = np.where(far, curved, 0.0)
    other = others.argmax(axis=1)
    second = others[np.arange(len(others)), other]
    strong = high > _OVER_NOISE * max(noise, 1e-3)
    rivalled = second > _RIVAL * high
    apart = 2 * float(np.median(np.abs(other - at)[strong & rivalled])) if (strong & rivalled).any() else 0.0
    twice = np.minimum(np.arange(len(lit)) // 2, len(at) - 1)
    return Ridge((2 * at + 0.5)[twice], strong[twice], rivalled[twice], apart, 2 * sigma)


def _coloured(lit: Colours) -> Colours:
    """What is not grey in a picture, and what is full: laser light, which a room's light and printed marks are not."""
    import cv2

    channels = cv2.split(lit)
    least, most = (of(of(channels[0], channels[1]), channels[2]) for of in (cv2.min, cv2.max))
    grey = np.where(most >= FULL, 0, least).astype(np.uint8)
    return np.asarray(cv2.subtract(lit, cv2.merge([grey] * 3)))


def _second(sigma: float) -> NDArray[np.float32]:
    """Minus the second derivative of a Gaussian, as high for a ridge of its own width whatever that is."""
    half = int(np.ceil(4 * sigma))
    x = np.arange(-half, half + 1) / sigma
    kernel = (1 - x**2) * np.exp(-0.5 * x**2)
    kernel -= kernel.mean()
    return np.asarray(kernel / np.abs(kernel).sum(), np.float32)


def continuous(rows: Rows, ridge: Ridge, doubtful: Mask) -> Mask:
    """Rows whose line lies where the rows around them have it: clutter jumps, a wall does not."""
    known = rows[~doubtful]
    if len(known) < FEWEST_ROWS:
        return np.zeros(len(rows), bool)
    filled = np.interp(np.arange(len(ridge.at)), known, ridge.at[known])
    off = np.abs(filled - running_median(filled, 41))
    limit = max(3 * FWHM * ridge.sigma, 6 * robust_scale(off[known]) + 1.0)
    near: Mask = off[rows] < limit
    return near
