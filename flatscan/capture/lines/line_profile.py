"""The middle of a laser line in every row at once: profiles fitted around clipped pixels, each with its u.

See methods/laser-line 4.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array, Mask, robust_scale

Rows = NDArray[np.int64]
# full width at half height of a Gaussian of sigma 1
FWHM = float(np.sqrt(8 * np.log(2)))
# encoded light from which a pixel says no more than "at least so much": demosaicing and JPEG ripple below 255
FULL = 250
# the window reaches this many sigmas to either side, and a little more for its ends
_REACH = 2.4
# light that varies by itself (speckle, photons, texture) as a share of what is there: it sets weights, not u
_UNSTEADY = 0.1
_ROUNDS = 4
_LEAST_SIGMA = 0.6
# noise of the wall's brightness must be so many times smaller than the brightness to be believed by half
_TONE_DOUBT = 3.0
# linear light of encoded values under 3
_CRUSHED = 0.001
# scatter with tails counts up to so many robust standard deviations
_TAIL = 5.0
# rows over which a line is taken to be smooth when its own errors are looked at
_TREND = 81
# widths change smoothly along a line (focus), so single rows lean on this many neighbours
_ALIKE_WIDE = 31


@dataclass(frozen=True, eq=False)
class Windows:
    """Light around a line: ``rows`` (n,), first columns ``start`` (n,), ``light`` added by the laser (n, m), linear.

    ``clipped`` (n, m) pixels are full; ``tone`` (n, m) is how bright the wall is there without the laser, as a share
    of the row's mean, None where no picture tells; ``known`` (n,) from 0 to 1 is how well it is told. ``uneven`` (n,)
    is by how much the wall's light differs between the window's ends, as a share. ``noise`` is the standard deviation
    of a dark pixel.
    """

    rows: Rows
    start: Rows
    light: Array
    clipped: Mask
    tone: Array | None
    known: Array
    uneven: Array
    noise: float

    @property
    def columns(self) -> Array:
        """Column numbers (n, m)."""
        columns: Array = self.start[:, None] + np.arange(self.light.shape[1])[None, :].astype(float)
        return columns

    def some(self, kept: Rows | Mask) -> Windows:
        """The windows of some rows."""
        names = ("rows", "start", "light", "clipped", "known", "uneven")
        tone = None if self.tone is None else self.tone[kept]
        return replace(self, tone=tone, **{name: getattr(self, name)[kept] for name in names})


@dataclass(frozen=True, eq=False)
class Fit:
    """Middles ``place`` (n,), ``u`` (n,) by the scatter of a row's light, ``sigma`` (n,) [pixels], ``height`` (n,).

    ``pulled`` (n,) [pixels] is how far the wall's own brightness pulls the light's middle aside, ``steep`` (n,) the
    largest step from pixel to pixel as a share of the height seen.
    """

    place: Array
    u: Array
    sigma: Array
    height: Array
    pulled: Array
    steep: Array


def linear_light(encoded: NDArray[np.uint8]) -> Array:
    """Light as a share of full from encoded values (IEC 61966-2-1)."""
    light: Array = _LINEAR[encoded]
    return light


def _linear_table() -> Array:
    share = np.arange(256) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


_LINEAR = _linear_table()


def cut(
    on: NDArray[np.uint8],
    off: NDArray[np.uint8] | None,
    channel: int,
    bright: NDArray[np.float32] | None,
    rows: Rows,
    seed: Array,
    sigma: float,
) -> Windows:
    """Windows of one ``channel`` of pictures (rows, cols, 3) about places ``seed`` (n,), for a line of ``sigma``.

    ``bright`` (rows, cols) is the wall without the laser, linear and a little smoothed, which gives the tone.
    """
    half = min(int(np.ceil(_REACH * sigma)) + 3, (on.shape[1] - 1) // 2)
    start = np.clip(np.rint(seed).astype(np.int64) - half, 0, on.shape[1] - 2 * half - 1)
    flat = (rows * on.shape[1] + start)[:, None] + np.arange(2 * half + 1)
    own = flat * on.shape[2] + channel
    encoded = on.ravel()[own]
    light = linear_light(encoded)
    ends = np.column_stack([light[:, :3].mean(axis=1), light[:, -3:].mean(axis=1)])
    if off is not None:
        light = light - linear_light(off.ravel()[own])
    clipped = encoded >= FULL
    noise = max(_roughness(light), 3e-4)
    uneven = np.abs(ends[:, 1] - ends[:, 0]) / (ends.sum(axis=1) + 4 * noise)
    tone, known = (None, np.zeros(len(rows))) if bright is None else _tone(bright.ravel()[flat].astype(float))
    return Windows(rows, start, light, clipped, tone, known, uneven, noise)


def _roughness(light: Array) -> float:
    """Standard deviation of single pixels at the windows' ends: second differences have six times their variance."""
    ends = np.concatenate([np.diff(light[:, :4], n=2, axis=1), np.diff(light[:, -4:], n=2, axis=1)])
    return robust_scale(ends.ravel()) / float(np.sqrt(6))


