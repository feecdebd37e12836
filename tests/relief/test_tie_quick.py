"""What a tie asks of every cell and of every pair of places, done quickly, against the plain way."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from prove_tie import at_most
from relief_builders import grid_of

from flatscan.core.warp import CommonError
from flatscan.relief.everywhere import between, largest_on_lattice, lattice_of
from flatscan.relief.members import members_of
from flatscan.relief.sweep_seams import seams
from flatscan.relief.tie_kernel import add_by_distance, band_sums
from flatscan.relief.tied import mixed
from flatscan.relief.trend import Seam, plane
from flatscan.relief.warps import warps_like

WIDE, HIGH, CELL = 4.0, 2.4, 0.05
BOX = np.array([0.0, 0.0, WIDE, HIGH])
SEAM = Seam(np.array([1.7, 1.2]), np.array([np.cos(0.1), np.sin(0.1)]), 0.004, 0.045)


def readings(count=12):
    rng = np.random.default_rng(7)
    return np.column_stack([rng.uniform(0, WIDE, count), rng.uniform(0, HIGH, count)])


@pytest.fixture(scope="module")
def left():
    """What readings leave of a warp of unknown kind, with one seam."""
    rng, places = np.random.default_rng(8), readings()
    trend = plane(BOX, np.array([10.0, 0.1, 0.1]), (SEAM,))
    difference = 0.004 * np.sin(places[:, 0]) + rng.normal(0, 0.6e-3, len(places))
    members = members_of(warps_like(CommonError(0.004, 2.0)), places, np.eye(12) * 0.6e-3**2, trend, difference)
    return mixed(members, trend, places, BOX, length=2.0)


def test_covariance_on_a_lattice_is_that_of_all_pairs_of_its_places(left):
    across, upward = np.linspace(0, WIDE, 9), np.linspace(0.2, HIGH, 6)
    at = np.column_stack([one.ravel() for one in np.meshgrid(across, upward)])
    pairs = left.covariance(at, at)
    assert_allclose(left.on_lattice(across, upward), pairs, rtol=0, atol=1e-11 * pairs.max())


def test_largest_u_is_that_of_all_pairs_however_often_and_for_whichever_cells_it_is_asked(left):
    x, y = (np.arange(round(size / CELL)) * CELL + CELL / 2 for size in (WIDE, HIGH))
    lattice = lattice_of(np.array([x[0], y[0], x[-1], y[-1]]), 2.0)
    at = np.column_stack([one.ravel() for one in np.meshgrid(*lattice)])
    plain = between(largest_on_lattice(left.covariance(at, at), lattice, 2.0), lattice, x, y)
    assert_allclose(left.largest_u_gap(x, y, 2.0), plain, rtol=1e-9)
    assert_allclose(left.largest_u_gap(x, y, 2.0), plain, rtol=1e-9)
    few = [np.unique(np.linspace(0, len(one) - 1, 5).astype(int)) for one in (x, y)]
    assert_allclose(left.largest_u_gap(x[few[0]], y[few[1]], 2.0), plain[np.ix_(few[1], few[0])], rtol=1e-9)


def test_largest_u_after_widening_is_not_that_before(left):
    x, y = np.linspace(0, WIDE, 11), np.linspace(0, HIGH, 7)
    before = left.largest_u_gap(x, y, 2.0)
    assert_allclose(left.wider(np.array([4.0, 4.0])).largest_u_gap(x, y, 2.0), 2 * before, rtol=1e-9)


def test_what_hangs_on_distance_is_read_off_a_table_as_by_interpolation():
    rng = np.random.default_rng(9)
    at, places, step = rng.uniform(0, 3, (50, 2)), rng.uniform(0, 3, (7, 2)), 0.01
    table = rng.normal(size=(7, 450))
    total = rng.normal(size=50)
    plain = total + sum(
        np.interp(np.hypot(*(at - place).T), np.arange(450) * step, row)
        for place, row in zip(places, table, strict=True)
    )
    add_by_distance(at, places, table, step, total)
    assert_allclose(total, plain, rtol=1e-10, atol=1e-12)


def test_the_likeliest_error_is_that_of_the_covariances_themselves(left):
    at = readings(5) / 2 + 0.3
    plain, slopes = np.zeros(5), left.trend.means.copy()
    for member in left.members:
        by_warp, by_trend = (member.weights @ gain for gain in member.gains)
        apart = np.hypot(*(at[:, None] - left.places).T).T
        plain += (member.warp.sd**2 * (1 - member.warp.unlike(apart))) @ member.turn.T @ by_warp
        slopes = slopes + by_trend
    # a table of 2 mm is straight between its values
    assert_allclose(left.mean(at), plain + left.trend.terms(at) @ slopes, rtol=0, atol=2e-6)


def test_cells_are_added_up_in_bands_as_one_by_one():
    rng = np.random.default_rng(10)
    at, z, turn = rng.uniform(0, 3, (400, 2)), rng.normal(size=400), 0.7
    way = np.array([np.cos(turn), np.sin(turn)])
    off, along = (at - 1.5) @ way, (at - 1.5) @ np.array([-way[1], way[0]])
    part, band = ((one - one.min()) // size for one, size in ((along, 0.3), (off, 0.1)))
    plain = np.zeros((2, 20, 50))
    for i, j, value in zip(part.astype(int), band.astype(int), z, strict=True):
        plain[0, i, j] += 1
        plain[1, i, j] += value
    found = np.zeros((2, 20, 50))
    starts = np.array([along.min(), off.min()])
    band_sums(at, z, np.full(2, 1.5), way, starts, np.array([0.3, 0.1]), found[0], found[1])
    assert_allclose(found, plain, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_a_seams_step_is_that_of_least_squares_on_its_cells(missing):
    rng = np.random.default_rng(11)
    x, y = np.meshgrid(*((np.arange(round(size / 0.02)) + 0.5) * 0.02 for size in (WIDE, HIGH)))
    at = np.column_stack([x.ravel(), y.ravel()])
    z = 0.003 * np.sin(2 * x) * y + 0.004 * (SEAM.off(at) > 0).reshape(x.shape) + rng.normal(0, 1e-4, x.shape)
    z[rng.random(x.shape) < missing] = np.nan
    (found,) = seams(grid_of(z, 0.02, u=1e-4, count=5, common=CommonError(0.004, 2.0)))
    assert_allclose(found.way, SEAM.way, atol=0.02)
    known = np.isfinite(z.ravel())
    off = (at - found.at) @ found.way
    near, reach = known & (np.abs(off) <= 0.3), 0.3
    s, t = off[near] / reach, (at[near] - found.at) @ np.array([-found.way[1], found.way[0]])
    t = t / np.abs(t).max()
    columns = [s**i * t**j for i in range(4) for j in range(6)] + [np.where(s > 0, 0.5, -0.5)]
    step = np.linalg.lstsq(np.column_stack(columns), z.ravel()[near], rcond=None)[0][-1]
    assert found.jump == pytest.approx(step, rel=1e-7)


def test_a_proof_says_what_so_few_walls_do_not_rule_out():
    # none of n: (1 - p)^n is 5 %
    assert at_most(0, 59) == pytest.approx(1 - 0.05 ** (1 / 59))
    assert at_most(3, 3) == 1.0
