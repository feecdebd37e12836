"""Whether two captures of one wall have errors of their own: copies, parts and resamplings of a scan have not.

What the wall itself shows, roughness and all, two genuine captures have in common, and within one capture it shows just
as much at the same distance: only what is more alike between two captures than within each is a shared error
(methods/uncertainty 10).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from flatscan.core.errors import MixedSurveys
from flatscan.core.geometry import Array, Frame, fit_quadratic, quadratic_terms, robust_scale
from flatscan.core.independence import Patches
from flatscan.core.model import Relief
from flatscan.core.quantity import metres, share
from flatscan.core.reliefs import Grid
from flatscan.relief.independent import on_all_sides
from flatscan.relief.same_form import Placed, nothing_apart

_FEWEST_PATCHES, _FEWEST = 3, 40
_APART = 10.0
_CLIP = 3.0
# how far copies may have been laid off each other by their walls' outlines [m], and how fine that is looked for
_FURTHEST, _FINE, _ROUNDS = 0.04, 0.5, 6
# distances between points as parts of their spacing, for comparing two captures with each of them
_LAGS, _NEIGHBOURS, _FEWEST_PAIRS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5), 10, 100
# a mean correlation this much above that within, and by so many of its own standard errors, is no chance
_EXCESS, _SURE = 0.08, 7.0
# circles in which points of one lie by those of the other more often than chance puts them there, and twice as alike
_CIRCLES, _CROWDED, _FADES = (0.05, 0.1, 0.2, 0.35), 1.5, 0.5


@dataclass(frozen=True, eq=False, slots=True)
class OneCapture:
    """One of several captures of a wall: its relief as measured, its wall's frame, and its file's hash."""

    relief: Relief
    frame: Frame
    sha256: str


def refuse_copies(captures: Sequence[OneCapture]) -> None:
    """Raise `MixedSurveys` where two captures given as repeats do not have errors of their own."""
    for (first, one), (second, other) in combinations(enumerate(captures, 1), 2):
        if one.sha256 == other.sha256:
            raise _refused(second, first, "the same points as capture {first}")
        if not isinstance(one.relief, Grid) or not isinstance(other.relief, Grid):
            continue
        found = _common_errors((one.relief, one.frame), (other.relief, other.frame))
        if found is not None:
            raise _refused(
                second,
                first,
                "errors of its points that follow those of capture {first}: they correlate by {between:number.2}, "
                "within each capture by {within:number.2}",
                between=share(found[0]),
                within=share(found[1]),
            )
        apart = nothing_apart((one.relief, one.frame), (other.relief, other.frame))
        if apart is not None:
            raise _refused(
                second,
                first,
                "a form that differs from capture {first} by no more than the scatter of their points "
                "({apart:length.3}, 1 sd), as parts of one scan do",
                apart=metres(apart),
            )


def _refused(number: int, first: int, found: str, **values: object) -> MixedSurveys:
    return MixedSurveys(
        "capture {number}",
        found,
        needed="captures independent of each other: the wall walked again, or the instrument set up again elsewhere",
        remedy="Scan the wall again so, or leave this one out; copies, halves and files made of another are no repeats",
        number=number,
        first=first,
        **values,
    )


def _common_errors(one: Placed, other: Placed) -> tuple[float, float] | None:
    """Correlation of neighbouring points' residuals between two captures, and within them, where it is an error's.

    Their points are laid over each other as the files have them, and as the walls' outlines do, moved along the wall
    to where the residuals resemble each other most.
    """
    first, second = one[0].patches, other[0].patches
    if first is None or second is None:
        return None
    in_place = _moved(second, one[1], other[1])
    for laid in (in_place, second):
        both = None if laid is None else _Both.of(first, laid)
        if both is None:
            continue
        for shift in (np.zeros(2), both.best_shift()):
            found = both.alike(shift)
            if found is not None:
                return found
    return None


def _moved(patches: Patches, to: Frame, by: Frame) -> Patches | None:
    """Points in another frame's coordinates, None where they lie elsewhere."""
    at = to.to_wall(by.to_file(patches.at))
    near = len(at) and np.abs(np.median(at[:, 2]) - np.median(patches.at[:, 2])) < 0.05
    return replace(patches, at=at) if near else None


