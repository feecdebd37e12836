"""Limits that rise with the distance between the contacts, against all triples one by one."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.standards import load
from flatscan.straightedge import sweeping
from flatscan.straightedge.sweeping import Sweeps, largest_distance, reaching, sweep_stairs


def largest_excess(z, cell, limit_at):
    """max over all triples of rows and columns of gap - limit(distance)."""
    best = -np.inf
    for field in (z, z.T):
        n = field.shape[1]
        for a in range(n - 2):
            for b in range(a + 2, n):
                c = np.arange(a + 1, b)
                left = (b - c) / (b - a)
                gap = field[:, [a]] * left + field[:, [b]] * (1 - left) - field[:, c]
                best = max(best, gap.max() - limit_at((b - a) * cell))
    return best


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("identifier", ["din-18202-2019-row-7", "en-1996-2-straight"])
def test_over_the_limit_exactly_where_some_triple_is(grid_relief, seed, identifier):
    entry = load(identifier)
    random = np.random.default_rng(seed)
    z = random.normal(size=(8, 40)).cumsum(axis=1) * 1e-3
    relief = grid_relief(z, cell=0.05)
    stairs, excess = sweep_stairs(Sweeps(relief), entry.stairs(largest_distance(relief)), directions=[0, 90])
    slow = largest_excess(z, 0.05, entry.limit_at)
    over = max(stair.gaps.worst.value - stair.limit for stair in stairs)
    assert (over > 0) == (slow > 0)
    # without halves and without u nothing is taken off, so the excess is that of the stairs
    assert_allclose(excess, over, atol=1e-12)
    if slow > 0:
        assert over >= slow - 1e-12


def test_each_stair_holds_the_distances_up_to_its_end(grid_relief):
    relief = grid_relief(lambda x, y: (x - 1.5) ** 2 / 200, cell=0.02)
    stairs, _ = sweep_stairs(Sweeps(relief), ((0.0, 0.5, 0.003), (0.5, 1.0, 0.004), (1.0, 9.0, 0.005)), directions=[0])
    products = [0.24 * 0.24, 0.48 * 0.5, 1.48 * 1.5]
    assert_allclose([stair.gaps.worst.value for stair in stairs], np.array(products) / 200, rtol=1e-9)


def test_stairs_under_three_cells_are_left_out(grid_relief):
    relief = grid_relief(lambda x, y: 0 * x, cell=0.05)
    stairs, _ = sweep_stairs(Sweeps(relief), ((0.0, 0.09, 0.003), (0.09, 9.0, 0.004)))
    assert [stair.start for stair in stairs] == [0.09]


def test_a_stair_that_two_limits_share_is_swept_once(grid_relief, monkeypatch):
    laid = []

    def counted(relief, rule, **more):
        laid.append(rule)
        return reaching(relief, rule, **more)

    monkeypatch.setattr(sweeping, "reaching", counted)
    sweeps = Sweeps(grid_relief(lambda x, y: (x - 1.5) ** 2 / 200, cell=0.05))
    first, _ = sweep_stairs(sweeps, ((0.0, 0.5, 0.003), (0.5, 9.0, 0.004)))
    second, _ = sweep_stairs(sweeps, ((0.0, 1.0, 0.003), (1.0, 9.0, 0.005)))
    assert first[-1].gaps is second[-1].gaps
    assert len(laid) == len(set(laid)) == 3
    # a plain sweep has a lower bound of its own, which a stair leaves to all stairs together
    sweeps.of(laid[0])
    assert len(laid) == 4


def test_noise_alone_is_not_called_an_excess(grid_relief):
    random = np.random.default_rng(12)
    over = 0
    for _ in range(20):
        halves = random.normal(size=(2, 16, 24)) * 1e-3
        relief = grid_relief(halves.mean(axis=0), cell=0.05, u=1e-3 / np.sqrt(2), halves=tuple(halves))
        _, excess = sweep_stairs(
            Sweeps(relief), ((0.0, 0.3, 1e-9), (0.3, 0.6, 2e-9), (0.6, 9.0, 3e-9)), directions=[0, 90]
        )
        over += excess > 0
    assert over <= 4  # 5 % and three standard deviations of the count


def test_stations(station_relief):
    table = np.zeros((3, 5))
    table[1, 2] = -0.02
    relief = station_relief(np.arange(5) * 0.5, np.arange(3) * 0.5, table)
    stairs, excess = sweep_stairs(Sweeps(relief), load("din-18202-2019-row-6").stairs(9.0))
    last = stairs[-1].gaps
    assert last.low < last.gap < last.high
    assert last.gap == pytest.approx(0.02)
    assert 0.0 < excess < 0.02
