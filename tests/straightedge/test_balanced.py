"""The balanced end gap beside a resting sweep: closed forms, a brute-force bound, and the same from one pass as two."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.warp import CommonError
from flatscan.straightedge import balanced_gaps, sweep
from flatscan.straightedge.balanced import BALANCED
from flatscan.straightedge.sweeping import Sweeps

CELL = 0.02


def bow(radius, cells, rows=30):
    """An outward bow along, of so large a radius [m], so many cells wide."""
    x = (np.arange(cells) - (cells - 1) / 2) * CELL
    return np.tile(-(x**2) / (2 * radius), (rows, 1))


def noisy(surface, noise, seed=4, **more):
    random = np.random.default_rng(seed)
    halves = [surface + random.normal(size=surface.shape) * noise * np.sqrt(2) for _ in range(2)]
    return grid_of(sum(halves) / 2, CELL, u=noise, half_a=halves[0], half_b=halves[1], **more)


@pytest.mark.parametrize("radius", [20.0, 100.0])
def test_a_bow_stands_off_by_its_sagitta(radius):
    """L^2 / 8 R for a parabola; the straightedge holds 90 steps of 20 mm."""
    found = balanced_gaps(Sweeps(grid_of(bow(radius, 150), CELL)), 1.8, 0.003, (0.0,))
    assert_allclose(found.judged().value, 1.8**2 / (8 * radius), rtol=1e-6)
    assert_allclose(found.worst.value, 0.0, atol=1e-12)


def test_a_wall_with_no_room_balances_the_longest_that_it_holds():
    """1.2 m between the outer centres of a wall that is 1.22 m wide and 0.6 m high."""
    found = balanced_gaps(Sweeps(grid_of(bow(20.0, 61), CELL)), 1.8, 0.003, (0.0,))
    assert_allclose(found.rule, 1.2)
    assert_allclose(found.judged().value, 1.2**2 / (8 * 20), rtol=1e-6)


@pytest.mark.parametrize("limit", [1e-6, 0.003])
def test_one_pass_tells_what_a_sweep_of_its_own_does(limit):
    relief = noisy(bow(60.0, 150), 0.0003, common=CommonError(0.0002))
    sweeps, directions = Sweeps(relief), (0.0, 45.0, 90.0)
    resting = sweeps.of(1.8, directions=directions)
    found, alone = (
        balanced_gaps(sweeps, 1.8, limit, directions),
        sweep(relief, 1.8, directions=directions, method=BALANCED),
    )
    assert found.method == BALANCED
    assert found.judged() == resting.balanced
    # it is said as it was found; a sweep of its own takes off what noise added
    assert alone.judged().value <= found.judged().value
    assert [gap.at for gap in found.worst_places] == [gap.at for gap in alone.worst_places]
    # closer bounds are looked for where the limit asks for them, and a wider one is a bound as well
    closest = max(alone.upper, found.judged().value)
    assert_allclose(found.upper, closest) if limit < found.judged().value else None
    assert found.upper >= alone.upper
    assert_allclose(found.lower, alone.lower)


def test_no_closer_bound_is_looked_for_where_the_widest_keeps_the_limit():
    relief = noisy(bow(1000.0, 150), 0.0001)
    sweeps = Sweeps(relief)
    found, alone = balanced_gaps(sweeps, 1.8, 0.010), sweep(relief, 1.8, method=BALANCED)
    assert alone.upper <= found.upper <= 0.010
    assert found.lower is None


def test_the_upper_bound_is_over_every_triple():
    """All windows of a line and all places under them, each with u out of its three supports and the warp."""
    random = np.random.default_rng(8)
    z, u = random.normal(size=(5, 60)) * 0.001, random.uniform(0.0001, 0.001, (5, 60))
    common = CommonError(0.001, 0.5)
    found = balanced_gaps(Sweeps(grid_of(z, CELL, u=u, common=common)), 0.8, 1.0, (0.0,))
    most = -math.inf
    for row in range(5):
        for left in range(20):
            for at in range(left + 1, left + 40):
                part = (left + 40 - at) / 40
                gap = z[row, at] - part * z[row, left] - (1 - part) * z[row, left + 40]
                warp = float(common.u_gap((at - left) * CELL, (left + 40 - at) * CELL))
                random_u = math.hypot(part * u[row, left], (1 - part) * u[row, left + 40], u[row, at])
                most = max(most, gap + 1.645 * math.hypot(random_u, warp))
    assert most <= found.upper <= 2 * most
