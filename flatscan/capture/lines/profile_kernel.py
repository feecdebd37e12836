"""Compiled: a Gaussian, times the wall's tone, on a sloping level, fitted to the light of every row of a line."""

from __future__ import annotations

import numpy as np

from flatscan.core.kernels import compiled

# a trace of ridge keeps rows without light from failing; they are left out by their height
_RIDGE = 1e-6


@compiled
def fit_rows(light, full, tone, start, seed, sigma, how, rounds, free, least):  # type: ignore[no-untyped-def]
    """Rows (n, 5): middle and sigma [pixels], height, the middle's variance, how far the tone pulls it [pixels].

    ``light``, ``full``, ``tone`` (n, m) lie in columns as of ``start`` (n,); ``seed`` and ``sigma`` (n,) are where to
    begin. ``how`` (3,) is the noise of a pixel, the unsteady share of the light and how many sigmas the window reaches;
    with ``free`` sigma is fitted too, no smaller than ``least``.
    """
    rows, wide = light.shape
    found = np.empty((rows, 5))
    size = 5 if free else 4
    parts, weights, rest = np.empty((wide, size)), np.empty(wide), np.empty(wide)
    normal, change = np.empty((size, size)), np.empty(size)
    # place, spread, height, level, slope
    now = np.empty(5)
    for row in range(rows):
        peak, filled = 1e-6, 0
        for i in range(wide):
            peak = max(peak, light[row, i])
            filled += full[row, i]
        # flanks beyond full pixels belong to the line however narrow it is taken to be
        clear = filled / 2 + 2.5 if filled else 0.0
        now[:] = seed[row] - start[row], sigma[row], peak, 0.0, 0.0
        for turn in range(rounds):
            tall, reach = max(now[2], 0.05 * peak), max(how[2] * now[1], clear)
            many = max(_compared(light[row], full[row], tone[row], now, how, tall, reach, parts, weights, rest) - 4, 1)
            total = _weighted(weights, rest, many, turn > 1)
            if turn == rounds - 1:
                found[row, 4] = _pulled(tone[row], now)
            _summed(parts, weights, rest, normal, change)
            found[row, 3] = _solve(normal, change) * total / many
            now[0] += min(max(change[1], -now[1]), now[1])
            now[2] += change[0]
            now[3] += change[2]
            now[4] += change[3]
            if free:
                now[1] *= np.exp(min(max(change[4], -0.3), 0.3))
                now[1] = min(max(now[1], least), 2.5 * sigma[row])
        found[row, 0], found[row, 1], found[row, 2] = start[row] + now[0], now[1], now[2]
    return found


@compiled
def _compared(light, full, tone, now, how, tall, reach, parts, weights, rest):  # type: ignore[no-untyped-def]
    """Derivatives, weights and what is left of a row's light (m,); how many of its pixels say something.

    ``tall`` is the height in the derivatives, ``reach`` [pixels] that of the window.
    """
    place, spread, height, level, slope = now[0], now[1], now[2], now[3], now[4]
    counted = 0
    for i in range(len(light)):
        far = i - place
        off = far / spread
        shape = np.exp(-0.5 * off * off) * tone[i]
        rest[i] = light[i] - height * shape - level - slope * far
        weights[i] = 0.0
        # a full pixel says something only where the fit stands below it
        if not full[i] or rest[i] > 0:
            counted += 1
            taper = min(max((reach - abs(far)) / spread + 0.5, 0.0), 1.0)
            weights[i] = taper / (how[0] ** 2 + (how[1] * height * shape) ** 2)
        parts[i, 0], parts[i, 1], parts[i, 2], parts[i, 3] = shape, tall * shape * off / spread, 1.0, far
        if parts.shape[1] > 4:
            parts[i, 4] = tall * shape * off * off
    return counted


@compiled
def _weighted(weights, rest, many, robust):  # type: ignore[no-untyped-def]
    """The weighted sum of squares of what is left (m,); where ``robust``, large ones lose weight first."""
    total = 0.0
    for i in range(len(rest)):
        total += weights[i] * rest[i] ** 2
    if not robust:
        return total
    most, total = max(4 * total / many, 1e-12), 0.0
    for i in range(len(rest)):
        weights[i] /= 1 + weights[i] * rest[i] ** 2 / most
        total += weights[i] * rest[i] ** 2
    return total


@compiled
def _pulled(tone, now):  # type: ignore[no-untyped-def]
    """How far a row's ``tone`` (m,) pulls the middle of its light aside [pixels]."""
    seen, seen_far, toned, toned_far = 0.0, 0.0, 0.0, 0.0
    for i in range(len(tone)):
        far = i - now[0]
        bell = np.exp(-0.5 * (far / now[1]) ** 2)
        seen += bell
        seen_far += bell * far
        toned += bell * tone[i]
        toned_far += bell * tone[i] * far
    return toned_far / toned - seen_far / seen


@compiled
def _summed(parts, weights, rest, normal, change):  # type: ignore[no-untyped-def]
    """The lower half of the ``normal`` matrix (k, k), and its right side in ``change`` (k,)."""
    normal[:], change[:] = 0.0, 0.0
    for i in range(len(rest)):
        if weights[i] > 0:
            for j in range(len(change)):
                weighted = weights[i] * parts[i, j]
                change[j] += weighted * rest[i]
                for k in range(j + 1):
                    normal[j, k] += weighted * parts[i, k]


@compiled
def _solve(normal, change):  # type: ignore[no-untyped-def]
    """Put the solution in place of ``change`` (k,), by Cholesky's way, and give the variance of the second unknown.

    Of ``normal`` (k, k) the lower half is read, and lost.
    """
    size = len(change)
    scale = np.empty(size)
    for j in range(size):
        scale[j] = np.sqrt(max(normal[j, j], 1e-30))
    for j in range(size):
        for k in range(j + 1):
            total = normal[j, k] / (scale[j] * scale[k])
            if j == k:
                total += _RIDGE
            for i in range(k):
                total -= normal[j, i] * normal[k, i]
            normal[j, k] = np.sqrt(max(total, 1e-30)) if j == k else total / normal[k, k]
    # a column of the inverse beside the solution: forward, then back
    unit = np.zeros(size)
    unit[1] = 1.0
    for j in range(size):
        right = change[j] / scale[j]
        for i in range(j):
            right -= normal[j, i] * change[i]
            unit[j] -= normal[j, i] * unit[i]
        change[j] = right / normal[j, j]
        unit[j] /= normal[j, j]
    for j in range(size - 1, -1, -1):
        for i in range(j + 1, size):
            change[j] -= normal[i, j] * change[i]
            unit[j] -= normal[i, j] * unit[i]
        change[j] /= normal[j, j]
        unit[j] /= normal[j, j]
    variance = unit[1] / scale[1] ** 2
    for j in range(size):
        change[j] /= scale[j]
    return variance