@dataclass(frozen=True, eq=False, slots=True)
class _Side:
    """Points (n, 2) of squares moved apart, with their residuals (n,) [m] and squares (n,)."""

    at: Array
    rest: Array
    square: Array

    @property
    def tree(self) -> cKDTree:
        """For finding neighbours."""
        return cKDTree(self.at)

    @property
    def furthest(self) -> float:
        """How far along or up a point lies from the middle of its square [m]."""
        return float(np.abs(self.at - np.column_stack([_APART * self.square, np.zeros(len(self.at))])).max())

    @property
    def variance(self) -> float:
        """Variance of the residuals [m2]."""
        return max(float(np.mean(self.rest**2)), 1e-18)


@dataclass(frozen=True, eq=False, slots=True)
class _Both:
    """The points of two captures over what their squares share, ``spacing`` [m] being that of the sparser one."""

    one: _Side
    two: _Side
    spacing: float

    @classmethod
    def of(cls, first: Patches, second: Patches) -> _Both | None:
        """Squares that both captures fill, None with too few of them."""
        kept: tuple[list[Array], list[Array]] = ([], [])
        areas = []
        for a in first.each():
            low, high = a[:, :2].min(axis=0), a[:, :2].max(axis=0)
            b = second.at[np.all((second.at[:, :2] >= low) & (second.at[:, :2] <= high), axis=1)]
            if len(b) < _FEWEST:
                continue
            low, high = b[:, :2].min(axis=0), b[:, :2].max(axis=0)
            a = a[np.all((a[:, :2] >= low) & (a[:, :2] <= high), axis=1)]  # noqa: PLW2901
            if len(a) < _FEWEST:
                continue
            kept[0].append(a)
            kept[1].append(b)
            areas.append(float(np.prod(high - low)))
        if len(areas) < _FEWEST_PATCHES:
            return None
        fewer = min(sum(map(len, side)) for side in kept)
        middles = [b[:, :2].mean(axis=0) for b in kept[1]]
        sides = [_side_of(side, middles) for side in kept]
        return cls(sides[0], sides[1], float(np.sqrt(sum(areas) / fewer)))

    def best_shift(self) -> Array:
        """Where the second's residuals resemble the first's most when moved along the wall (2,) [m]."""
        cell = _FINE * self.spacing
        reach = max(2, round(_FURTHEST / cell))
        half = int(np.ceil(max(side.furthest for side in (self.one, self.two)) / cell)) + 1
        size = [max(4 * half, 2 * reach + 1)] * 2
        total = np.zeros((2 * reach + 1, 2 * reach + 1))
        for number in range(int(self.one.square.max()) + 1):
            maps = [_raster(side, number, cell, half) for side in (self.one, self.two)]
            spectra = [np.fft.rfft2(one, size) for one in maps]
            field = np.fft.irfft2(spectra[0] * np.conj(spectra[1]), size)
            total += np.roll(field, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]
        row, col = np.unravel_index(int(np.argmax(total)), total.shape)
        return self._settled(np.array([col - reach, row - reach]) * cell)

    def _settled(self, shift: Array) -> Array:
        """The same, moved until points lie nearest to each other."""
        tree = self.one.tree
        for _ in range(_ROUNDS):
            far, near = tree.query(self.two.at + shift, distance_upper_bound=0.6 * self.spacing)
            here = np.isfinite(far)
            if here.sum() < _FEWEST_PAIRS:
                break
            shift = shift + np.median(self.one.at[near[here]] - self.two.at[here] - shift, axis=0)
        return shift

    def alike(self, shift: Array) -> tuple[float, float] | None:
        """Correlation between the captures and within them, None where the first is no more than the second."""
        trees = self.one.tree, self.two.tree
        moved = _Side(self.two.at + shift, self.two.rest, self.two.square)
        cross = _products(trees[0], self.one, moved, self.spacing, same=False)
        own = [
            _products(tree, side, side, self.spacing, same=True)
            for tree, side in zip(trees, (self.one, self.two), strict=True)
        ]
        return _more_alike(cross, own) or self._crowded(cross)

    def _crowded(self, cross: tuple[Array, Array]) -> tuple[float, float] | None:
        """The same where points of one lie by those of the other, as they do by none of their own."""
        apart, alike = cross
        far = np.hypot(apart[:, 0], apart[:, 1])
        more = max(len(self.one.at), len(self.two.at))
        for reach in _CIRCLES:
            near, ring = far < reach, (far > 2 * reach) & (far < 4 * reach)
            expected = more * np.pi * reach**2
            if near.sum() < max(_FEWEST_PAIRS, _CROWDED * expected + 6 * np.sqrt(expected)):
                continue
            inside, around = float(alike[near].mean()), float(alike[ring].mean()) if ring.any() else 0.0
            if (
                inside * np.sqrt(near.sum()) > _SURE
                and inside > _EXCESS
                and around < _FADES * inside
                and on_all_sides(apart[near], reach)
            ):
                return min(inside, 1.0), max(around, 0.0)
        return None


