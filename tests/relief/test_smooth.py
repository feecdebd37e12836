from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.relief.smooth import choose_window, hidden_places, quadratic_gain, smooth, windows

CELL = 0.02


def relief_of(offset, u=0.001):
    return grid_of(offset, CELL, u=u, half_a=offset, half_b=offset)


@pytest.mark.parametrize(("window", "gain"), [(5, 0.486), (7, 0.333), (9, 0.255), (11, 0.207)])
def test_gain_equals_the_tabulated_values(window, gain):
    # methods/uncertainty 4, table of 2-D sd gains
    assert_allclose(quadratic_gain(window), gain, atol=6e-4)


@pytest.mark.parametrize("window", [5, 11])
def test_a_quadratic_passes_unchanged_up_to_the_edges_and_round_holes(window):
    y, x = np.mgrid[0:40, 0:60] * CELL
    surface = 0.01 * x**2 - 0.02 * y**2 + 0.004 * x * y + 0.003 * x + 0.001
    surface[10:20, 30:42] = np.nan
    smoothed = smooth(relief_of(surface), window)
    assert_allclose(smoothed.offset, surface, atol=1e-12)


@pytest.mark.parametrize("window", [5, 11])
def test_stated_u_is_the_scatter_of_smoothed_noise_inside_and_at_the_rim(window):
    rng = np.random.default_rng(3)
    stack = []
    for _ in range(60):
        noise = rng.normal(0, 0.001, (30, 40))
        noise[12:16, 12:20] = np.nan
        smoothed = smooth(relief_of(noise), window)
        stack.append(smoothed.offset / smoothed.u)
    measured = np.isfinite(smoothed.offset)
    spread = np.std(np.array(stack)[:, measured], axis=0)
    # 60 draws: each cell's sd is within 30 % and their mean within 2 %
    assert_allclose(np.mean(spread**2), 1.0, atol=0.03)
    assert_allclose(smoothed.u[5:9, 25:30] / 0.001, quadratic_gain(window), rtol=0.3 if window == 11 else 1e-9)


def test_smallest_window_that_reaches_a_fifteenth_of_the_limit():
    # by head: sqrt(1.5) x g x 0.001 <= 0.005 / 15 needs g <= 0.272: 9 cells (0.255)
    relief = relief_of(np.zeros((40, 60)))
    assert choose_window(relief, 0.005) == 9
    assert choose_window(replace(relief, u=relief.u / 10), 0.005) == 1
    assert choose_window(replace(relief, u=relief.u * 10), 0.005) == 11


def test_no_window_is_wider_than_220_mm():
    assert windows(0.02)[-1] == 11
    assert windows(0.01)[-1] == 21
    assert windows(0.05) == (1,)


def test_a_clean_wall_rarely_raises_the_alarm_and_a_snot_always_does():
    rng = np.random.default_rng(7)
    y, x = np.mgrid[0:60, 0:100] * CELL
    alarms = caught = 0
    for _ in range(40):
        noise = relief_of(rng.normal(0, 0.0006, x.shape), u=0.0006)
        alarms += smooth(noise, 11).hidden > 0
        snot = 0.007 * np.exp(-4 * np.log(2) * ((x - 1.0) ** 2 + (y - 0.6) ** 2) / 0.06**2)
        caught += smooth(relief_of(noise.offset + snot, u=0.0006), 11).hidden > 0
    assert alarms <= 4
    assert caught == 40


def test_hidden_places_stand_where_the_snot_is():
    y, x = np.mgrid[0:60, 0:100] * CELL
    snot = 0.008 * np.exp(-4 * np.log(2) * ((x - 1.0) ** 2 + (y - 0.6) ** 2) / 0.05**2)
    relief = relief_of(snot, u=0.0005)
    places = hidden_places(relief, smooth(relief, 11).offset)
    assert np.hypot(places[:, 0] - 1.01, places[:, 1] - 0.61).max() < 0.25