def _tone(bright: Array) -> tuple[Array, Array]:
    """Brightness as a share of the row's mean, and how well (n,) it is known, 0 to 1.

    It is drawn toward 1 where the wall is too dark to tell, and in rows that differ no more than noise does.
    """
    rough = np.diff(bright[:, ::2], n=2, axis=1)
    noise = max(float(np.sqrt(np.median(np.mean(rough**2, axis=1)) / 6)), 1e-4)
    level = bright.mean(axis=1, keepdims=True)
    doubt = _TONE_DOUBT * noise
    real = np.clip(1 - 1.5 * noise**2 / np.maximum(bright.var(axis=1, keepdims=True), 1e-12), 0.0, 1.0)
    tone: Array = np.clip(1 + real * (bright - level) / (level + doubt), 0.05, 8.0)
    # black that a camera's settings made of dark says nothing of how dark
    told = 1 - np.minimum(4 * (bright < _CRUSHED).mean(axis=1), 1.0)
    return tone, told * (1 - (1 - (level / (level + doubt))[:, 0] ** 3) ** 2)


def widths(windows: Windows) -> Array:
    """Full width at half height (n,) of the light, counted in pixels."""
    ends = np.minimum(np.median(windows.light[:, :4], axis=1), np.median(windows.light[:, -4:], axis=1))
    over = windows.light - ends[:, None]
    wide: Array = (over > over.max(axis=1, keepdims=True) / 2).sum(axis=1).astype(float)
    return wide


def fit_line(windows: Windows, seed: Array, sigma: float) -> Fit:
    """Middles of a line of about ``sigma`` [pixels]: widths first, smoothed along it, then places by those widths."""
    first = fit(windows, seed, np.full(len(seed), sigma), free=True)
    return fit(windows, first.place, running_median(first.sigma, _ALIKE_WIDE))


def fit(windows: Windows, seed: Array, sigma: Array, *, free: bool = False) -> Fit:
    """A Gaussian, times the wall's tone, on a sloping level, fitted to each row; ``free`` fits its width too.

    Weighted least squares by Gauss and Newton; weights fall with the light's own unsteadiness, toward the ends of the
    window and with large residuals; a clipped pixel counts only where the fit stands below it. u is the root of the
    inverse normal matrix, scaled by the row's scatter.
    """
    from flatscan.capture.lines.profile_kernel import fit_rows

    light, full = windows.light, windows.clipped
    tone = np.ones_like(light) if windows.tone is None else windows.tone
    how = np.array([windows.noise, _UNSTEADY, _REACH])
    start, seed, sigma = (np.asarray(one, np.float64) for one in (windows.start, seed, sigma))
    found = fit_rows(light, full, tone, start, seed, sigma, how, _ROUNDS + free, free, _LEAST_SIGMA)
    place, spread, height, squared, pulled = np.ascontiguousarray(found.T)
    # the scatter of some twenty pixels is itself unsure: half of it is the neighbours'
    u = np.sqrt((squared + running_median(squared, _ALIKE_WIDE)) / 2)
    peak = np.maximum(light.max(axis=1), 1e-6)
    steep = np.abs(np.diff(light, axis=1)).max(axis=1) / np.maximum(peak - np.median(light[:, :3], axis=1), 1e-6)
    return Fit(place, u, spread, height, pulled, np.minimum(steep, 1.0))


