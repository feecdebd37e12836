"""The compiled fit of a line's rows beside the same steps written out for all rows at once in numpy."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.capture.lines import line_profile
from flatscan.capture.lines.line_profile import Windows, fit

ROWS, WIDE = 400, 25


def windows(tone, rng):
    """Rows of light of many heights and widths, some full, some without any."""
    start = 100 + np.arange(ROWS) // 50
    middle, sigma = start + 12 + rng.normal(0, 0.7, ROWS), rng.uniform(1.2, 3, ROWS)
    off = (start[:, None] + np.arange(WIDE) - middle[:, None]) / sigma[:, None]
    tones = np.clip(1 + 0.3 * rng.normal(0, 1, (ROWS, WIDE)), 0.05, 8) if tone else None
    light = rng.uniform(0.01, 1.6, ROWS)[:, None] * np.exp(-0.5 * off**2) * (1 if tones is None else tones)
    light = light + 0.02 + rng.normal(0, 0.01, light.shape)
    light[::97] = rng.normal(0, 0.01, light[::97].shape)
    full = light > 1
    assert 0.02 < full.mean() < 0.3
    return Windows(np.arange(ROWS), start, np.minimum(light, 1.0), full, tones, np.ones(ROWS), np.zeros(ROWS), 0.01)


def plainly(given, seed, sigma, free):
    """Middles, their variances, sigmas and heights (n,): Gauss and Newton, solved by LU."""
    columns = given.start[:, None] + np.arange(WIDE)
    tone = 1.0 if given.tone is None else given.tone
    peak = np.maximum(given.light.max(axis=1), 1e-6)
    place, spread, height = seed.copy(), sigma.copy(), peak.copy()
    level, slope = np.zeros(ROWS), np.zeros(ROWS)
    filled = given.clipped.sum(axis=1)
    clear = np.where(filled > 0, filled / 2 + 2.5, 0.0)
    for turn in range(line_profile._ROUNDS + free):
        far = columns - place[:, None]
        off = far / spread[:, None]
        shape = np.exp(-0.5 * off**2) * tone
        rest = given.light - height[:, None] * shape - level[:, None] - slope[:, None] * far
        counted = ~given.clipped | (rest > 0)
        reach = np.maximum(line_profile.REACH * spread, clear)[:, None]
        weight = counted * np.clip((reach - np.abs(far)) / spread[:, None] + 0.5, 0, 1)
        weight /= given.noise**2 + (line_profile._UNSTEADY * height[:, None] * shape) ** 2
        many = np.maximum(counted.sum(axis=1) - 4, 1)
        if turn > 1:
            square = weight * rest**2
            weight /= 1 + square / np.maximum(4 * square.sum(axis=1) / many, 1e-12)[:, None]
        tall = np.maximum(height, 0.05 * peak)[:, None] * shape
        parts = np.stack([shape, tall * off / spread[:, None], np.ones_like(off), far, tall * off**2][: 4 + free], 1)
        normal = np.einsum("njm,nm,nkm->njk", parts, weight, parts)
        size = np.sqrt(np.maximum(np.einsum("njj->nj", normal), 1e-30))
        inverse = np.linalg.inv(normal / size[:, :, None] / size[:, None, :] + 1e-6 * np.eye(4 + free))
        change = np.einsum("njk,nk->nj", inverse, np.einsum("njm,nm,nm->nj", parts, weight, rest) / size) / size
        squared = inverse[:, 1, 1] / size[:, 1] ** 2 * (weight * rest**2).sum(axis=1) / many
        height, level, slope = height + change[:, 0], level + change[:, 2], slope + change[:, 3]
        place = place + np.clip(change[:, 1], -spread, spread)
        if free:
            spread = np.clip(spread * np.exp(np.clip(change[:, 4], -0.3, 0.3)), line_profile._LEAST_SIGMA, 2.5 * sigma)
    return place, squared, spread, height


@pytest.mark.parametrize("free", [False, True])
@pytest.mark.parametrize("tone", [False, True])
def test_compiled_rows_are_those_of_plain_steps(tone, free):
    rng = np.random.default_rng(7)
    given = windows(tone, rng)
    seed, sigma = given.start + 12 + rng.normal(0, 0.5, ROWS), np.full(ROWS, 2.0)
    found = fit(given, seed, sigma, free=free)
    place, squared, spread, height = plainly(given, seed, sigma, free)
    assert_allclose(found.place, place, rtol=0, atol=1e-8)
    assert_allclose(found.sigma, spread, rtol=1e-8)
    assert_allclose(found.height, height, rtol=1e-8, atol=1e-10)
    smooth = line_profile.running_median(squared, line_profile._ALIKE_WIDE)
    assert_allclose(found.u, np.sqrt((squared + smooth) / 2), rtol=1e-5)


def test_rows_without_light_keep_their_place_and_have_no_height():
    given = windows(False, np.random.default_rng(3))
    dark = given.some(np.arange(0, ROWS, 97))
    seed = dark.start + 12.0
    found = fit(dark, seed, np.full(len(seed), 2.0))
    assert np.isfinite(found.place).all()
    assert (np.abs(found.height) < 0.1).all()
