"""The kernel against slow second implementations: all pairs, and scipy's convex hull per window."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import RegularGridInterpolator
from scipy.spatial import ConvexHull

from flatscan.straightedge import deepest_gaps, hulls_kernel, sweep


def all_pairs(z, w):
    deepest = np.where(np.isfinite(z), 0.0, np.nan)
    for c in np.flatnonzero(np.isfinite(z)):
        for a in range(max(0, c - w + 2), c):
            for b in range(c + 1, min(z.size, a + w)):
                gap = ((b - c) * z[a] + (c - a) * z[b]) / (b - a) - z[c]
                deepest[c] = max(deepest[c], gap) if np.isfinite(gap) else deepest[c]
    return deepest


def largest_over_chord(z, w):
    best = -np.inf
    for start in range(z.size - w + 1):
        part = z[start : start + w]
        if np.isfinite(part[[0, -1]]).all():
            best = max(best, np.nanmax(part - np.linspace(part[0], part[-1], w)))
    return best


def windows(z, w, *, ends=True):
    deep, found = z - z, np.full(4, -np.inf)
    hulls_kernel.run_windows(z, z, w, True, ends, deep, np.empty((4, z.size + w + 2), np.int64), found)
    return deep, found


@pytest.mark.parametrize("kind", ["noise", "walk", "wave", "bow", "steps", "flat"])
@pytest.mark.parametrize("seed", range(6))
def test_all_pairs(kind, seed):
    random = np.random.default_rng(seed)
    n = int(random.integers(3, 60))
    at = np.arange(n, dtype=float)
    z = {
        "noise": random.normal(size=n),
        "walk": random.normal(size=n).cumsum(),
        "wave": np.sin(at / 3),
        "bow": -((at - n / 2) ** 2),
        "steps": np.round(random.normal(size=n)),
        "flat": np.zeros(n),
    }[kind]
    if seed % 2:
        z[random.random(n) < 0.2] = np.nan
    for w in {3, min(7, n), n}:
        deep, found = windows(z, w)
        assert_allclose(deep, all_pairs(z, w), atol=1e-12)
        assert found[0] == pytest.approx(largest_over_chord(z, w), abs=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_convex_hull_per_window(seed):
    random = np.random.default_rng(seed)
    z = random.normal(size=300).cumsum() * 1e-3
    w = 90
    deepest = np.zeros(z.size)
    for start in range(z.size - w + 1):
        at = np.arange(start, start + w)
        # a point far below makes the upper hull the whole hull
        hull = ConvexHull(np.column_stack([np.append(at, start + w / 2), np.append(z[at], -1e3)]))
        on = np.sort(hull.vertices[hull.vertices < w]) + start
        deepest[at] = np.maximum(deepest[at], np.interp(at, on, z[on]) - z[at])
    assert_allclose(deepest_gaps(z, 0.01, 0.89), deepest, atol=1e-9)


def slanted_profile(value, relief, row, col):
    """scipy's linear interpolation at each place; NaN unless every cell with weight is valid."""
    rows, cols = relief.offset.shape
    profile = np.full(row.size, np.nan)
    row, col = (np.where(np.abs(q - np.round(q)) < 1e-9, np.round(q), q) for q in (row, col))
    for k in np.flatnonzero((row >= 0) & (row <= rows - 1) & (col >= 0) & (col <= cols - 1)):
        corners = {
            (int(i), int(j)) for i in (np.floor(row[k]), np.ceil(row[k])) for j in (np.floor(col[k]), np.ceil(col[k]))
        }
        if all(relief.valid[corner] for corner in corners):
            profile[k] = value((row[k], col[k])).item()
    return profile


@pytest.mark.parametrize("degrees", [0.0, 30.0, 75.0, 90.0, 135.0, 160.0])
def test_whole_sweep(grid_relief, degrees):
    """All lines of one direction, sampled by scipy's linear interpolation, gaps by all pairs."""
    z = np.random.default_rng(7).normal(size=(22, 31)) * 1e-3
    inside = np.ones(z.shape, bool)
    inside[5:12, 8:15] = False
    z[16, 20] = np.nan
    relief = grid_relief(z, cell=0.02, inside=inside)
    cos, sin = np.cos(np.radians(degrees)).round(15), np.sin(np.radians(degrees)).round(15)
    # missing cells do not matter to scipy where their weight is 0 only if they hold a number
    value = RegularGridInterpolator((np.arange(22), np.arange(31)), np.nan_to_num(z))
    deepest, t = np.full(z.shape, np.nan), np.arange(-60, 61)
    for v in range(-60, 61):
        row, col = t * sin + v * cos, t * cos - v * sin
        near = np.floor(row + 0.5 + 1e-9).astype(int), np.floor(col + 0.5 + 1e-9).astype(int)
        on_wall = (near[0] >= 0) & (near[0] < 22) & (near[1] >= 0) & (near[1] < 31)
        on_wall[on_wall] = inside[near[0][on_wall], near[1][on_wall]]
        profile = slanted_profile(value, relief, row, col)
        edge = np.flatnonzero(np.diff(np.concatenate(([0], on_wall.astype(int), [0]))))
        for start, stop in edge.reshape(-1, 2):
            if stop - start >= 3:
                deep = all_pairs(profile[start:stop], min(11, stop - start))
                np.fmax.at(deepest, (near[0][start:stop], near[1][start:stop]), deep)
    found = sweep(relief, 0.2, directions=[degrees])
    assert_allclose(found.deepest, deepest, atol=1e-12)
    assert_allclose(found.worst.value, np.nanmax(deepest), atol=1e-12)