def running_median(values: Array, many: int) -> Array:
    """Medians of ``many`` neighbours (n,), ends repeated."""
    from scipy import ndimage

    smooth: Array = ndimage.median_filter(values, min(many, 2 * ((len(values) - 1) // 2) + 1), mode="nearest")
    return smooth


def scatter(places: Array, rows: Rows, u: Array) -> tuple[Array, float]:
    """u (n,) as large as places (n,) scatter about a smooth line, and over how many rows errors are alike.

    Third differences of white noise have 20 times its variance; neighbours are alike by demosaicing, lens and speckle,
    so they are taken over several rows too, where likeness is gone. Half of each row's variance follows its own ``u``,
    half is the line's: coarse speckle moves light without showing in a row.
    """
    ratios, plain = thirds(places, rows, u), thirds(places, rows, np.ones(len(u)))
    if not ratios:
        return 2 * u, 4.0
    return np.sqrt(((ratios * u) ** 2 + plain**2) / 2), _alike(places, rows)


def thirds(places: Array, rows: Rows, u: Array, part: Array | None = None) -> float:
    """Root mean square of third differences of places (n,) over what ``u`` (n,) makes of them, 0 where too few show it.

    Over 1, 2, 4 and 8 rows, the largest of these; with ``part`` (n,) of u, of those alone of which it makes over half.
    """
    scales = [0.0]
    for step in (1, 2, 4, 8):
        whole = rows[3 * step :] - rows[: -3 * step] == 3 * step
        four = _fours(places, step)
        third = four[3] - 3 * four[2] + 3 * four[1] - four[0]
        expected = _of_thirds(u, step)
        if part is not None:
            whole &= _of_thirds(part, step) > expected / 2
        if whole.sum() >= 20:
            scales.append(_spread_of((third / np.sqrt(np.maximum(expected, 1e-18)))[whole]))
    return max(scales)


def _fours(values: Array, step: int) -> list[Array]:
    return [values[i * step : max(len(values) - (3 - i) * step, 0)] for i in range(4)]


def _of_thirds(u: Array, step: int) -> Array:
    """Variances of third differences of independent values of ``u`` (n,)."""
    four = _fours(u**2, step)
    variances: Array = four[3] + 9 * four[2] + 9 * four[1] + four[0]
    return variances


def _spread_of(values: Array) -> float:
    """Root mean square of values about 0, those far out drawn in."""
    most = _TAIL * robust_scale(values)
    return float(np.sqrt(np.mean(np.clip(values, -most, most) ** 2)))


def _alike(places: Array, rows: Rows) -> float:
    """Over how many rows errors repeat each other: one and twice the sum of their correlations."""
    from scipy import signal

    line = np.full(int(rows[-1] - rows[0]) + 1, np.nan)
    line[rows - rows[0]] = places
    filled = np.interp(np.arange(len(line)), rows - rows[0], places)
    if len(line) < 2 * _TREND:
        return 4.0
    off = line - signal.savgol_filter(filled, _TREND, 3)
    off = np.clip(off, *(np.array([-3.0, 3.0]) * robust_scale(off[np.isfinite(off)])))
    total, power = 1.0, float(np.nanmean(off**2))
    for step in range(1, _TREND // 3):
        pairs = off[step:] * off[:-step]
        # rows with gaps between them may hold none so far apart
        like = float(np.nanmean(pairs)) / max(power, 1e-12) if np.isfinite(pairs).any() else 0.0
        if not like > 0.05:
            break
        total += 2 * like
    return total
