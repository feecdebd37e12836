"""Where the wall about lies at every place: all heights tried in turn, and the one taken at which photos look alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatscan.capture.photos.flattened import LEVELS, Flattened, Floats, Ground
from flatscan.capture.photos.pairs_seen import Pair
from flatscan.core.geometry import Mask

LEVEL = LEVELS - 1
# heights tried [m]: what stands or lies further off is no part of the wall
REACH = 0.08
# a step moves what the widest usual pair shows by half a pixel; windows of so many pixels are compared
_HALF, _WIDE_PAIR = 0.5, 0.6
_WINDOW = 9
# grey values of one picture differ by noise even where there is nothing to see
_NOISE2 = 1.0
# a second height as good as this much less than the best leaves both open, when they lie so many steps apart
_AS_GOOD, _APART = 0.06, 4


@dataclass(frozen=True, eq=False)
class FirstHeights:
    """Heights (rows, cols) [m] on the coarsest pixels, how alike photos are there (0 to 1), and where one is plain.

    ``alike`` is the mean correlation of the pairs, ``alone`` whether no other height looks nearly as good.
    """

    height: Floats
    alike: Floats
    alone: Mask


def first_heights(
    photos: Sequence[Flattened], pairs: Sequence[Pair], ground: Ground, rows: slice, cols: slice
) -> FirstHeights:
    """The height of each coarse pixel of part of the coarsest ``ground`` at which the pairs look most alike."""
    step = _HALF * ground.step / _WIDE_PAIR
    many = int(np.ceil(REACH / step))
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    used = sorted({number for pair in pairs for number in (pair.one, pair.two)})
    scores = np.zeros((2 * many + 1, *shape), np.float32)
    for number, k in enumerate(range(-many, many + 1)):
        flat = np.full(shape, k * step, np.float32)
        shown = {photo: _normal(*photos[photo].laid_on(ground, LEVEL, rows, cols, flat)) for photo in used}
        scores[number] = _alike(shown, pairs)
    return _best(scores, step, many)


def _normal(grey: Floats, seen: Mask) -> tuple[Floats, Floats, Mask]:
    """Grey less its mean around, what is left of its spread there, and where it is seen all around."""
    import cv2

    mean = cv2.blur(grey, (_WINDOW, _WINDOW))
    off = grey - mean
    spread = cv2.blur(off * off, (_WINDOW, _WINDOW)) + np.float32(_NOISE2)
    # the spread around has means around in it
    whole = cv2.erode(seen.astype(np.uint8), np.ones((2 * _WINDOW - 1,) * 2, np.uint8)) > 0
    return np.asarray(off, np.float32), np.asarray(spread, np.float32), whole


def _alike(shown: dict[int, tuple[Floats, Floats, Mask]], pairs: Sequence[Pair]) -> Floats:
    """Mean correlation of all pairs that see a window whole (rows, cols); 0 where none does."""
    import cv2

    shape = next(iter(shown.values()))[0].shape
    total, count = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for pair in pairs:
        (a, a2, a_seen), (b, b2, b_seen) = shown[pair.one], shown[pair.two]
        both = (a_seen & b_seen).astype(np.float32)
        alike = cv2.blur(a * b, (_WINDOW, _WINDOW)) / np.sqrt(a2 * b2)
        total += np.clip(alike, 0.0, 1.0) * both
        count += both
    return np.asarray(total / np.maximum(count, 1), np.float32)


def _best(scores: Floats, step: float, many: int) -> FirstHeights:
    best = scores.argmax(axis=0)
    rows, cols = np.indices(best.shape)
    inner = np.clip(best, 1, len(scores) - 2)
    below, here, above = (scores[inner + k, rows, cols] for k in (-1, 0, 1))
    bend = np.maximum(2 * here - below - above, 1e-6)
    between = np.clip((above - below) / (2 * bend), -0.5, 0.5)
    height = (inner + between - many) * step
    top = scores[best, rows, cols]
    number = np.arange(len(scores))[:, None, None]
    second = np.where(np.abs(number - best[None]) >= _APART, scores, 0.0).max(axis=0)
    return FirstHeights(height.astype(np.float32), top, np.asarray(second < top - _AS_GOOD))
