"""The cheapest plane with hacking against a quantile (methods/finish-plane 11) and a linear program with slacks."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog

from flatscan.core.errors import BadValue
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.hacking import HackOptions, hacks
from flatscan.plan.optimum import least_cost, weighted_quantile


def rough(x, y):
    return np.random.default_rng(9).normal(0, 0.004, x.shape) + 0.003 * np.sin(2 * x)


@pytest.mark.parametrize(("ratio", "share"), [(5, 0.1666), (20, 0.0476), (100, 0.0098)])
def test_share_cut_is_fill_over_fill_and_cut(build, ratio, share):
    """Costs c_h / c_m = 5, 20, 100 cut 1/6, 1/21 and 1/101 of the area (.1666, .0476, .0098 there).

    See methods/finish-plane 11.
    """
    relief = build.cells(4.0, 2.4, rough, cell=0.02)
    done = least_cost(relief, cost_fill=1.0, cost_cut=float(ratio), turn_up_to=0.01)
    assert_allclose(done.cut_share, 1 / (1 + ratio), atol=2 / relief.offset.size + 1e-9)
    assert_allclose(done.cut_share, share, atol=2e-4)


def test_against_a_linear_program_with_one_slack_a_cell(build):
    relief = build.cells(2.0, 1.2, rough, cell=0.1)
    x = relief.places[0].ravel()
    z = relief.offset.ravel()
    n = len(z)
    done = least_cost(relief, cost_fill=1.0, cost_cut=6.0, turn_up_to=0.05)
    # unknowns a, b, e_i: P - z + e fill, e cut, P >= z + least - e
    design = np.hstack([-np.ones((n, 1)), -(x - 1.0)[:, None], -np.eye(n)])
    cost = np.concatenate([[n, (x - 1.0).sum()], np.full(n, 1.0 + 6.0)])
    program = linprog(cost, A_ub=design, b_ub=-(z + 0.005), bounds=[(None, None), (-0.05, 0.05)] + [(0, None)] * n)
    assert_allclose(done.cost, (program.fun - z.sum()) * 0.01, rtol=1e-6)


def test_it_bounds_what_a_list_of_hacks_saves(build):
    """Fill at 1, cut at 20 a litre: no list of cuts can be cheaper than the optimum."""
    relief = build.cells(4.0, 2.5, lambda x, y: 0.008 * ((np.abs(x - 1.5) < 0.1) & (np.abs(y - 1.3) < 0.1)))
    (hack,) = hacks(relief, build.wall(4, 2.5), options=HackOptions(cost_fill=1.0, cost_cut=20.0))
    best = least_cost(relief, cost_fill=1.0, cost_cut=20.0)
    listed = (place(relief, build.wall(4, 2.5)).volume.value - hack.saves) + 20.0 * 0.04 * 0.008
    assert_allclose(best.cost, listed, rtol=1e-9)
    assert best.cut_share == pytest.approx(0.004)


def test_never_worse_than_no_cutting(build):
    relief = build.cells(4.0, 2.4, rough, cell=0.1)
    whole = place(relief, build.wall(4, 2.4), options=PlaneOptions()).volume.value
    assert least_cost(relief, cost_fill=1.0, cost_cut=1e9).cost == pytest.approx(whole, rel=1e-9)


def test_weighted_quantile_by_hand():
    values, weight = np.array([3.0, 1.0, 2.0]), np.array([1.0, 2.0, 1.0])
    assert [weighted_quantile(values, weight, q) for q in (0.25, 0.5, 0.51, 0.75, 0.76, 1.0)] == [1, 1, 2, 2, 3, 3]


def test_costs_that_make_no_sense(build):
    relief = build.cells(1.0, 1.0, rough, cell=0.1)
    for bad in ((0.0, 1.0), (1.0, -1.0), (float("nan"), 1.0)):
        with pytest.raises(BadValue):
            least_cost(relief, cost_fill=bad[0], cost_cut=bad[1])
