"""Abrupt steps: exact on planes with a lip, silent on slopes, honest in noise."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.straightedge.lips import level_weights, lips, step_map


def lip(height, *, across=1.21, slope=0.0):
    return lambda x, y: slope * (x + 0.5 * y) + height * (x > across)


@pytest.mark.parametrize("slope", [0.0, 0.02, -0.05])
def test_lip_on_a_plane_is_exact(grid_relief, slope):
    found = lips(grid_relief(lip(0.004, across=1.2, slope=slope)))
    assert_allclose(found.value, 0.004, atol=1e-12)
    assert found.direction == 0.0
    assert found.at[0] == pytest.approx(1.2, abs=0.0201)


def test_lip_between_rows(grid_relief):
    found = lips(grid_relief(lambda x, y: -0.003 * (y > 0.8)))
    assert_allclose(found.value, 0.003, atol=1e-12)
    assert (found.direction, found.at[1]) == (90.0, pytest.approx(0.8, abs=0.0201))


def test_lip_inside_a_cell_is_found_whole(grid_relief):
    # the cell the edge runs through holds the mean of both levels
    z = np.zeros((60, 100))
    z[:, 50:], z[:, 49] = 0.004, 0.002
    assert_allclose(lips(grid_relief(z)).value, 0.004, rtol=0.15)


def test_slope_and_even_bend_are_no_step(grid_relief):
    assert lips(grid_relief(lambda x, y: 0.05 * x - 0.02 * y)).value < 1e-12
    assert lips(grid_relief(lambda x, y: (x - 1.5) ** 2 / 100)).value < 1e-12


def test_smooth_hump_is_hardly_a_step(grid_relief):
    def hump(x, y):
        return 0.008 * np.exp(-((x - 1.5) ** 2 + (y - 1.2) ** 2) / (2 * 0.07**2))

    # third derivative 1.38 h / s^3 at its steepest, times the third moment of the weights (48 900 mm3 / 3)
    found = lips(grid_relief(hump, cell=0.01))
    assert found.value == pytest.approx(1.38 * 8 / 70**3 * 48_900 / 3 / 1000, rel=0.3)
    assert lips(grid_relief(hump, cell=0.02)).value == pytest.approx(1.38 * 8 / 70**3 * 230_000 / 3 / 1000, rel=0.3)


def test_weights_extrapolate_a_line():
    weights = level_weights(7, 1)
    at = np.arange(7) + 1.5
    assert_allclose([weights.sum(), weights @ at], [1.0, 0.0], atol=1e-12)


def test_bounds_in_noise(grid_relief):
    random = np.random.default_rng(8)
    over = 0
    for _ in range(60):
        halves = random.normal(size=(2, 60, 90)) * 1e-3 + lip(0.004)(np.arange(90) * 0.02 + 0.01, 0.0)
        found = lips(grid_relief(halves.mean(axis=0), u=1e-3 / np.sqrt(2), halves=tuple(halves)))
        assert found.upper > 0.004 - 2e-4
        over += found.lower > 0.004
    assert over <= 9  # 5 % of 60, and three standard deviations of the count
    alone = lips(grid_relief(halves.mean(axis=0), u=1e-3 / np.sqrt(2)))
    assert 0 < alone.lower < alone.value


def test_u_by_simulation():
    random = np.random.default_rng(3)
    noise = random.normal(size=(20_000, 7, 20)) * 1e-3
    u = np.sqrt(step_map(np.full((7, 20), 1e-6), 6, 1, 5, squared=True))[3, 9]
    assert_allclose(np.std([step_map(z, 6, 1, 5)[3, 9] for z in noise]), u, rtol=0.02)


def test_what_cannot_be_judged(grid_relief, station_relief):
    assert lips(station_relief([0, 1, 2], [0, 1], np.zeros((2, 3)))) is None
    assert lips(grid_relief(np.full((30, 40), np.nan))) is None
    assert lips(grid_relief(np.zeros((3, 3)))) is None
    assert lips(grid_relief(lip(0.004), cell=0.05)) is None
    unknown = lips(grid_relief(lip(0.004), u=np.nan))
    assert (unknown.u, unknown.upper, unknown.lower) == (None, None, None)
    with pytest.raises(BadValue, match="smoothed over 140 mm"):
        lips(grid_relief(lip(0.004), window=7))


def test_a_missing_column_hides_the_step_over_it(grid_relief):
    relief = grid_relief(lip(0.004, across=1.2))
    z = relief.offset.copy()
    z[:, 55:65] = np.nan
    assert lips(grid_relief(z)).value < 1e-12
