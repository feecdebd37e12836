"""Uncertainty of gaps: printed gains, simulation, and the bound that every triple must respect."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import savgol_coeffs

from flatscan.core.warp import CommonError
from flatscan.straightedge import expected_u, sweep
from flatscan.straightedge.bounds import halves_apart, upper_bound
from flatscan.straightedge.sweeping import reaching
from flatscan.straightedge.uncertainty import (
    half_factor,
    random_u,
    smoothing_correlation,
    variance_bound,
    variance_ceiling,
)

K = 1.645


def bounded(relief, rule, **how):
    """The bound over all places, before what noise adds is taken out, and the sweep."""
    gaps, reach = reaching(relief, rule, **how)
    return upper_bound(reach, gaps.deepest), gaps


def brute_upper(relief, w, k):
    """The largest gap + k u over all triples of rows and columns, one by one, uncorrelated cells."""
    best = -np.inf
    for z, u in ((relief.offset, relief.u), (relief.offset.T, relief.u.T)):
        n = z.shape[1]
        for a in range(n - 2):
            for b in range(a + 2, min(n, a + w)):
                for c in range(a + 1, b):
                    left = (b - c) / (b - a)
                    gap = left * z[:, a] + (1 - left) * z[:, b] - z[:, c]
                    common = relief.common.u_gap((c - a) * relief.cell, (b - c) * relief.cell)
                    var = (left * u[:, a]) ** 2 + ((1 - left) * u[:, b]) ** 2 + u[:, c] ** 2 + common**2
                    best = max(best, np.nanmax(gap + k * np.sqrt(var)))
    return best


@pytest.mark.parametrize("sd", [0.0, 0.001, 0.004])
@pytest.mark.parametrize("uneven", [False, True])
def test_upper_bounds_every_triple(grid_relief, sd, uneven):
    random = np.random.default_rng(11)
    z = random.normal(size=(14, 30)) * 1e-3
    u = np.full(z.shape, 4e-4)
    if uneven:
        u = u * random.uniform(0.7, 1.4, size=z.shape)
        u[0], u[:, -1] = 1.2e-3, 1.2e-3
    relief = grid_relief(z, cell=0.05, u=u, sd=sd, length=0.4)
    found, gaps = bounded(relief, 0.8, directions=[0, 90])
    slow = brute_upper(relief, 17, K)
    # what is known exactly at the largest gap is taken off everywhere: short arms next to it, with up to root(2) u in
    # place of root(1.5), may be bounded that much too low, which is less than noise adds to the largest of so many
    assert found >= slow - K * (np.sqrt(2) - np.sqrt(1.5)) * u.max()
    # and it is not idly wide: within a quarter of k times the u of an even wall, or the whole of the largest u there is
    assert found <= slow + K * (1.2e-3 if uneven else gaps.worst.u / 4)


def test_upper_is_close_where_only_the_warp_is_uncertain(grid_relief):
    """The largest gaps of a wall of short humps have contacts close together, where a warp shows little."""
    x = (np.arange(60) + 0.5) * 0.05
    relief = grid_relief(np.tile(0.004 * np.cos(2 * np.pi * x / 0.7), (14, 1)), cell=0.05, u=1e-5, sd=0.004, length=1.0)
    found, _ = bounded(relief, 1.5, directions=[0])
    slow, middle = brute_upper(relief, 31, K), K * float(relief.common.u_gap(0.75, 0.75))
    assert slow - 0.02 * middle <= found <= slow + 0.1 * middle
    # the largest gap and the largest u, each for itself, would be far more than any place has
    assert 0.008 + middle > slow + 0.2 * middle


@pytest.mark.parametrize("method", ["balanced end gap", "equal offsets"])
def test_upper_of_the_ends_bounds_every_window(grid_relief, method):
    random = np.random.default_rng(12)
    z = random.normal(size=(3, 40)) * 1e-3
    u = 4e-4 * random.uniform(0.5, 1.5, size=z.shape)
    relief = grid_relief(z, cell=0.05, u=u, sd=0.002, length=0.4)
    found, _ = bounded(relief, 0.8, directions=[0], method=method)
    slow, w = -np.inf, 17
    for a in range(40 - w + 1):
        for c in range(a + 1, a + w - 1):
            b = a + w - 1
            left = (b - c) / (b - a)
            over = z[:, c] - left * z[:, a] - (1 - left) * z[:, b]
            over = np.abs(over) if method == "equal offsets" else over
            common = relief.common.u_gap((c - a) * relief.cell, (b - c) * relief.cell)
            var = (left * u[:, a]) ** 2 + ((1 - left) * u[:, b]) ** 2 + u[:, c] ** 2 + common**2
            slow = max(slow, float((over + K * np.sqrt(var)).max()))
    assert slow - K * (np.sqrt(2) - np.sqrt(1.5)) * 6e-4 <= found <= slow + K * 4e-4


@pytest.mark.parametrize("window", [5, 7, 11])
def test_correlation_is_that_of_savitzky_and_golay(window):
    weights = savgol_coeffs(window, 2)
    full = np.correlate(weights, weights, mode="full")[window - 1 :]
    assert_allclose(smoothing_correlation(window), full / full[0], atol=1e-12)


@pytest.mark.parametrize("window", [1, 5, 7, 11])
def test_random_u_by_simulation(window):
    random = np.random.default_rng(2)
    weights = savgol_coeffs(window, 2) if window > 1 else np.ones(1)
    noise = random.normal(size=(200_000, 60 + window - 1))
    smooth = np.stack([noise[:, k : k + window] @ weights for k in range(60)], axis=1)
    u = np.full(3, np.sqrt((weights**2).sum()))
    for near, far in ((1, 50), (2, 3), (5, 5), (20, 30), (4, 40)):
        left = far / (near + far)
        gap = left * smooth[:, 0] + (1 - left) * smooth[:, near + far] - smooth[:, near]
        assert_allclose(random_u(u, (near, far), window, 1.0, 0.0), gap.std(), rtol=0.01)
        assert gap.std() <= np.sqrt(variance_ceiling(window, 60)) * u[0] * 1.01


def test_unsmoothed_ceiling_is_two():
    assert variance_ceiling(1, 100) == 2.0
    factor, _, rest = variance_bound(CommonError(0.0), 1, 100, np.arange(3) * 0.02, np.arange(2) * 0.02, 1e-3)
    assert (factor, rest.max()) == (1.0, 0.0)


def test_common_u_of_a_metre_warp():
    # methods/uncertainty 6: 0.596 of the warp's sd on the middle of a 2 m gap at 1 m correlation length
    assert_allclose(CommonError(1.0).u_gap(1.0, 1.0), 0.596, atol=1e-3)


def test_common_u_by_simulation():
    random = np.random.default_rng(9)
    at = np.array([0.0, 0.7, 1.9])
    cover = np.exp(-((at[:, None] - at) ** 2) / 2)
    warp = random.normal(size=(400_000, 3)) @ np.linalg.cholesky(cover).T
    gap = 1.2 / 1.9 * warp[:, 0] + 0.7 / 1.9 * warp[:, 2] - warp[:, 1]
    assert_allclose(CommonError(1.0).u_gap(0.7, 1.2), gap.std(), rtol=0.01)


def test_half_factor():
    # 1.96 either way leaves 5 % (methods/decision 4)
    assert half_factor(1.6448536) == pytest.approx(1.95996, abs=1e-4)


def test_expected_u_is_that_of_the_middle(grid_relief):
    relief = grid_relief(np.zeros((50, 100)), u=2e-4, sd=1e-3)
    assert_allclose(expected_u(relief, 1.8), np.hypot(np.sqrt(1.5) * 2e-4, relief.common.u_gap(0.9, 0.9)), rtol=1e-12)
    assert expected_u(grid_relief(np.zeros((5, 5)), u=np.nan), 0.1) is None


def test_unknown_u_gives_no_bounds(grid_relief):
    found = sweep(grid_relief(np.random.default_rng(1).normal(size=(30, 40)) * 1e-3, u=np.nan), 0.4)
    assert found.worst.value > 0
    assert (found.worst.u, found.upper, found.lower) == (None, None, None)
    assert found.notes[0].code == "straightedge.u-not-known"


def test_lower_corrects_for_the_choice(grid_relief):
    """Flat wall: the worst gap of the mean is pure noise; 95 of 100 intervals must hold its true gap of 0."""
    random = np.random.default_rng(21)
    over = naive = 0
    for _ in range(200):
        halves = random.normal(size=(2, 20, 30)) * 1e-3
        relief = grid_relief(halves.mean(axis=0), cell=0.05, u=1e-3 / np.sqrt(2), halves=tuple(halves))
        found = sweep(relief, 0.6, directions=[0, 90], workers=1)
        over += found.low > 0
        naive += found.deepest.max() - 1.645 * found.worst.u > 0
    assert over <= 0.05 * 200 + 9  # 5 % and three standard deviations of the count
    assert naive > 0.9 * 200  # what the symmetric band would have said


def test_interval_of_a_hollow_holds_the_truth_and_its_middle_is_right(grid_relief):
    """A hollow of 3 mm in noise of 0.35 mm a cell: the largest gap reads too large, the estimate does not."""
    random, u = np.random.default_rng(23), 3.5e-4
    x, y = np.meshgrid((np.arange(60) + 0.5) * 0.04, (np.arange(50) + 0.5) * 0.04)
    truth = -0.003 * np.exp(-((x - 1.2) ** 2 + (y - 1.0) ** 2) / 0.08)
    gap = sweep(grid_relief(truth, cell=0.04), 1.8, workers=1).worst.value
    read, told, held = [], [], 0
    for _ in range(40):
        halves = [truth + random.normal(size=truth.shape) * u * np.sqrt(2) for _ in range(2)]
        found = sweep(grid_relief(sum(halves) / 2, cell=0.04, u=u, halves=halves), 1.8, workers=1)
        read.append(np.nanmax(found.deepest) - gap)
        told.append(found.gap - gap)
        held += found.low <= gap <= found.high
        assert found.low <= found.gap <= found.high
        assert found.worst.value == found.gap
    assert np.mean(read) > 2 * u
    assert abs(np.mean(told)) < 0.4 * np.mean(read)
    assert held >= 33  # 95 of 100, and three standard deviations of the count


def test_error_that_both_halves_share_is_told_and_not_called_a_gap(grid_relief):
    """Flat wall, three quarters of the variance in both halves alike: choosing on one no longer tests on the other."""
    random = np.random.default_rng(31)
    over, shares = 0, []
    for _ in range(100):
        shared = random.normal(size=(20, 30)) * np.sqrt(0.75) * 1e-3
        halves = [shared + random.normal(size=(20, 30)) * np.sqrt(2 * 0.25) * 1e-3 for _ in range(2)]
        relief = grid_relief(sum(halves) / 2, cell=0.05, u=1e-3, halves=halves)
        shares.append(halves_apart(relief)[1])
        found = sweep(relief, 0.6, directions=[0, 90], workers=1)
        over += found.lower > 0
        assert found.notes[0].code == "straightedge.halves-share"
    assert_allclose(np.mean(shares), 0.75, atol=0.02)
    assert over <= 11  # 5 % and three standard deviations of the count


def test_halves_of_independent_points_share_nothing(grid_relief):
    halves = np.random.default_rng(32).normal(size=(2, 60, 90)) * 1e-3
    apart, shared = halves_apart(grid_relief(halves.mean(axis=0), u=1e-3 / np.sqrt(2), halves=tuple(halves)))
    assert (shared, apart) == (0.0, pytest.approx(1.0, abs=0.06))
    assert halves_apart(grid_relief(halves[0], u=1e-3)) == (1.0, 0.0)


def test_lower_without_halves_is_more_cautious(grid_relief):
    halves = np.random.default_rng(22).normal(size=(2, 20, 30)) * 1e-4
    z = halves.mean(axis=0)
    z[10, 15] -= 0.02
    both = [half + np.where(z < -0.01, -0.02, 0.0) for half in halves]
    with_halves = sweep(grid_relief(z, cell=0.05, u=1e-4, halves=both), 0.6)
    without = sweep(grid_relief(z, cell=0.05, u=1e-4), 0.6)
    assert 0.019 < without.lower < with_halves.lower < with_halves.worst.value


def test_same_bytes_whatever_the_threads(grid_relief):
    random = np.random.default_rng(6)
    halves = random.normal(size=(2, 60, 90)) * 1e-3
    relief = grid_relief(
        halves.mean(axis=0), u=np.full((60, 90), 7e-4) * random.uniform(1, 2, (60, 90)), halves=tuple(halves), sd=0.001
    )
    one, four = (sweep(relief, 0.7, workers=n) for n in (1, 4))
    assert one.deepest.tobytes() == four.deepest.tobytes()
    assert (one.worst, one.upper, one.lower, one.worst_places) == (
        four.worst,
        four.upper,
        four.lower,
        four.worst_places,
    )


def test_lower_leaves_out_cells_whose_halves_are_far_apart(grid_relief):
    """A bow whose straightedge of 1 m has both ends 2.5 mm off, one cell in 100 thrown off by 2 to 4 mm in one half."""
    random = np.random.default_rng(41)
    x = (np.arange(40) + 0.5) * 0.05
    truth = np.tile(-0.01 * (x - 1.0) ** 2, (30, 1))
    for _ in range(4):
        halves = truth + random.normal(size=(2, 30, 40)) * 2e-4
        wild = random.random((30, 40)) < 0.01
        halves[0] += np.where(wild, random.uniform(0.002, 0.004, (30, 40)), 0.0)
        relief = grid_relief(halves.mean(axis=0), cell=0.05, u=2e-4 / np.sqrt(2), halves=tuple(halves))
        found = sweep(relief, 1.0, directions=[0, 90], method="balanced end gap", workers=1)
        assert found.gap > 0.003
        assert 0.001 < found.low <= 0.0025


def test_lower_of_a_bow_holds_under_a_warp_that_chooses_among_its_windows(grid_relief):
    """All windows along a bow are as good, 0.9 mm; a warp as stated lifts the best of them."""
    random, common = np.random.default_rng(42), CommonError(4e-4, 0.4)
    x, y = (np.arange(40) + 0.5) * 0.05, (np.arange(30) + 0.5) * 0.05
    roots = [
        np.linalg.cholesky(np.exp(-((at[:, None] - at) ** 2) / (2 * 0.4**2)) + 1e-9 * np.eye(len(at))) for at in (y, x)
    ]
    over = 0
    for _ in range(30):
        warp = common.sd * roots[0] @ random.normal(size=(30, 40)) @ roots[1].T
        relief = grid_relief(np.tile(-0.0036 * (x - 1.0) ** 2, (30, 1)) + warp, cell=0.05, sd=common.sd, length=0.4)
        over += sweep(relief, 1.0, directions=[0, 90], method="balanced end gap", workers=1).low > 0.0009
    assert over <= 5  # 5 % and three standard deviations of the count
