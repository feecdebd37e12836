"""The middle of a laser line in every row at once: profiles fitted around clipped pixels, each with its u.

See methods/laser-line 4.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array, Mask, robust_scale

Rows = NDArray[np.int64]
# full width at half height of a Gaussian of sigma 1
FWHM = float(np.sqrt(8 * np.log(2)))
# encoded light from which a pixel says no more than "at least so much": demosaicing and JPEG ripple below 255
FULL = 250
# a cap below that shows in so large a share of the bright pixels that lie within so many values of it, and stands out
_CAP_SHARE, _CAP_RIPPLE, _CAP_LEAST = 0.4, 6, 40
# the window reaches this many sigmas to either side, and a little more for its ends
REACH = 2.4
# light that varies by itself (speckle, photons, texture) as a share of what is there: it sets weights, not u
_UNSTEADY = 0.1
_ROUNDS = 4
_LEAST_SIGMA = 0.6
# noise of the wall's brightness must be so many times smaller than the brightness to be believed by half
_TONE_DOUBT = 3.0
# linear light of encoded values under 3
_CRUSHED = 0.001
# widths change smoothly along a line (focus), so single rows lean on this many neighbours
_ALIKE_WIDE = 31
# rows among which the usual width of a line is looked for
_AROUND = 201


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

    def some(self, kept: Rows | Mask) -> Fit:
        """The fit of some rows."""
        return Fit(*(getattr(self, part.name)[kept] for part in fields(self)))


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
    half = min(int(np.ceil(REACH * sigma)) + 3, (on.shape[1] - 1) // 2)
    start = np.clip(np.rint(seed).astype(np.int64) - half, 0, on.shape[1] - 2 * half - 1)
    flat = (rows * on.shape[1] + start)[:, None] + np.arange(2 * half + 1)
    own = flat * on.shape[2] + channel
    encoded = on.ravel()[own]
    light = linear_light(encoded)
    ends = np.column_stack([light[:, :3].mean(axis=1), light[:, -3:].mean(axis=1)])
    if off is not None:
        light = light - linear_light(off.ravel()[own])
    clipped = encoded >= full_from(encoded)
    noise = max(_roughness(light), 3e-4)
    uneven = np.abs(ends[:, 1] - ends[:, 0]) / (ends.sum(axis=1) + 4 * noise)
    tone, known = (None, np.zeros(len(rows))) if bright is None else _tone(bright.ravel()[flat].astype(float))
    return Windows(rows, start, light, clipped, tone, known, uneven, noise)


def full_from(encoded: NDArray[np.uint8]) -> int:
    """The value from which pixels of windows (n, m) are full: less than `FULL` where a camera's settings cap light.

    A light that is not capped has its brightest values in few of its pixels.
    """
    top = float(np.percentile(encoded.max(axis=1), 90)) - _CAP_RIPPLE
    around = float(np.median(encoded[:, [0, 1, -2, -1]]))
    capped = (encoded >= top).sum() > _CAP_SHARE * (encoded > (top + around) / 2).sum()
    return min(FULL, int(top)) if capped and top > around + _CAP_LEAST else FULL


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
    over = _over_ends(windows)
    wide: Array = (over > over.max(axis=1, keepdims=True) / 2).sum(axis=1).astype(float)
    return wide


def missing_widths(windows: Windows) -> Array:
    """How much narrower (n,) [pixels] the light is than in most rows around, beyond what widths scatter by."""
    from scipy import ndimage

    over = _over_ends(windows)
    # pixels at the flanks count in part
    wide = np.clip(2 * over / np.maximum(over.max(axis=1, keepdims=True), 1e-6), 0.0, 1.0).sum(axis=1)
    usual = ndimage.percentile_filter(wide, 75, min(_AROUND, 2 * ((len(wide) - 1) // 2) + 1), mode="nearest")
    short: Array = np.maximum(usual - wide - 2 * robust_scale(np.diff(wide)), 0.0)
    return short


def _over_ends(windows: Windows) -> Array:
    """Light (n, m) over the lower of a window's two ends."""
    ends = np.minimum(np.median(windows.light[:, :4], axis=1), np.median(windows.light[:, -4:], axis=1))
    over: Array = windows.light - ends[:, None]
    return over


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
    how = np.array([windows.noise, _UNSTEADY, REACH])
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
