"""What all pairs say of one place, joined: the height most agree on, how sure it is, and whether it is measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.capture.photos.fine_heights import PairSums
from flatscan.capture.photos.flattened import Floats
from flatscan.capture.photos.pairs_seen import Pair
from flatscan.core.geometry import Array, Mask

# a pair counts where its two pictures are this much alike around the place; a place that one pair alone measures
# must look more alike, having nothing to be checked by
_ALIKE, _ALIKE_ALONE = 0.5, 0.7
# contrast that both pictures share, over the grey around: steps of eight bits and slow shades are less, and no texture
_LEAST_CONTRAST = 0.005
# a difference over two pixels has half the variance of noise, which half of the residuals' is, and interpolation takes
# some; slopes that are noise to more than the rest of this are none
_NOISE_SLOPE, _LEAST_SOUND = 0.25 * 0.7, 0.4
# neighbouring pixels of a picture share noise, by demosaicing, compression and being laid flat twice
_SHARED = 2.0
# pairs further from the middle than so many of their u lose weight (Huber)
_HUBER, _ROUNDS = 1.5, 4
# pairs that differ by less than so much of a pixel agree, whatever their u
_LEAST_PIXEL = 0.05
# a place is measured where pairs of this share of the weight lie within so many u of what they agree on
_AGREE, _WITHIN = 0.6, 4.0
# and this share of those that see it have to tell it at all
_MOST_OF = 0.5
# and what is further off than this is taken to be no further where it is asked by how much pairs differ
_STRAY = 12.0
# blocks around that tell how alike the pictures are, and how far pairs differ
_AROUND = 3


@dataclass(frozen=True, eq=False)
class Joined:
    """Blocks (rows, cols): ``move`` [m] to be added to the surface, its ``u`` [m], how many independent pairs.

    NaN and 0 where nothing is measured. ``weights`` (pairs, rows, cols) [1/m2] are what each pair has in it, ``tried``
    [1/m2] what it would have had were it not so far off, and ``apart`` [m] how far each is off what they agree on.
    """

    move: Floats
    u: Floats
    independent: Floats
    weights: Floats
    tried: Floats
    apart: Floats

    def only(self, here: Mask) -> Joined:
        """The same with nothing measured elsewhere."""
        independent, weights, tried = (np.where(here, of, 0) for of in (self.independent, self.weights, self.tried))
        move, u = (np.where(here, of, np.nan) for of in (self.move, self.u))
        return replace(self, move=move, u=u, independent=independent, weights=weights, tried=tried)


@dataclass(frozen=True, slots=True)
class Levers:
    """How far what each pair (pairs,) shows moves ``apart`` as a place rises, and both ``together`` squared [m per m].

    The second is what a pair's noise counts for in how grey changes with height.
    """

    apart: Array
    together: Array


def joined(sums: PairSums, pairs: Sequence[Pair], alone: Mask, levers: Levers, step: float, u_most: float) -> Joined:
    """Join the pairs at every block: robust weighted mean, u by residuals, number of photos and agreement.

    ``alone`` (rows, cols) says where no other height looks as good, ``step`` [m] is a pixel, ``u_most`` [m] what no
    point's u is above. Slopes of grey that are noise's own tell no height: u is by what of them is not.
    """
    around = sums.over(_AROUND)
    with np.errstate(divide="ignore", invalid="ignore"):
        alike = around.like / np.maximum(around.size, 1e-9)
        move = sums.cross / sums.square
        left = around.rest - around.cross**2 / np.maximum(around.square, 1e-9)
        noise2 = _SHARED * np.maximum(left, 0.0) / np.maximum(around.count - 1, 1)
        faint = _NOISE_SLOPE * left * (levers.together / step**2)[:, None, None]
        sound = np.clip(1 - faint / np.maximum(around.square, 1e-9), 0.0, 1.0)
        u2 = noise2 / (sums.square * sound**2) + (_LEAST_PIXEL * step / levers.apart[:, None, None]) ** 2
    textured = around.like > 2 * _LEAST_CONTRAST**2 * around.count
    full = sums.count >= 0.8 * sums.count.max(initial=1.0)
    used = (
        full
        & textured
        & (sound > _LEAST_SOUND)
        & (alike > _ALIKE)
        & np.isfinite(move)
        & np.isfinite(u2)
        & (u2 < (3 * u_most) ** 2)
    )
    weight = np.where(used, 1 / np.where(used, u2, 1.0), 0.0).astype(np.float32)
    move = np.where(used, move, 0.0).astype(np.float32)
    found = _agreed(move, weight, np.asarray(alike, np.float32), pairs, alone, u_most)
    # pairs that see a place and show two different things are no less against it than those that differ in height
    return found.only((found.weights > 0).sum(axis=0) >= _MOST_OF * np.maximum(full.sum(axis=0), 1))


def _agreed(move: Floats, weight: Floats, alike: Floats, pairs: Sequence[Pair], alone: Mask, u_most: float) -> Joined:
    middle = _median(move, weight)
    bent = weight
    for _ in range(_ROUNDS):
        off = np.abs(move - middle) * np.sqrt(weight)
        bent = weight * np.minimum(1.0, _HUBER / np.maximum(off, 1e-6))
        middle = _mean(move, bent)
    off = np.abs(move - middle) * np.sqrt(weight)
    agree = off < _WITHIN
    bent = np.where(agree, bent, 0.0).astype(np.float32)
    middle = _mean(move, bent)
    total, kept = weight.sum(axis=0), (weight * agree).sum(axis=0)
    photos, number = _photos(bent > 0, pairs), (bent > 0).sum(axis=0)
    independent = np.maximum(photos - 1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_pairs = (bent * (move - middle) ** 2).sum(axis=0) / np.maximum(number - 1, 1)
        # pairs that share a photo repeat each other: so many photos, so many pairs less one are new
        u2 = np.maximum(by_pairs, 1.0) * number / np.maximum(independent, 1) / bent.sum(axis=0)
    measured = (independent >= 1) & (kept > _AGREE * total) & (u2 < u_most**2)
    best = np.where(bent > 0, alike, 0.0).max(axis=0, initial=0.0)
    measured &= (independent >= 2) | (alone & (best > _ALIKE_ALONE))
    return Joined(
        np.where(measured, middle, np.nan).astype(np.float32),
        np.where(measured, np.sqrt(u2), np.nan).astype(np.float32),
        np.where(measured, independent, 0).astype(np.float32),
        np.where(measured, bent, 0.0).astype(np.float32),
        np.where(measured, weight, 0.0).astype(np.float32),
        (np.clip(off, 0.0, _STRAY) * np.sign(move - middle) / np.sqrt(np.maximum(weight, 1e-12))).astype(np.float32),
    )


def _mean(move: Floats, weight: Floats) -> Floats:
    return np.asarray((weight * move).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12))


def _median(move: Floats, weight: Floats) -> Floats:
    """Weighted median (rows, cols) over pairs."""
    order = np.argsort(np.where(weight > 0, move, np.inf), axis=0)
    moves, weights = np.take_along_axis(move, order, 0), np.take_along_axis(weight, order, 0)
    half = np.cumsum(weights, axis=0) >= weights.sum(axis=0) / 2
    return np.take_along_axis(moves, half.argmax(axis=0)[None], 0)[0]


def _photos(used: Mask, pairs: Sequence[Pair]) -> Floats:
    """How many photos (rows, cols) the pairs used have between them."""
    numbers = sorted({number for pair in pairs for number in (pair.one, pair.two)})
    total = np.zeros(used.shape[1:], np.float32)
    for number in numbers:
        of = [k for k, pair in enumerate(pairs) if number in (pair.one, pair.two)]
        total += used[of].any(axis=0)
    return total
