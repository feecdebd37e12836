"""Which two photos measure a place: pairs far enough apart, and not too far, that see it both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.photos.flattened import Flattened, Floats, Ground
from flatscan.core.geometry import Array

# distance of two photos over their distance from the wall: less tells no height, more shows two different pictures
_NARROWEST, _WIDEST, _BEST = 0.08, 1.1, 0.6
# no more pairs a place than these: further ones repeat the same photos
MOST_PAIRS = 6
# places where it is asked which see them lie so many pixels apart; a pair that adds less than this adds nothing
_APART, _LEAST = 96, 1e-3


@dataclass(frozen=True, slots=True)
class Pair:
    """Two photos by their numbers."""

    one: int
    two: int


def rates(photo: Flattened, x: Array, y: Array, height: Floats) -> tuple[Floats, Floats]:
    """How far along and up [m per m] what a photo shows of places at ``height`` moves on the plane as they rise.

    d/dh of (place - centre) h / (centre's z - h) = (place - centre) z / (z - h)^2.
    """
    z = np.float32(photo.centre[2])
    lever = z / (z - height) ** 2
    along = lever * (x - photo.centre[0]).astype(np.float32)
    upward = lever * (y - photo.centre[1]).astype(np.float32)[:, None]
    return along, upward


def base(one: Flattened, two: Flattened, x: Array, y: Array) -> Array:
    """How far (...) what two photos show of a place on the plane moves apart as it rises [m per m]."""
    parts = [(np.stack([x - photo.centre[0], y - photo.centre[1]]) / photo.centre[2]) for photo in (one, two)]
    return np.asarray(np.hypot(*(parts[0] - parts[1])))


def pairs_of(photos: Sequence[Flattened], ground: Ground) -> tuple[Pair, ...]:
    """The pairs that measure the ground best, up to `MOST_PAIRS` a place, the most telling first."""
    rows, cols = (np.arange(_APART // 2, many, _APART) for many in (ground.rows, ground.cols))
    if not len(rows) or not len(cols):
        return ()
    x, y = np.meshgrid(ground.left + (cols + 0.5) * ground.step, ground.bottom + (rows + 0.5) * ground.step)
    sees = [_sees(photo, rows, cols) for photo in photos]
    worth = dict[Pair, Array]()
    for one, two in combinations(range(len(photos)), 2):
        if not (both := sees[one] & sees[two]).any():
            continue
        apart = base(photos[one], photos[two], x, y)
        both &= (apart > _NARROWEST) & (apart < _WIDEST)
        if both.any():
            worth[Pair(one, two)] = np.where(both, np.minimum(apart, _BEST) ** 2, 0.0)
    return _most_worth(worth, x.shape)


def _most_worth(worth: dict[Pair, Array], shape: tuple[int, ...]) -> tuple[Pair, ...]:
    """One pair after the other that adds most: less where a place, or a photo at it, has some already."""
    chosen = list[Pair]()
    had: Array = np.zeros(shape)
    used = dict[int, Array]()

    def added(pair: Pair) -> float:
        often = 1 + sum(used.get(photo, 0.0) for photo in (pair.one, pair.two))
        return float((np.where(had < MOST_PAIRS, worth[pair], 0.0) / (1 + had) / often).sum())

    while worth:
        best = max(worth, key=added)
        if added(best) < _LEAST:
            break
        here = worth.pop(best) > 0
        had += here
        chosen.append(best)
        for photo in (best.one, best.two):
            used[photo] = used.get(photo, np.zeros(shape)) + here
    return tuple(chosen)


def _sees(photo: Flattened, row: NDArray[np.int64], col: NDArray[np.int64]) -> NDArray[np.bool_]:
    seen = photo.seen[0]
    r, c = np.meshgrid(row - photo.row, col - photo.col, indexing="ij")
    inside = (r >= 0) & (r < seen.shape[0]) & (c >= 0) & (c < seen.shape[1])
    return inside & (seen[np.clip(r, 0, seen.shape[0] - 1), np.clip(c, 0, seen.shape[1] - 1)] > 0)
