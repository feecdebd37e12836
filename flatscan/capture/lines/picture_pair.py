"""A pair of pictures with and without the line: how the wall shifts from one to the other beside it, row by row."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.lines.line_stripe import Stripe, find_stripe
from flatscan.capture.pictures import Picture
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, robust_scale
from flatscan.core.notes import note
from flatscan.core.quantity import share

# a shift of the camera goes into the heights pixel for pixel: what is larger than a hand's tremor is no shift of one
# picture alone, and is seen from elsewhere [pixels]; one that is so many times as large as its u is real
_MOST_MOVED, _REAL = 2.0, 6.0
_DEGREES = (0, 4)
# blocks of the halved picture [pixels], how sure [pixels] one must be of its shift, how alike it must then look in both
# pictures (correlation), and how many are needed
_BLOCK, _SURE, _ALIKE, _FEWEST = 32, 0.15, 0.6, 8
_ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Shift:
    """How the wall shifts on a picture of ``size`` (rows, cols), from the one without the line to the one with it.

    A shutter reads row by row, so a hand that moves shears and bends a picture: a polynomial of ``degree`` down the
    picture, and a slope across, with ``coefficients`` (k, 2), their ``covariance`` (k, k) of blocks that differ by 1
    pixel, and by how much they do differ, ``spread`` (2,) [pixels].
    """

    size: tuple[int, int]
    degree: int
    coefficients: Array
    covariance: Array
    spread: Array

    def at(self, places: Array) -> Array:
        """Shifts (n, 2) [pixels: across, down] at places (n, 2) on the picture with the line."""
        shifts: Array = _terms(places, self.size, self.degree) @ self.coefficients
        return shifts

    def u_at(self, places: Array) -> Array:
        """How sure (n, 2) [pixels] they are."""
        terms = _terms(places, self.size, self.degree)
        variance = np.einsum("ni,ij,nj->n", terms, self.covariance, terms)
        u: Array = np.sqrt(variance)[:, None] * self.spread
        return u

    @property
    def most(self) -> float:
        """The largest shift [pixels] anywhere, 0 where none is as sure as six times its u."""
        rows, cols = self.size
        grid = np.stack(np.meshgrid([0.0, cols / 2, cols - 1], np.linspace(0, rows - 1, 17)), axis=-1).reshape(-1, 2)
        far, doubt = np.hypot(*self.at(grid).T), np.hypot(*self.u_at(grid).T)
        return float(np.max(np.where(far > _REAL * doubt, far, 0.0)))

    def lay(self, colours: NDArray[Any]) -> NDArray[Any]:
        """The picture without the line (rows, cols, ...) as it would be from where the other one was taken."""
        import cv2

        rows, cols = self.size
        down, ends = np.arange(rows, dtype=float), []
        for across in (0.0, cols - 1.0):
            places = np.column_stack([np.full(rows, across), down])
            ends.append(places - self.at(places))
        part = np.linspace(0, 1, cols)[None, :]
        maps = [(ends[0][:, [i]] * (1 - part) + ends[1][:, [i]] * part).astype(np.float32) for i in (0, 1)]
        return np.asarray(cv2.remap(colours, maps[0], maps[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE))


def stripe_of_pair(on: Picture, off: Picture | None, channel: str | None, where: Path, *, level: bool) -> Stripe:
    """The line that is on one picture, at its places on the other, which shows where the wall and its targets are.

    Of one picture alone, where it is. Raises `ReadError` where the camera was moved too far, or no line is found.
    """
    shift = None if off is None else _allowed(on, off, where)
    if shift is None or off is None:
        return find_stripe(on, off, channel, where, level=level)
    laid = replace(off, colours=shift.lay(off.colours))
    stripe = find_stripe(on, laid, channel, where, level=level)
    across = 1 if level else 0
    u = float(np.sqrt(np.mean(shift.u_at(stripe.places)[:, across] ** 2)))
    moved = note("line.camera-swayed", picture=where.name, moved=share(shift.most))
    return replace(stripe, places=stripe.places - shift.at(stripe.places), moved=u, notes=(*stripe.notes, moved))


def _allowed(on: Picture, off: Picture, where: Path) -> Shift | None:
    """The shift between two pictures, None where there is none or none is seen; raises `ReadError` of a large one."""
    comparable = on.colours.shape == off.colours.shape
    shift = shift_between(on.colours, off.colours) if comparable else None
    if shift is None or shift.most == 0.0:
        return None
    if shift.most <= _MOST_MOVED:
        return shift
    raise ReadError(
        where,
        "the camera was moved between the two pictures: the wall shifts by {moved:number.1} pixels",
        needed="both from one place, within {most:number.1} pixels",
        remedy="Take both again without touching the camera, by timer; in a dim room the one with the laser will do",
        moved=share(shift.most),
        most=share(_MOST_MOVED),
    )


def shift_between(on: NDArray[np.uint8], off: NDArray[np.uint8]) -> Shift | None:
    """How the wall on pictures (rows, cols, 3) is shifted; None where too little of it shows in both.

    Lucas and Kanade's least squares on blocks of both pictures freed of slow changes of light, those that look alike in
    both, which those with the line do not; a first guess comes from the phases of their spectra.
    """
    import cv2

    first, second = (_fine(picture) for picture in (on, off))
    window: Any = cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F)
    guess, strength = cv2.phaseCorrelate(second, first, window)
    size = (on.shape[0], on.shape[1])
    still = np.zeros((2, 2)) if strength <= 0.1 else np.array([[2 * guess[0], 2 * guess[1]], [0.0, 0.0]])
    shift = Shift(size, 0, still, np.zeros((2, 2)), np.zeros(2))
    for turn in range(_ROUNDS):
        laid = Shift(first.shape, shift.degree, shift.coefficients / 2, shift.covariance, shift.spread).lay(second)
        at, change = _block_shifts(first, laid, _ALIKE if turn > 1 else -1.0)
        if len(change) < _FEWEST:
            return None
        places = 2 * at + 0.5
        total = shift.at(places) + 2 * change
        # a camera that stood elsewhere is found first, and then how it moved
        shift = _fitted(places, total, size, (0,) if turn < _ROUNDS // 2 else _DEGREES)
    return shift


def _terms(places: Array, size: tuple[int, int], degree: int) -> Array:
    """Legendre's polynomials (n, k) down a picture, the last one a slope across it."""
    across, down = (2 * places / np.array(size[::-1], float) - 1).T
    return np.column_stack([np.polynomial.legendre.legvander(down, degree), across * (degree > 0)])