def _side_of(squares: Sequence[Array], middles: Sequence[Array]) -> _Side:
    at = [
        square[:, :2] - middle + (_APART * k, 0)
        for k, (square, middle) in enumerate(zip(squares, middles, strict=True))
    ]
    rest = [_residuals(square) for square in squares]
    return _Side(np.concatenate(at), np.concatenate(rest), np.repeat(np.arange(len(at)), [len(one) for one in at]))


def _residuals(points: Array) -> Array:
    """What is left (n,) [m] of heights over a quadratic, features cut off at three spreads."""
    off = points[:, :2] - points[:, :2].mean(axis=0)
    size = max(float(np.ptp(off)), 1e-6)
    design = quadratic_terms(off[:, 0] / size, off[:, 1] / size)
    z, keep = points[:, 2] - points[:, 2].mean(), np.ones(len(points))
    for _ in range(3):
        rest: Array = z - design @ fit_quadratic(design, z, keep)
        scale = max(robust_scale(rest), 1e-12)
        keep = (np.abs(rest) <= _CLIP * scale).astype(float)
    return np.clip(rest, -_CLIP * scale, _CLIP * scale)


def _raster(side: _Side, number: int, cell: float, half: int) -> Array:
    """Sums of residuals of one square in fine cells, ``half`` of them to each side of its middle."""
    here = side.square == number
    at = side.at[here] - (_APART * number, 0)
    col, row = (np.floor(at[:, axis] / cell).astype(int) + half for axis in (0, 1))
    sums: Array = np.zeros((2 * half, 2 * half))
    np.add.at(sums, (row, col), side.rest[here])
    return sums


def _products(tree: cKDTree, one: _Side, two: _Side, spacing: float, *, same: bool) -> tuple[Array, Array]:
    """How far apart pairs of neighbouring points lie (n, 2) [spacings], and the products (n,) of their residuals.

    Products are over both spreads.
    """
    most = _LAGS[-1] * spacing
    far, near = tree.query(two.at, k=_NEIGHBOURS + same, distance_upper_bound=most)
    here = np.isfinite(far)
    here[:, 0] &= not same
    row, _ = np.nonzero(here)
    norm = np.sqrt(one.variance * two.variance)
    apart: Array = (two.at[row] - one.at[near[here]]) / spacing
    return apart, one.rest[near[here]] * two.rest[row] / norm


def _more_alike(cross: tuple[Array, Array], own: Sequence[tuple[Array, Array]]) -> tuple[float, float] | None:
    """Mean correlation between and within, up to the distance where the first is clearest more; None where nowhere."""
    between, within, weights = [], [], []
    known = [(np.hypot(apart[:, 0], apart[:, 1]), alike) for apart, alike in (cross, *own)]
    for low, high in zip(_LAGS, _LAGS[1:], strict=False):
        of = [alike[(far >= low) & (far < high)] for far, alike in known]
        if min(len(one) for one in of) < _FEWEST_PAIRS:
            continue
        means = [float(one.mean()) for one in of]
        between.append(means[0])
        # what both show of the wall at that distance: their noise is in the spreads only
        within.append(np.sqrt(max(means[1], 0.0) * max(means[2], 0.0)))
        weights.append(len(of[0]))
        total = np.array([np.average(some, weights=weights) for some in (between, within)])
        if total[0] - total[1] > max(_EXCESS, _SURE / np.sqrt(sum(weights) / _NEIGHBOURS)):
            return float(min(total[0], 1.0)), float(total[1])
    return None
