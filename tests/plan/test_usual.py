"""What walls usually take, by how rough they are shown to be, and what leads a sheet whose litres are open."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

import flatscan as fs
from flatscan import report
from flatscan.core.warp import CommonError
from flatscan.plan.highest import Rise
from flatscan.plan.usual import Roughness, roughness_of
from flatscan.report.say import say

X, Y = (at.ravel() for at in np.meshgrid(np.arange(0.125, 4, 0.25), np.arange(0.125, 2.5, 0.25)))
PLACES = np.stack([X, Y], axis=1)


def covariance(sd):
    """Of a warp of 1 m about its mean over the wall."""
    whole = CommonError(sd).covariance(PLACES, PLACES)
    return whole - whole.mean(axis=0) - whole.mean(axis=1)[:, None] + whole.mean()


def drawn(sd, count, seed=3):
    root = np.linalg.cholesky(covariance(sd) + 1e-12 * np.eye(len(X)))
    return np.random.default_rng(seed).standard_normal((count, len(X))) @ root.T


def told(z, sd, draws=None):
    return roughness_of(covariance(sd), Y - Y.mean(), (z, z), np.zeros((2, len(X))) if draws is None else draws)


def test_a_spike_is_seen_in_full_but_for_the_form_and_a_lean_is_not_seen():
    """One square of 160 stands 8 mm proud: what a fit of 13 terms takes off it is its leverage (mean 13 / 160)."""
    spike = np.where(np.arange(len(X)) == 88, 0.008, 0.0)
    assert 0.008 * (1 - 3 * 13 / 160) < told(spike, 0.004).high < 0.008
    assert_allclose(told(0.004 * Y - 0.003, 0.004).high, 0.0, atol=1e-6)
    assert_allclose(told(spike + 0.01 * Y, 0.004).high, told(spike, 0.004).high, atol=2e-6)


def test_errors_alone_show_no_roughness():
    """A flat wall under a walking phone's warp, 40 times: what stands off is what errors were drawn to leave."""
    errors = drawn(0.0084, 240)
    found = [told(one, 0.0084, errors) for one in drawn(0.0084, 40, seed=9)]
    assert_allclose(np.mean([one.high for one in found]), found[0].by_error, rtol=0.15)


def test_what_is_usual_follows_the_roughness_as_far_as_errors_let_it_be_seen():
    smooth, rough = (Roughness(high, 0.0006).usual for high in (0.001, 0.010))
    assert smooth[0] < 0.0055 < 0.0125 < rough[0]
    assert_allclose(smooth[1], rough[1])
    # nothing seen: 12 to 13 mm in all, 5 of them cover (methods/trade 3), and less and less is seen in more error
    assert_allclose(Roughness().usual[0], 0.0075)
    apart = [Roughness(0.030, e).usual[0] - Roughness(0.025, e).usual[0] for e in (0.0005, 0.002, 0.008)]
    assert apart[0] > 1.5 * apart[1] > 1.5 * 1.5 * apart[2] > 0
    assert Roughness(0.010, 0.0006).usual[1] < Roughness(0.010, 0.004).usual[1] < Roughness().usual[1]


def test_a_capture_that_tells_to_a_millimetre_is_left_alone_and_one_that_does_not_is_weighed():
    def rise(sd):
        return Rise(0.002, np.zeros(400), np.random.default_rng(1).normal(size=400) * sd)

    fine, poor = (rise(sd).with_usual(0.020, Roughness(0.004, 0.0006)) for sd in (0.0003, 0.009))
    assert fine.told > 0.98
    assert_allclose(0.020 - fine.mean, 0.018, atol=3e-4)
    usual = Roughness(0.004, 0.0006).usual[0]
    assert usual < 0.020 - poor.mean < (usual + 0.018) / 2
    # an order covers more of what the capture left open than the interval shows narrowed
    assert poor.told < 0.2
    assert poor.for_order > 1.3


def test_open_litres_lead_the_sheet():
    """Stations that nobody swept between: the box, and the first line of screen, page and paper."""
    read = report.report_of(fs.survey("sample_clouds/laser_grid.csv"))
    assert say(read.cells[-1].big).startswith("quote ")
    assert "sweep" in say(read.cells[-1].small)
    assert report.summary(read).lower().startswith("quote as ")
    assert say(read.notes[0]).startswith("quote as ")


@pytest.mark.parametrize("capture_type", ["phone-walk", "scanner"])
def test_litres_that_walls_usually_take_are_quoted_as_a_range(capture_type):
    """A phone's are mostly what walls usually take, a scanner's are its own."""
    told = {said.code for said in fs.survey("sample_clouds/wall.ply", capture_type=capture_type).plan.notes}
    assert ("plan.quote-usual" in told) == (capture_type == "phone-walk")
