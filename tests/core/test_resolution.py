"""The smallest feature seen: closed forms against ridges drawn point by point and smoothed by the smoother itself."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.resolution import KEPT, narrowest_kept, ridge_kept
from flatscan.relief import smooth


def drawn(width, window, off, fine=400):
    """Share kept of a ridge 1 mm high in cells of 1 m, each the mean over its width, smoothed by `smooth`."""
    sd, cells = width / (2 * np.sqrt(2 * np.log(2))), 4 * window + 41
    x = (np.arange(cells * fine) + 0.5) / fine - cells // 2 - 0.5 - off
    means = np.exp(-(x**2) / (2 * sd**2)).reshape(cells, fine).mean(axis=1)
    relief = grid_of(np.tile(means, (window + 2, 1)), 0.005)
    return np.nanmax(smooth(relief, window).offset[window // 2 + 1])


@pytest.mark.parametrize("window", [1, 5, 11])
@pytest.mark.parametrize("off", [0.0, 0.2, 0.5])
def test_kept_share_equals_a_ridge_drawn_and_smoothed(window, off):
    for width in (1.0, 3.0, 9.0):
        found = drawn(width, window, off)
        # 400 points in a cell leave 1e-5 of a mean
        assert_allclose(ridge_kept(width, window, off), found, atol=2e-5)


@pytest.mark.parametrize(("window", "cells"), [(1, 4.20), (5, 4.75), (7, 5.78), (11, 8.31), (21, 15.20)])
def test_narrowest_kept_is_the_worst_place_of_all(window, cells):
    assert_allclose(narrowest_kept(window), cells, atol=0.006)
    for off in np.linspace(0, 1, 21):
        assert ridge_kept(narrowest_kept(window), window, off) >= KEPT - 1e-6
    assert ridge_kept(0.98 * narrowest_kept(window), window) < KEPT


def test_by_head_a_cell_on_the_crests_edge():
    # mean of 1 - x^2 / 2 s^2 + x^4 / 8 s^4 over 0..1 is 1 - 1 / 6 s^2 + 1 / 40 s^4
    sd = 3.0
    assert_allclose(ridge_kept(sd * 2 * np.sqrt(2 * np.log(2)), 1), 1 - 1 / (6 * sd**2) + 1 / (40 * sd**4), atol=1e-5)
