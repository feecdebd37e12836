"""Which warps a scan may have: a grid of shapes, lengths and sizes, each with its weight.

Smooth (Gaussian), rough (Matern 3/2, exponential) and of all scales at once; Rasmussen and Williams 2006, 4.2; Stein,
Interpolation of Spatial Data, 1999, 2.10 on why how rough a field is matters as much as how large.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.warp import CommonError

# lengths [m] that a wall of some metres can tell apart
_GAUSSIAN = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 8.0)
_MATERN = (0.35, 0.7, 1.4, 2.8, 5.6)
_EXPONENTIAL = (0.5, 1.0, 2.0, 4.0, 8.0)
# octaves from a phone's frame to a whole wall
_SCALES = (0.35, 0.7, 1.4, 2.8, 5.6, 8.0)
# what bends a scan as a whole, and what its frames or sweeps do, by half and by a fifth of the chord's variance
_TWO_LENGTHS = tuple(
    (long, short, share) for long in (1.4, 2.8, 5.6) for short in (0.35, 0.5, 0.7) for share in (0.05, 0.3)
)
# size over the stated one, in steps of root 2; standard deviations of logarithms
_FACTORS = 2.0 ** np.arange(-5, 4.6, 0.5)
_SIZE_SPREAD, _LENGTH_SPREAD = 1.5, 1.0
# a warp stated as none is no knowledge of one smaller than this on the middle of 2 m [m]
_LEAST_CHORD = 0.25e-3
# a table of likeness by distance [m]; no wall is wider
_TABLE_STEP, _TABLE_TO = 0.004, 60.0
# logs of weights so far apart no likelihood of some readings makes up for
_BEYOND = 60.0
# capture types are stated on the middle of so many metres (methods/uncertainty 7)
CHORD = 2.0
_HALF_CHORD = np.array(CHORD / 2)


@dataclass(frozen=True, slots=True)
class Matern(CommonError):
    """A warp of Matern's kind with smoothness 3/2: it has slopes, and kinks in them."""

    def unlike(self, distance: Array) -> Array:
        """1 less the correlation of the errors of two places so many metres apart (Rasmussen and Williams, 4.17)."""
        arm = np.sqrt(3) * np.asarray(distance, float) / self.length
        alike: Array = (1 + arm) * np.exp(-arm)
        return 1 - alike


@dataclass(frozen=True, slots=True)
class Exponential(CommonError):
    """A warp of Matern's kind with smoothness 1/2: rough at every scale, as a random walk is."""

    def unlike(self, distance: Array) -> Array:
        """1 less the correlation of the errors of two places so many metres apart (Rasmussen and Williams, 4.18)."""
        return -np.expm1(-np.asarray(distance, float) / self.length)


@dataclass(frozen=True, slots=True)
class Blend(CommonError):
    """A sum of independent warps: ``shares`` of the variance each."""

    parts: tuple[CommonError, ...] = ()
    shares: tuple[float, ...] = ()

    def unlike(self, distance: Array) -> Array:
        """1 less the correlation of the errors of two places so many metres apart."""
        total = np.zeros(np.shape(distance))
        for part, share in zip(self.parts, self.shares, strict=True):
            total += share * part.unlike(distance)
        return total


@dataclass(frozen=True, slots=True, eq=False)
class Tabulated(CommonError):
    """A warp by a table: ``unlikes`` (n,) at every `_TABLE_STEP` of distance from 0 on."""

    unlikes: Array = field(default_factory=lambda: np.zeros(2))

    def unlike(self, distance: Array) -> Array:
        """1 less the correlation of the errors of two places so many metres apart."""
        step = np.minimum(np.asarray(distance, float) / _TABLE_STEP, len(self.unlikes) - 1.001)
        below = step.astype(np.intp)
        low = self.unlikes[below]
        return np.asarray(low + (self.unlikes[below + 1] - low) * (step - below))


