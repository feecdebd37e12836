"""How sure the middles of a laser line are, by how they scatter along it (methods/laser-line 4)."""

from __future__ import annotations

import numpy as np

from flatscan.capture.lines.line_profile import REACH, Fit, Rows, Windows
from flatscan.core.geometry import Array, robust_scale

# scatter with tails counts up to so many robust standard deviations
_TAIL = 5.0
# third differences reach so many rows apart at most; what a border of tone does counts as so many found before
_STEPS, _EXPECTED = (1, 2, 4, 8), 4.0
# classes of what tone is expected to do, as shares of the line's width, and by how much it may be off
_CLASSES, _TIMES = (0.02, 0.05, 0.1), (0.3, 3.0)
# rows over which a line is taken to be smooth when its own errors are looked at
_TREND = 81
_ROUNDS = 4
# rows that are looked at for a lopsided line
_LOOKED_AT = 200


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
    for step in _STEPS:
        whole = rows[3 * step :] - rows[: -3 * step] == 3 * step
        four = _fours(places, step)
        third = four[3] - 3 * four[2] + 3 * four[1] - four[0]
        expected = _of_thirds(u, step)
        if part is not None:
            whole &= _of_thirds(part, step) > expected / 2
        if whole.sum() >= 20:
            scales.append(_spread_of((third / np.sqrt(np.maximum(expected, 1e-18)))[whole]))
    return max(scales)


def tone_scaled(places: Array, rows: Rows, own: Array, tone: Array, width: float) -> Array:
    """What the wall's tone leaves (n,) [pixels], as large as rows near borders really scatter; ``tone`` is expected.

    Rows are taken by how much is expected, as shares of the line's ``width`` [pixels]. In each class the squares of
    distances from a smooth line, after the rows' ``own`` (n,) variance, are held against what was expected; a border
    counts once for each run of rows, and is weighed against 4 that were as expected, since few borders say little.
    """
    off = _from_smooth(places, rows, np.hypot(own, tone))
    times = np.ones(len(tone))
    kinds = np.digitize(tone / width, _CLASSES)
    for kind in np.unique(kinds):
        # what the tone does is not to be seen where a row's own scatter is larger
        told = (kinds == kind) & (tone > own / 2)
        if told.any():
            expected = own[told] ** 2 + tone[told] ** 2
            over = np.minimum(off[told] ** 2, _TAIL**2 * expected) - own[told] ** 2
            ratio = max(float(over.sum() / (tone[told] ** 2).sum()), 0.0)
            many = min(_runs(rows[told]), told.sum() / (2 * width))
            times[kinds == kind] = np.sqrt((many * ratio + _EXPECTED) / (many + _EXPECTED))
    scaled: Array = tone * np.clip(times, *_TIMES)
    return scaled


def lopsided(windows: Windows, found: Fit) -> float:
    """How far [pixels] a line's middle moves where its steep flanks count as much as its foot: 0 if it is symmetric.

    One more step of the fit with equal weights in place of those by the light's own unsteadiness, on pixels that are
    not full, of rows spread over the line; their median.
    """
    some = np.arange(0, len(found.place), max(1, len(found.place) // _LOOKED_AT))
    seen = windows.some(some)
    sigma = found.sigma[some][:, None]
    far = seen.columns - found.place[some][:, None]
    shape = np.exp(-0.5 * (far / sigma) ** 2) * (1.0 if seen.tone is None else seen.tone)
    weight = np.clip(REACH - np.abs(far) / sigma + 0.5, 0.0, 1.0) * ~seen.clipped
    parts = np.stack([shape, shape * far / sigma**2, np.ones_like(far), far / sigma], axis=1)
    normal = np.einsum("nim,nm,njm->nij", parts, weight, parts) + 1e-9 * np.eye(4)
    change = np.linalg.solve(normal, np.einsum("nim,nm->ni", parts, weight * seen.light)[..., None])[..., 0]
    return abs(float(np.median(change[:, 1] / np.maximum(change[:, 0], 1e-6))))


def _runs(rows: Rows) -> int:
    """How many runs of neighbouring rows there are."""
    return 1 + int((np.diff(rows) > 3).sum())


def _from_smooth(places: Array, rows: Rows, u: Array) -> Array:
    """Distances (n,) [pixels] from parabolas laid through ``_TREND`` rows around each, weighed by 1 / u^2."""
    from scipy import ndimage

    line = np.arange(rows[-1] - rows[0] + 1)
    weight, weighed = np.zeros(len(line)), np.zeros(len(line))
    weight[rows - rows[0]] = 1 / u**2
    weighed[rows - rows[0]] = (places - places.mean()) / u**2
    half = _TREND // 2
    steps = np.arange(-half, half + 1) / half
    # moments of weights and of places about every row; tapered, so that the far rows count little
    taper = (1 - np.abs(steps) ** 3) ** 3
    m = [ndimage.correlate1d(weight, taper * steps**power, mode="constant") for power in range(5)]
    b = [ndimage.correlate1d(weighed, taper * steps**power, mode="constant") for power in range(3)]
    normal = np.array([[m[i + j] for j in range(3)] for i in range(3)])[..., rows - rows[0]].transpose(2, 0, 1)
    size = normal[:, 0, 0][:, None, None]
    pull = np.array(b)[:, rows - rows[0]].T[..., None]
    smooth = np.linalg.solve(normal / size + 1e-9 * np.eye(3), pull / size)[:, 0, 0]
    off: Array = places - places.mean() - smooth
    return off


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
    """Over how many rows errors repeat each other: one and twice the sum of their correlations.

    What they are measured from, a cubic through ``_TREND`` rows, takes 9 / (4 n) of S times a row's variance with it,
    S the sum sought (the middle weight of such a filter, Savitzky and Golay 1964), from every correlation alike.
    """
    from scipy import ndimage

    line = np.full(int(rows[-1] - rows[0]) + 1, np.nan)
    line[rows - rows[0]] = places
    filled = np.interp(np.arange(len(line)), rows - rows[0], places)
    if len(line) < 2 * _TREND:
        return 4.0
    cubic = np.linalg.pinv(np.vander(np.linspace(-1, 1, _TREND), 4))[-1]
    off = (line - ndimage.correlate1d(filled, cubic))[_TREND // 2 : -(_TREND // 2)]
    if np.isfinite(off).sum() < _TREND:
        return 4.0
    off = np.clip(off, *(np.array([-3.0, 3.0]) * robust_scale(off[np.isfinite(off)])))
    pairs = (off[step:] * off[:-step] for step in range(1, _TREND // 3))
    # rows with gaps between them may hold none so far apart
    like = np.array([np.nanmean(pair) if np.isfinite(pair).any() else 0.0 for pair in pairs])
    like = like / max(float(np.nanmean(off**2)), 1e-12)
    total = 4.0
    for _ in range(_ROUNDS):
        taken = min(2.25 * total / _TREND, 0.5)
        whole = like * (1 - taken) + taken
        ends = np.flatnonzero(whole <= 0.05)
        total = 1 + 2 * float(whole[: ends[0] if len(ends) else None].sum())
    return total
