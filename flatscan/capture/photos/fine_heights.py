"""Heights to a tenth of a pixel: every pair laid on the surface found so far, and what is left between both taken away.

Least squares matching in the wall's own plane (Gruen, Adaptive least squares correlation, 1985; Wrobel's facets): two
photos a, b laid on a surface that is d too low differ by d (db/dh - da/dh), so d = -sum G r / sum G^2 with r = a - b
and G = da/dh - db/dh over a window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatscan.capture.photos.flattened import Flattened, Floats, Ground
from flatscan.capture.photos.pairs_seen import Pair, rates
from flatscan.core.geometry import Mask

# the light's own change over the wall, and from photo to photo, is taken out over windows of so many pixels
_LIGHT = 25
# differences are summed over windows of so many pixels while the surface is being found
_WINDOW, _ROUNDS = 9, 2
# one round moves what is seen by no more than this [pixels]: further out the slopes of grey say nothing
_STRIDE = 1.0
# what noise alone puts on differences of relative grey: so much of a slope is none
_FAINT = 0.004


@dataclass(frozen=True, eq=False)
class Shown:
    """One photo laid on a surface (rows, cols): relative grey, how it changes with height [1/m], where it is seen."""

    grey: Floats
    slope: Floats
    seen: Mask
    lever: tuple[Floats, Floats]


def shown_on(photo: Flattened, ground: Ground, level: int, rows: slice, cols: slice, height: Floats) -> Shown:
    """What a photo shows on a surface, its grey over the mean around, and that grey's slope against height."""
    import cv2

    grey, seen = photo.laid_on(ground, level, rows, cols, height, cubic=True)
    light = (_LIGHT, _LIGHT)
    part = np.maximum(cv2.blur(seen.astype(np.float32), light), np.float32(1e-3))
    mean = np.maximum(cv2.blur(grey * seen, light) / part, np.float32(1.0))
    grey = np.where(seen, grey / mean - np.float32(1), np.float32(0.0))
    lever = rates(photo, ground.along(cols), ground.upward(rows), height)
    per_pixel = np.float32(0.5 / ground.step)
    slope = cv2.Sobel(grey, cv2.CV_32F, 1, 0, ksize=1) * (lever[0] * per_pixel)
    slope += cv2.Sobel(grey, cv2.CV_32F, 0, 1, ksize=1) * (lever[1] * per_pixel)
    whole = cv2.erode(seen.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return Shown(np.asarray(grey, np.float32), np.asarray(slope, np.float32), whole, lever)


def closer(
    photos: Sequence[Flattened],
    pairs: Sequence[Pair],
    ground: Ground,
    level: int,
    part: tuple[slice, slice],
    height: Floats,
) -> Floats:
    """The surface ``height`` (rows, cols) [m] moved to where all pairs together look most alike."""
    import cv2

    used = sorted({number for pair in pairs for number in (pair.one, pair.two)})
    for _ in range(_ROUNDS):
        shown = {number: shown_on(photos[number], ground, level, *part, height) for number in used}
        total = np.zeros(height.shape, np.float32)
        weight = np.zeros(height.shape, np.float32)
        lever = np.zeros(height.shape, np.float32)
        for pair in pairs:
            one, two = shown[pair.one], shown[pair.two]
            both = (one.seen & two.seen).astype(np.float32)
            slope = (one.slope - two.slope) * both
            total -= slope * (one.grey - two.grey)
            weight += slope * slope
            apart = np.hypot(one.lever[0] - two.lever[0], one.lever[1] - two.lever[1]) * both
            np.maximum(lever, apart, out=lever)
        window = (_WINDOW, _WINDOW)
        faint = (np.float32(_FAINT) * lever / np.float32(ground.step)) ** 2
        move = cv2.blur(total, window) / (cv2.blur(weight, window) + faint + np.float32(1e-12))
        most = np.float32(_STRIDE * ground.step) / np.maximum(lever, np.float32(0.05))
        height = np.asarray(cv2.medianBlur(height + np.clip(move, -most, most), 3), np.float32)
    return height


@dataclass(frozen=True, eq=False)
class PairSums:
    """What each of P pairs says of blocks (rows, cols) of a surface: sums over the block's pixels.

    ``square`` of G^2 [1/m2], ``cross`` of -G r [1/m], ``rest`` of r^2, ``size`` of a^2 + b^2, ``like`` of 2 a b,
    ``count`` of pixels.
    """

    square: Floats
    cross: Floats
    rest: Floats
    size: Floats
    like: Floats
    count: Floats

    def over(self, many: int) -> PairSums:
        """The same summed over many x many blocks around each."""
        import cv2

        def total(stack: Floats) -> Floats:
            kernel = (many, many)
            summed = [cv2.boxFilter(one, -1, kernel, normalize=False, borderType=cv2.BORDER_CONSTANT) for one in stack]
            return np.stack(summed)

        return PairSums(*(total(one) for one in (self.square, self.cross, self.rest, self.size, self.like, self.count)))


def pair_sums(
    photos: Sequence[Flattened],
    pairs: Sequence[Pair],
    ground: Ground,
    part: tuple[slice, slice],
    height: Floats,
    block: int,
) -> PairSums:
    """Sums over blocks of ``block`` x ``block`` finest pixels of part of the ground, which they divide evenly."""
    used = sorted({number for pair in pairs for number in (pair.one, pair.two)})
    shown = {number: shown_on(photos[number], ground, 0, *part, height) for number in used}
    shape = (height.shape[0] // block, block, height.shape[1] // block, block)
    found: list[tuple[Floats, ...]] = []
    for pair in pairs:
        one, two = shown[pair.one], shown[pair.two]
        both = (one.seen & two.seen).astype(np.float32)
        slope, rest = (one.slope - two.slope) * both, (one.grey - two.grey) * both
        size, like = (one.grey**2 + two.grey**2) * both, 2 * one.grey * two.grey * both
        every = (slope * slope, -slope * rest, rest * rest, size, like, both)
        found.append(tuple(value.reshape(shape).sum(axis=(1, 3), dtype=np.float32) for value in every))
    return PairSums(*(np.stack(values) for values in zip(*found, strict=True)))