@dataclass(frozen=True, eq=False)
class Warps:
    """Warps that may be, K shapes at F sizes each.

    ``shapes`` at the stated size, ``squares`` (F,) of the factors on it, ``log_weights`` (K, F) how likely each is, up
    to a constant.
    """

    shapes: tuple[CommonError, ...]
    squares: Array
    log_weights: Array

    @property
    def weights(self) -> Array:
        """How likely each is (K, F), in all 1."""
        above = np.exp(self.log_weights - self.log_weights.max())
        return np.asarray(above / above.sum())

    def but(self, log_likelihood: Array) -> Warps:
        """The same after data of such a log-likelihood (K, F)."""
        return replace(self, log_weights=self.log_weights + log_likelihood)

    def possible(self) -> Warps:
        """Those shapes only that no few readings can bring back."""
        best = self.log_weights.max(axis=1)
        of = best > best.max() - _BEYOND
        shapes = tuple(shape for shape, here in zip(self.shapes, of, strict=True) if here)
        return replace(self, shapes=shapes, log_weights=self.log_weights[of])

    def blended(self, like: CommonError) -> CommonError:
        """One warp with the second moments of them all, with the offset, scale and source of ``like``.

        What readings leave of it by the best linear estimate is the mean over all warps, none being told from another.
        """
        variance = np.array([shape.sd**2 for shape in self.shapes]) * (self.weights @ self.squares)
        total = float(variance.sum())
        at = np.arange(0.0, _TABLE_TO, _TABLE_STEP)
        unlike = sum(part / total * shape.unlike(at) for part, shape in zip(variance, self.shapes, strict=True))
        length = float(np.exp(np.log([shape.length for shape in self.shapes]) @ self.weights.sum(axis=1)))
        return Tabulated(np.sqrt(total), length, like.u_offset, like.scale, like.source, np.asarray(unlike))

    def chord(self) -> float:
        """Root mean square [m] of what they put on the middle of 2 m, each weighed."""
        squares = np.array([float(shape.u_gap(_HALF_CHORD, _HALF_CHORD)) ** 2 for shape in self.shapes])
        return float(np.sqrt(squares @ (self.weights @ self.squares)))

    def lengths(self, share: float = 0.9) -> tuple[float, float]:
        """Shortest and longest length [m] between which this share of the weight lies."""
        order = np.argsort([shape.length for shape in self.shapes], kind="stable")
        reached = np.cumsum(self.weights.sum(axis=1)[order])
        low, high = np.searchsorted(reached, [(1 - share) / 2, (1 + share) / 2 - 1e-9])
        return self.shapes[order[low]].length, self.shapes[order[min(high, len(order) - 1)]].length


def one_warp(warp: CommonError) -> Warps:
    """A warp of known shape, length and size."""
    return Warps((warp,), np.ones(1), np.zeros((1, 1)))


def warps_like(stated: CommonError, *, size_known: bool = False) -> Warps:
    """What a stated warp leaves open: any shape and length that puts as much on the middle of 2 m, and other sizes.

    Capture types are stated on that chord (methods/uncertainty 7). Shapes are as likely each as the others, sizes and
    lengths less the further they are from what is stated, by their logarithms [setting]. Where there is too little to
    tell a size from (``size_known``), it is the stated one, so that a gap over 2 m stays as uncertain as was stated.
    """
    chord = max(float(stated.u_gap(_HALF_CHORD, _HALF_CHORD)), _LEAST_CHORD)
    kinds: tuple[tuple[CommonError, ...], ...] = (
        tuple(CommonError(1.0, length) for length in _GAUSSIAN),
        tuple(Matern(1.0, length) for length in _MATERN),
        tuple(Exponential(1.0, length) for length in _EXPONENTIAL),
        (_all_scales(),),
        tuple(_two_scales(*lengths) for lengths in _TWO_LENGTHS),
    )
    shapes, log_shapes = list[CommonError](), list[float]()
    for kind in kinds:
        off = np.log([shape.length / stated.length for shape in kind]) / _LENGTH_SPREAD
        weights = np.exp(-(off**2) / 2)
        log_shapes += list(np.log(weights / weights.sum()))
        shapes += [replace(shape, sd=chord / float(shape.u_gap(_HALF_CHORD, _HALF_CHORD))) for shape in kind]
    factors = np.ones(1) if size_known else _FACTORS
    log_sizes = -((np.log(factors) / _SIZE_SPREAD) ** 2) / 2
    return Warps(tuple(shapes), factors**2, np.add.outer(np.array(log_shapes), log_sizes))


def _all_scales() -> CommonError:
    """Equal variance in every octave from 0.35 to 8 m: power falls as 1/f."""
    parts = tuple(CommonError(1.0, length) for length in _SCALES)
    length = float(np.exp(np.mean(np.log(_SCALES))))
    return Blend(1.0, length, parts=parts, shares=(1 / len(parts),) * len(parts))


def _two_scales(long: float, short: float, share: float) -> CommonError:
    """A long warp and a short one, which has such a ``share`` of what both put on the middle of 2 m."""
    parts = CommonError(1.0, long), CommonError(1.0, short)
    on_chord = np.array([float(part.u_gap(_HALF_CHORD, _HALF_CHORD)) ** 2 for part in parts])
    variance = np.array([1 - share, share]) / on_chord
    shares = variance / variance.sum()
    return Blend(1.0, long, parts=parts, shares=(float(shares[0]), float(shares[1])))
