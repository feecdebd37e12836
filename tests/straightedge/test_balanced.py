"""The balanced end gap beside a resting sweep: closed forms, a brute-force bound, and the same from one pass as two."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.warp import CommonError
from flatscan.straightedge import balanced_gaps, gaps_beside, sweep
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
    found = balanced_gaps(Sweeps(grid_of(bow(radius, 150), CELL)), 1.8, (0.0,))
    assert_allclose(found.judged().value, 1.8**2 / (8 * radius), rtol=1e-6)
    assert_allclose(found.worst.value, 0.0, atol=1e-12)


def test_a_wall_with_no_room_balances_the_longest_that_it_holds():
    """1.2 m between the outer centres of a wall that is 1.22 m wide and 0.6 m high."""
    found = balanced_gaps(Sweeps(grid_of(bow(20.0, 61), CELL)), 1.8, (0.0,))
    assert_allclose(found.rule, 1.2)
    assert_allclose(found.judged().value, 1.2**2 / (8 * 20), rtol=1e-6)


@pytest.mark.parametrize("first", ["resting", BALANCED])
def test_one_pass_tells_what_a_sweep_of_its_own_does(first):
    """Whichever method is asked for first, and whichever is judged: the same values with the same intervals."""
    relief, directions = noisy(bow(60.0, 150), 0.0003, common=CommonError(0.0002)), (0.0, 45.0, 90.0)
    sweeps = Sweeps(relief)
    sweeps.of(1.8, first, directions)
    for method in ("resting", BALANCED):
        alone = sweep(relief, 1.8, directions=directions, method=method)
        for judged in ("resting", BALANCED):
            found = gaps_beside(sweeps, 1.8, judged, directions)
            assert found.said_of(method) == alone.measured()
            assert found.of(method) == alone.judged()
    assert balanced_gaps(sweeps, 1.8, directions).measured() == alone.measured()


def test_noise_is_out_of_the_balanced_gap_whoever_asks():
    """A cylinder's gap is L^2 / 8 R along its whole middle line: as found it reads high."""
    truth, found, raw = 1.8**2 / (8 * 40.0), [], []
    for seed in range(12):
        sweeps = Sweeps(noisy(bow(40.0, 100, 40), 0.0005, seed))
        found.append(gaps_beside(sweeps, 1.8, "resting", (0.0,)).balanced.value)
        raw.append(_as_found(sweeps))
    off, before = np.mean(found) - truth, np.mean(raw) - truth
    assert before > 0.0008
    assert abs(off) < 0.35 * before


def _as_found(sweeps):
    """The largest end gap of the cells as they are, over all windows of all rows."""
    z, long = sweeps.relief.offset, 90
    most = -math.inf
    for left in range(z.shape[1] - long):
        share = np.arange(long + 1) / long
        chord = z[:, left, None] * (1 - share) + z[:, left + long, None] * share
        most = max(most, float((z[:, left : left + long + 1] - chord).max()))
    return most


def test_the_upper_bound_is_over_every_triple():
    """All windows of a line and all places under them, each with u out of its three supports and the warp."""
    random = np.random.default_rng(8)
    z, u = random.normal(size=(5, 60)) * 0.001, random.uniform(0.0001, 0.001, (5, 60))
    common = CommonError(0.001, 0.5)
    found = balanced_gaps(Sweeps(grid_of(z, CELL, u=u, common=common)), 0.8, (0.0,))
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
