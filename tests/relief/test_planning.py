"""Plans of readings: never worse than a regular grid, what they promise is what a tie then states."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.warp import CommonError
from flatscan.relief.everywhere import gaps_in_box
from flatscan.relief.planning import ReadingPlan, open_warps, plan_readings
from flatscan.relief.tied import posterior
from flatscan.relief.warps import one_warp

WIDE, HIGH, CELL = 4.0, 2.4, 0.1
STILL = CommonError(0.0)


def scan(warp, valid=None):
    x, y = ((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDE, HIGH))
    zero = np.zeros((len(y), len(x)))
    offset = zero if valid is None else np.where(valid(*np.meshgrid(x, y)), 0.0, np.nan)
    return grid_of(offset, CELL, count=0, common=warp)


def worst_of(places, warp, u=0.7e-3):
    box = np.array([CELL / 2, CELL / 2, WIDE - CELL / 2, HIGH - CELL / 2])
    left = posterior(places, u**2 * np.eye(len(places)), warp, np.array([10.0, 0.1, 0.1]), box)
    return left.u_gap_at(*gaps_in_box(box, 2.0)).max()


def regular(nx, ny):
    across, upward = np.meshgrid(np.linspace(0.1, WIDE - 0.1, nx), np.linspace(0.1, HIGH - 0.1, ny))
    return np.column_stack([across.ravel(), upward.ravel()])


@pytest.fixture(scope="module")
def plans():
    warp = CommonError(0.008, 2.0)
    known = {"rule": 2.0, "reading_u": 0.7e-3, "laser": STILL, "warps": one_warp(warp)}
    return plan_readings(scan(warp), counts=(0, 6, 12), **known)


def test_well_chosen_places_beat_the_regular_grid(plans):
    warp = CommonError(0.008, 2.0)
    assert worst_of(plans[1].places, warp) < 0.9 * worst_of(regular(3, 2), warp)
    assert worst_of(plans[2].places, warp) < worst_of(regular(4, 3), warp)


def test_promise_is_what_the_readings_will_leave(plans):
    for plan in plans[1:]:
        # the search looks at gaps between the places of a lattice, and adds a little for those between
        assert 0.99 <= plan.u_worst / worst_of(plan.places, CommonError(0.008, 2.0)) <= 1.1


def test_no_reading_leaves_the_warp_itself(plans):
    # methods/uncertainty 6: the middle of a 2 m gap of a Gaussian warp
    assert plans[0].u_worst == pytest.approx(float(CommonError(0.008, 2.0).u_gap(1.0, 1.0)), rel=0.05)


def test_places_stand_on_the_wall_off_its_edges_and_apart(plans):
    for plan in plans[1:]:
        x, y = plan.places.T
        assert x.min() >= 0.05
        assert x.max() <= WIDE - 0.05
        assert y.min() >= 0.05
        assert y.max() <= HIGH - 0.05
        assert len(np.unique(plan.places, axis=0)) == len(plan.places)


def test_a_limit_is_decided_at_an_eighth():
    plan = ReadingPlan(np.empty((0, 2)), 0.5e-3, 0.2e-3)
    assert plan.least_limit == pytest.approx(4e-3)
    assert [plan.decides(limit) for limit in (5e-3, 3e-3, 1e-3)] == ["yes", "partly", "no"]


def test_readings_done_count():
    warp = CommonError(0.008, 2.0)
    alone, after = (
        plan_readings(
            scan(warp), rule=2.0, reading_u=0.7e-3, laser=STILL, counts=(4,), done=done, warps=one_warp(warp)
        )[0]
        for done in (None, regular(3, 2))
    )
    assert after.u_worst < alone.u_worst
    assert 0.99 <= after.u_worst / worst_of(np.vstack([regular(3, 2), after.places]), warp) <= 1.1


def test_plans_are_made_for_every_warp_that_is_left_open():
    # on a scan with room for all of them, what no reading can see of the short ones stays
    warp = CommonError(0.008, 2.0)
    x, y = ((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDE, HIGH))
    rough = np.random.default_rng(4).normal(0, 0.02, (len(y), len(x)))
    bumpy = grid_of(rough, CELL, count=0, common=warp)
    known = {"rule": 2.0, "reading_u": 0.7e-3, "laser": STILL}
    (before, after) = plan_readings(bumpy, counts=(0, 3), **known)
    assert open_warps(bumpy).chord() == pytest.approx(float(warp.u_gap(1.0, 1.0)), rel=1e-6)
    assert before.u_worst > after.u_worst > 0.5 * open_warps(bumpy).chord()


def test_nothing_is_planned_where_nothing_was_measured():
    plan = plan_readings(
        scan(CommonError(0.008, 2.0), valid=lambda x, y: x < 2.0), rule=2.0, reading_u=0.7e-3, laser=STILL, counts=(4,)
    )[0]
    assert plan.places[:, 0].max() < 2.0


def test_the_same_plan_comes_out_twice():
    made = [
        plan_readings(scan(CommonError(0.005, 1.5)), rule=1.8, reading_u=0.6e-3, laser=STILL, counts=(3,))[0].places
        for _ in range(2)
    ]
    assert_allclose(made[0], made[1], rtol=0, atol=0)


@pytest.mark.parametrize(("counts", "u"), [((-1,), 0.6e-3), ((1000,), 0.6e-3), ((6,), 0.0), ((6,), 1.0)])
def test_counts_and_errors_that_make_no_sense_are_refused(counts, u):
    with pytest.raises(BadValue):
        plan_readings(scan(CommonError(0.005, 1.5)), rule=2.0, reading_u=u, laser=STILL, counts=counts)


def test_a_wall_without_measured_cells_is_refused():
    with pytest.raises(TooFewPoints):
        plan_readings(
            scan(CommonError(0.005), valid=lambda x, y: x < -1), rule=2.0, reading_u=6e-4, laser=STILL, counts=(6,)
        )
