"""A laser line on a picture to a part of a pixel: what was added when the laser was on, ridge, then centroid."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.capture.camera import Picture
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share

CHANNELS = {"red": 0, "green": 1, "blue": 2}
# added light must stand out this many times over the noise of the difference
_OVER_NOISE = 6.0
_SATURATED, _MOST_SATURATED, _SAID_SATURATED = 253, 0.5, 0.05
_WIDEST_SHARE = 0.02
_FEWEST_ROWS = 30
_HALF_WINDOW = 2.5


@dataclass(frozen=True, eq=False)
class Stripe:
    """Places (n, 2) [pixels: across, down] along a line, ``noise`` [pixels] of one place, full ``width`` [pixels].

    ``dropped`` counts rows with a line too wide or double, ``saturated`` is the share of rows that are clipped.
    """

    places: Array
    noise: float
    width: float
    dropped: int
    saturated: float


def find_stripe(on: Picture, off: Picture, channel: str, where: Path, *, level: bool = False) -> Stripe:
    """The laser line that is on one picture and not on the other; ``level`` for a line that runs across.

    Ridge by the zero of the first derivative of the smoothed profile where the second is most negative (Steger, IEEE
    PAMI 20, 1998, 113), then the centroid of the light within 2.5 widths. Raises `ReadError` where the laser was off
    in both, the line is blurred or clipped, or the pictures are of different size.
    """
    if on.colours.shape != off.colours.shape:
        raise ReadError(
            where,
            "pictures of {on} and {off} pixels",
            needed="the laser on and off from one fixed camera",
            remedy="Take both again without touching the camera",
            on=on.size,
            off=off.size,
        )
    lit = on.colours[..., CHANNELS[channel]].astype(np.float32)
    added = lit - off.colours[..., CHANNELS[channel]]
    lit, added = (image.T if level else image for image in (lit, added))
    width = _first_width(added, where)
    seed, strong, double = _ridge(added, width / 2.355)
    rows = np.flatnonzero(strong)
    _refuse_few(rows, double, where)
    across, wide, clipped = _centroids(added, lit, rows, seed[rows], width)
    middle, saturated = float(np.median(wide)), float(clipped.mean())
    _refuse_blurred(middle, saturated, _WIDEST_SHARE * added.shape[1], where)
    good = (wide < 2 * middle) & ~double[rows] & np.isfinite(across)
    good &= _continuous(rows, across, good, middle)
    _refuse_few(rows[good], double, where)
    places = np.column_stack([across[good], rows[good].astype(float)])
    noise = _row_noise(places)
    return Stripe(places[:, ::-1] if level else places, noise, middle, int(len(rows) - good.sum()), saturated)


def notes_on_exposure(stripe: Stripe, picture: str) -> tuple[Note, ...]:
    """A note where some of the line on a ``picture`` is clipped."""
    if stripe.saturated <= _SAID_SATURATED:
        return ()
    return (note("line.over-exposed", picture=picture, share=share(stripe.saturated)),)


def _refuse_blurred(width: float, saturated: float, widest: float, where: Path) -> None:
    """Raise `ReadError` for a line wider than ``widest`` [pixels] or clipped over a large share of it."""
    if width > widest:
        raise ReadError(
            where,
            "the line is {width:number.0} pixels wide: blurred or over-exposed",
            needed="less than {widest:number.0}",
            remedy="Focus on the wall and expose less",
            width=share(width),
            widest=share(widest),
        )
    if saturated > _MOST_SATURATED:
        raise ReadError(
            where,
            "the line is over-exposed: {saturated:share} of it is clipped",
            needed="no clipped pixels",
            remedy="Expose two steps less, with the exposure locked",
            saturated=share(saturated),
        )


def _first_width(added: NDArray[np.float32], where: Path) -> float:
    """Full width at half height [pixels] of the added light, by second moments around the brightest places."""
    smooth = ndimage.gaussian_filter(added, (2.0, 1.5))
    peak = smooth.argmax(axis=1)
    height = smooth[np.arange(len(smooth)), peak]
    noise = robust_scale(added[:: max(1, len(added) // 200)].astype(float).ravel())
    bright = np.flatnonzero(height > max(_OVER_NOISE * noise / 2, 4.0))
    if len(bright) < _FEWEST_ROWS:
        raise ReadError(
            where,
            "no laser line: the brightest light added is {light:number.0} of 255 over a noise of {noise:number.1}",
            needed="one picture with the laser on and one with it off, in a dim room",
            remedy="Check that the laser was on in the first picture only, and its colour",
            light=share(np.percentile(height, 90)),
            noise=share(noise),
        )
    some = bright[:: max(1, len(bright) // 300)]
    half = 40
    wide = []
    for row in some:
        low = max(0, peak[row] - half)
        part = smooth[row, low : peak[row] + half + 1]
        wide.append(int((part > height[row] / 2).sum()))
    # the smoothing itself widened it: Gaussian widths add in squares
    return float(np.sqrt(max(np.median(wide) ** 2 - (2.355 * 1.5) ** 2, 2.0**2)))


def _ridge(added: NDArray[np.float32], sigma: float) -> tuple[Array, Mask, Mask]:
    """Sub-pixel ridge of each row (rows,), where it stands out, and where a second ridge rivals it."""
    sigma = max(sigma, 1.0)
    first, second = (ndimage.gaussian_filter(added, (1.0, sigma), order=(0, order)) for order in (1, 2))
    at = second.argmin(axis=1)
    row = np.arange(len(added))
    deep = second[row, at]
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where(deep < 0, -first[row, at] / deep, 0.0)
    noise = robust_scale(second[:: max(1, len(second) // 200)].astype(float).ravel())
    strong = -deep > _OVER_NOISE * max(noise, 1e-6)
    reach = int(np.ceil(6 * sigma))
    apart = np.abs(np.arange(added.shape[1])[None, :] - at[:, None]) > reach
    rival = np.where(apart, second, 0.0).min(axis=1)
    return at + np.clip(shift, -1.0, 1.0), strong, rival < 0.6 * deep


def _centroids(
    added: NDArray[np.float32], lit: NDArray[np.float32], rows: NDArray[np.int64], seed: Array, width: float
) -> tuple[Array, Array, Mask]:
    """Centroid and full width at half height of each row [pixels], and whether it is clipped."""
    half = int(np.ceil(_HALF_WINDOW * width)) + 1
    step = np.arange(-half, half + 1)
    start = np.clip(np.rint(seed).astype(np.int64), half, added.shape[1] - half - 1)
    cols = start[:, None] + step
    light = added[rows[:, None], cols].astype(float)
    # what is left of the background is a level and a slope between the window's ends
    ends = np.median(light[:, :3], axis=1), np.median(light[:, -3:], axis=1)
    light = light - (ends[0][:, None] + (ends[1] - ends[0])[:, None] * (step + half) / (2 * half))
    reach = _HALF_WINDOW * width
    place = seed.copy()
    for _ in range(3):
        weight = np.clip(reach + 0.5 - np.abs(cols - place[:, None]), 0.0, 1.0) * light
        total = weight.sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            place = np.where(total > 0, (weight * cols).sum(axis=1) / total, np.nan)
    wide = (light > light.max(axis=1)[:, None] / 2).sum(axis=1).astype(float)
    clipped: Mask = (lit[rows[:, None], cols] >= _SATURATED).any(axis=1)
    return place, wide, clipped


def _continuous(rows: NDArray[np.int64], across: Array, good: Mask, width: float) -> Mask:
    """Rows whose line lies where the rows around them have it: clutter jumps, a wall does not."""
    values = np.where(good, across, np.nan)
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < _FEWEST_ROWS:
        return np.zeros(len(rows), bool)
    filled = np.interp(np.arange(len(values)), known, values[known])
    off = np.abs(filled - ndimage.median_filter(filled, 41, mode="nearest"))
    limit = max(3 * width, 6 * robust_scale(off[known]) + 1.0)
    near: Mask = off < limit
    return near


def _row_noise(places: Array) -> float:
    """Scatter [pixels] of single rows about the smooth line: third differences of white noise have variance 20."""
    steps = np.diff(places[:, 1], n=1)
    third = np.diff(places[:, 0], n=3)
    whole = (steps[:-2] == 1) & (steps[1:-1] == 1) & (steps[2:] == 1)
    return robust_scale(third[whole]) / np.sqrt(20) if whole.sum() > 20 else 0.3


def _refuse_few(rows: NDArray[np.int64], double: Mask, where: Path) -> None:
    if len(rows) < _FEWEST_ROWS:
        twice = " and most of it is double" if double.mean() > 0.5 else ""
        raise ReadError(
            where,
            f"the laser line can be followed over {{rows}} rows only{twice}",
            needed="at least {least}",
            remedy="Darken the room, expose for the line, remove what reflects",
            rows=len(rows),
            least=_FEWEST_ROWS,
        )