def _fitted(places: Array, shifts: Array, size: tuple[int, int], degrees: tuple[int, ...]) -> Shift:
    """Shifts (n, 2) at places (n, 2) by the polynomial that Schwarz's criterion (1978) takes; outliers count less."""
    best: tuple[float, Shift] | None = None
    for degree in degrees:
        if degree and len(shifts) < 3 * (degree + 2):
            continue
        terms = _terms(places, size, degree)
        weight = np.ones(len(shifts))
        for _ in range(4):
            inverse = np.asarray(np.linalg.pinv((terms * weight[:, None]).T @ terms), np.float64)
            coefficients = inverse @ (terms * weight[:, None]).T @ shifts
            rest = shifts - terms @ coefficients
            spread = np.maximum([robust_scale(rest[:, 0]), robust_scale(rest[:, 1])], 1e-3)
            far = np.hypot(*(rest / spread).T)
            weight = 1 / (1 + (far / 3) ** 2)
        # small blocks of one pattern err alike in part
        shift = Shift(size, degree, coefficients, inverse, spread * np.sqrt(len(shifts) / max(len(shifts) - degree, 1)))
        worth = 2 * len(shifts) * float(np.log(spread).sum()) + 2 * (degree + 1 + (degree > 0)) * np.log(len(shifts))
        if best is None or worth < best[0]:
            best = (worth, shift)
    assert best is not None
    return best[1]


def _fine(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Grey, halved, without what changes over more than a few pixels."""
    import cv2

    grey = cv2.resize(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0)
    return np.asarray(light - cv2.GaussianBlur(light, (0, 0), 6.0), np.float32)


def _block_shifts(first: NDArray[np.float32], second: NDArray[np.float32], alike: float) -> tuple[Array, Array]:
    """Middles and shifts (n, 2) [pixels], second to first, of blocks that are sure of theirs and at least so alike."""
    import cv2

    rows, cols = (size // _BLOCK for size in first.shape)
    if not rows or not cols:
        return np.empty((0, 2)), np.empty((0, 2))
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
    row, col = np.divmod(np.flatnonzero(sure), cols)
    middles = (np.column_stack([col, row]) + 0.5) * _BLOCK - 0.5
    return middles, np.column_stack([yy * px - xy * py, xx * py - xy * px])[sure] / size
