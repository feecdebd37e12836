"""Change between two surveys: prisms and caps in closed form, the stated u by simulation, damaged input."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.compare import (
    Alignment,
    beyond_joint,
    by_outline,
    change_by,
    change_leveled,
    level,
    same_frame,
    thin_places,
    together,
    under_least,
)
from flatscan.core.errors import MixedSurveys, TooFewPoints
from flatscan.core.notes import note
from flatscan.core.warp import CommonError
from flatscan.relief import smooth
from flatscan.report.say import say

ZERO = (np.zeros(3), np.zeros(3))
NONE = (CommonError(0.0), CommonError(0.0))
BY_HAND = note("compare.by-wall", walls=(2,))
STILL = Alignment(np.eye(3), np.zeros(3), BY_HAND, 0.0)


def changed(earlier, later, alignment=STILL, commons=NONE):
    return change_by(together(earlier, later, alignment), commons, alignment)


def test_a_prism_has_its_volume(relief_of):
    # length x width x thickness: 3.0 x 2.4 x 0.012 m
    found = changed(relief_of(lambda x, y: 0 * x), relief_of(lambda x, y: 0 * x + 0.012))
    assert found.volume.value == pytest.approx(3.0 * 2.4 * 0.012)
    assert found.mean.value == pytest.approx(0.012)
    assert found.least.value == pytest.approx(0.012)
    assert found.changed_share == pytest.approx(1.0)
    assert found.removed.value == 0


def test_a_wedge_on_an_uneven_wall_has_half_its_prism(relief_of, rough):
    later = relief_of(lambda x, y: rough(x, y) + 0.006 * y)
    found = changed(relief_of(rough), later)
    # a wedge: 1/2 base x height x width
    assert found.volume.value == pytest.approx(0.5 * 2.4 * (0.006 * 2.4) * 3.0, rel=1e-9)


def test_a_patch_hacked_off_is_named_with_its_place(relief_of):
    later = relief_of(lambda x, y: np.where((x > 1) & (x < 1.4) & (y > 0.6) & (y < 0.9), -0.004, 0.010))
    found = changed(relief_of(lambda x, y: 0 * x), later)
    assert found.removed.value == pytest.approx(0.4 * 0.3 * 0.004, rel=1e-6)
    hacked = [place for place in found.places if place.kind == "removed"]
    assert len(hacked) == 1
    assert hacked[0].area == pytest.approx(0.12)
    assert any("hacked off, or the surveys do not lie right" in say(it) for it in found.notes)


def test_a_shifted_survey_is_brought_back(relief_of, rough):
    # the later survey's left edge was found 13 mm further right, so its own x are 13 mm smaller
    later = relief_of(lambda x, y: rough(x + 0.013, y) + 0.005)
    alignment = Alignment(np.eye(3), np.array([0.013, 0.0, 0.0]), BY_HAND, 0.0)
    found = changed(relief_of(rough), later, alignment)
    assert_allclose(found.change[np.isfinite(found.change)], 0.005, atol=5e-5)
    # without it the humps' flanks show as changes
    assert np.nanmax(np.abs(changed(relief_of(rough), later).change - 0.005)) > 4e-4


def test_a_turned_and_leaning_frame_is_taken_out(relief_of, wall_of):
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_euler("yx", [0.004, -0.003]).as_matrix()
    shift = np.array([0.002, -0.003, 0.01])
    # the later frame sees the plane z = 0 of the earlier one as back @ (p - shift)
    normal = turn.T @ np.array([0.0, 0.0, 1.0])
    at = turn.T @ (-shift)
    later = relief_of(lambda x, y: at[2] - (normal[0] * (x - at[0]) + normal[1] * (y - at[1])) / normal[2])
    found = changed(relief_of(lambda x, y: 0 * x), later, Alignment(turn, shift, BY_HAND, 0.0))
    assert_allclose(found.change[1:-1, 1:-1], 0, atol=1e-9)
    # a cell at the edge may lie 3 mm off the last measured one: 5 mm per m of slope is worth 15 um there
    assert_allclose(found.change, 0, atol=2e-5)


def test_swapping_the_surveys_changes_the_sign_only(relief_of, rough):
    later = relief_of(lambda x, y: rough(x, y) + 0.008 + 0.002 * x)
    there, back = changed(relief_of(rough), later), changed(later, relief_of(rough))
    assert back.volume.value == pytest.approx(-there.volume.value)
    assert back.mean.u == pytest.approx(there.mean.u)


def test_missing_cells_stay_missing_and_widen_the_doubt(relief_of):
    later = relief_of(lambda x, y: 0.01 + 0.002 * x, hide=lambda x, y: (x > 1.5) & (x < 1.62))
    found = changed(relief_of(lambda x, y: 0 * x), later)
    assert found.compared_share == pytest.approx(0.96)
    assert found.whole
    assert np.isnan(found.change[10, 78])
    whole = changed(relief_of(lambda x, y: 0 * x), relief_of(lambda x, y: 0.01 + 0.002 * x))
    assert found.mean.u > whole.mean.u
    # it may as well be bare: 4 % of a coat of 13 mm is 0.52 mm
    assert found.mean.u == pytest.approx(0.04 * np.sqrt(np.mean((0.01 + 0.002 * later.x) ** 2)), rel=0.02)
    assert abs(found.mean.value - whole.mean.value) < 2 * found.mean.u
    assert any("4.0 %" in say(it) for it in found.notes)


def test_of_half_a_wall_nothing_is_said_of_the_rest(relief_of):
    # only what was coated was surveyed again: 10 mm on 1.8 m x 2.4 m
    later = relief_of(lambda x, y: 0.01 + 0 * x, hide=lambda x, y: x > 1.8)
    found = changed(relief_of(lambda x, y: 0 * x), later)
    assert not found.whole
    assert found.mean.value == pytest.approx(0.01)
    assert found.volume.value == pytest.approx(1.8 * 2.4 * 0.01)
    assert any(it.code == "compare.part-only" for it in found.notes)


def test_a_block_has_its_size_within_a_cell_at_each_edge(relief_of):
    """A block of 0.6 m x 0.4 m in cells of 20 mm: an edge may lie a cell off, and what the tie is off beside it."""
    block = lambda x, y: 0.010 * ((x > 1) & (x < 1.6) & (y > 0.6) & (y < 1.0))  # noqa: E731
    found = changed(relief_of(lambda x, y: 0 * x), relief_of(block))
    (place,) = found.places
    assert (place.width, place.height) == pytest.approx((0.6, 0.4))
    assert 1.96 * place.u_size == pytest.approx(2 * 0.02, rel=1e-3)
    assert place.area_between == pytest.approx((0.56 * 0.36, 0.64 * 0.44 - 4 * 0.02**2))
    assert found.changed_share == pytest.approx(0.24 / 7.2)
    assert found.changed_between == pytest.approx([area / 7.2 for area in place.area_between])
    loose = changed(relief_of(lambda x, y: 0 * x), relief_of(block), dataclasses.replace(STILL, u_place=0.01))
    assert 1.96 * loose.places[0].u_size == pytest.approx(2 * (0.02 + 0.0196), rel=1e-3)
    # over the whole wall there is no edge to lie off
    every = changed(relief_of(lambda x, y: 0 * x), relief_of(lambda x, y: 0 * x + 0.012))
    assert every.changed_between == pytest.approx((1.0, 1.0))


def test_surveys_without_overlap_are_refused(relief_of):
    left = relief_of(lambda x, y: 0 * x, hide=lambda x, y: x > 1.5)
    right = relief_of(lambda x, y: 0 * x, hide=lambda x, y: x < 1.5)
    with pytest.raises(MixedSurveys, match=r"0\.0 %"):
        together(left, right, STILL)


def test_nothing_is_seen_where_nothing_changed(relief_of, rough):
    found = changed(relief_of(rough, noise=2e-4, u=2e-4, seed=1), relief_of(rough, noise=2e-4, u=2e-4, seed=2))
    # 1.96 u is a two-sided 95 % limit for a normal error
    assert found.changed_share == pytest.approx(0.05, abs=0.01)
    assert found.places == ()


def test_u_of_the_mean_adds_offsets_of_both_captures_and_of_the_tie(relief_of, wall_of):
    commons = (CommonError(0.0, u_offset=0.0004), CommonError(0.0, u_offset=0.0003))
    tie = same_frame(wall_of(), wall_of(), ZERO, u=0.001)
    found = changed(relief_of(lambda x, y: 0 * x), relief_of(lambda x, y: 0 * x + 0.01), tie, commons)
    n = 150 * 120
    expected = np.sqrt(0.0004**2 + 0.0003**2 + 0.001**2 + 2 * 1e-4**2 / n)
    assert found.mean.u == pytest.approx(expected, rel=1e-6)
    assert found.volume.u == pytest.approx(7.2 * expected, rel=1e-6)


def test_reference_strip_takes_out_set_up_and_leaves_the_coat(relief_of, rough):
    worked = lambda x, y: (x > 0.3) & (x < 2.7)  # noqa: E731
    later = relief_of(lambda x, y: rough(x, y) + 0.011 * worked(x, y) + 0.03 + 0.004 * x - 0.002 * y)
    both = together(relief_of(rough), later, STILL)
    across, upward = both.base.places
    leveled = level(both, NONE, ~worked(across, upward), u_lean=1e-4)
    assert_allclose(leveled.plane, [0.03, 0.004, -0.002], atol=1e-6)
    found = change_leveled(both, NONE, STILL, leveled)
    assert_allclose(found.change[worked(across, upward)], 0.011, atol=1e-6)
    assert leveled.undetermined == ()


def test_a_short_reference_leaves_the_lean_to_gravity_and_says_the_turn_is_open(relief_of):
    both = together(relief_of(lambda x, y: 0 * x), relief_of(lambda x, y: 0.01 + 0 * x), STILL)
    across, upward = both.base.places
    leveled = level(both, NONE, (across < 0.3) & (upward < 0.3), u_lean=2e-4)
    assert leveled.undetermined == ("turn",)
    # 2e-4 per m over the 2.25 m from the middle of the strip to the top
    assert leveled.u[-1, 0] == pytest.approx(np.hypot(2e-4 * (2.39 - 0.15), 1e-4 * np.sqrt(2)), rel=0.01)
    blind = level(both, NONE, (across < 0.3) & (upward < 0.3), u_lean=None)
    assert blind.undetermined == ("turn", "lean")


def test_reference_off_the_wall_is_refused(relief_of):
    both = together(relief_of(lambda x, y: 0 * x), relief_of(lambda x, y: 0 * x), STILL)
    with pytest.raises(TooFewPoints, match="reference"):
        level(both, NONE, np.zeros(both.first.shape, bool), u_lean=1e-4)


def test_leveling_holds_with_a_third_of_the_wall_changed(relief_of, rough):
    later = relief_of(lambda x, y: rough(x, y) + 0.01 * (x > 2.0) + 0.02 - 0.003 * x, noise=1e-4)
    both = together(relief_of(rough), later, STILL)
    leveled = level(both, NONE, np.ones(both.first.shape, bool), u_lean=1e-4)
    assert_allclose(leveled.plane, [0.02, -0.003, 0.0], atol=2e-5)


def warp(rng, x, y, sd, length):
    """A Gaussian warp by random cosines (spectral representation), sd and length as `CommonError` has them."""
    k = rng.normal(0, 1 / length, (60, 2))
    phase = rng.uniform(0, 2 * np.pi, 60)
    waves = np.cos(k[:, 0, None, None] * x + k[:, 1, None, None] * y + phase[:, None, None])
    return sd * np.sqrt(2 / 60) * waves.sum(axis=0)


def test_stated_u_of_a_leveled_change_is_its_scatter_under_random_warps(relief_of):
    sd, rng = 0.001, np.random.default_rng(11)
    commons = (CommonError(sd, 1.0), CommonError(sd, 1.0))
    errors, means = [], []
    for _ in range(100):
        surfaces = [relief_of(lambda x, y: warp(rng, x, y, sd, 1.0), cell=0.1, u=1e-5) for _ in range(2)]
        both = together(*surfaces, STILL)
        across, _ = both.base.places
        leveled = level(both, commons, (across < 0.4) | (across > 2.6), u_lean=1e-4)
        errors.append(leveled.change[12, [5, 15, 25]])
        means.append(float(leveled.change.mean()))
    assert_allclose(np.sqrt(np.mean(np.square(errors), axis=0)), leveled.u[12, [5, 15, 25]], rtol=0.2)
    assert np.sqrt(np.mean(np.square(means))) == pytest.approx(leveled.u_mean, rel=0.2)


def test_thin_places_and_the_area_surely_under_the_least(relief_of):
    later = relief_of(lambda x, y: 0.010 - 0.006 * ((x - 1) ** 2 + (y - 1) ** 2 < 0.09), u=1e-4)
    found = changed(relief_of(lambda x, y: 0 * x), later)
    thin = thin_places(found, 0.005)
    assert len(thin) == 1
    assert thin[0].value == pytest.approx(0.004)
    # a disc of radius 0.3 m: pi r^2
    area = under_least(found, 0.005)
    assert_allclose([area.value, area.low, area.high], np.pi * 0.09, rtol=0.02)
    # 4 mm read with u 0.141 mm is not surely under 4.1 mm nor surely over 3.9 mm: the margin is 1.96 u = 0.277 mm
    assert_allclose([under_least(found, 0.0041).low, under_least(found, 0.0039).value], 0.0, atol=0)
    assert_allclose(under_least(found, 0.0039).high, np.pi * 0.09, rtol=0.02)
    assert thin_places(found, 0.003) == ()


def test_without_a_tie_there_is_no_thickness(relief_of, wall_of):
    alignment = by_outline(wall_of(), wall_of())
    both = together(relief_of(lambda x, y: 0 * x), relief_of(lambda x, y: 0 * x + 0.012), alignment)
    leveled = level(both, NONE, np.ones(both.first.shape, bool), u_lean=1e-4)
    found = change_leveled(both, NONE, alignment, leveled)
    assert found.mean is None
    assert found.volume is None
    assert found.least is None
    assert "compare.untied" in [it.code for it in found.notes]


def test_two_surveys_of_one_surface_agree_at_most_surveys(relief_of, rough):
    apart = 0
    for seed in range(60):
        first = relief_of(rough, noise=3e-4, u=3e-4, seed=2 * seed, cell=0.05)
        second = relief_of(rough, noise=3e-4, u=3e-4, seed=2 * seed + 1, cell=0.05)
        found = changed(first, second)
        apart += bool(beyond_joint(found)[0].any())
    # 5 % of surveys at most: binomial(60, 0.05) stays at or under 8 with 99.6 %
    assert apart <= 8
    dented = relief_of(lambda x, y: rough(x, y) - 0.003 * ((x - 1) ** 2 + (y - 1) ** 2 < 0.03), noise=3e-4, u=3e-4)
    assert beyond_joint(changed(relief_of(rough, noise=3e-4, u=3e-4, seed=7), dented))[0].any()


# 5 % of surveys at most: binomial(20, 0.05) is at or under 4 with 99.7 %, binomial(60, 0.05) at or under 8 with 99.6 %
@pytest.mark.parametrize(("surveys", "most"), [(20, 4), pytest.param(60, 8, marks=pytest.mark.nightly)])
def test_warped_and_smoothed_surveys_of_one_surface_disagree_in_few_surveys(relief_of, surveys, most):
    rng, sd, apart = np.random.default_rng(3), 0.00067, 0
    commons = (CommonError(sd, 1.0), CommonError(sd, 1.0))
    for turn in range(surveys):
        pair = [
            smooth(
                relief_of(lambda x, y: warp(rng, x, y, sd, 1.0), cell=0.06, noise=2e-4, u=2e-4, seed=2 * turn + k), 5
            )
            for k in range(2)
        ]
        both = together(*pair, STILL)
        leveled = level(both, commons, np.ones(both.first.shape, bool), u_lean=1e-4)
        apart += bool(beyond_joint(change_leveled(both, commons, STILL, leveled))[0].any())
    assert apart <= most


def test_stations_read_again_are_matched_by_place(stations_of):
    x, y = [0.1, 1.5, 2.9], [0.1, 1.2, 2.3]
    first = stations_of(x, y, np.zeros((3, 3)))
    second = stations_of([0.1, 1.52, 2.9], y, np.full((3, 3), 0.012))
    found = changed(first, second)
    assert_allclose(found.change, 0.012)
    assert found.mean.u == pytest.approx(0.0006 * np.sqrt(2 / 9))
    far = stations_of([0.3, 1.7, 2.6], y, np.full((3, 3), 0.012))
    with pytest.raises(MixedSurveys):
        together(first, far, STILL)


def test_stations_before_and_a_scan_after(stations_of, relief_of):
    x, y = [0.1, 1.5, 2.9], [0.1, 1.2, 2.3]
    stations, scan = stations_of(x, y, np.zeros((3, 3))), relief_of(lambda x, y: 0.01 + 0.001 * x)
    there, back = changed(stations, scan), changed(scan, stations)
    assert_allclose(there.change, np.broadcast_to(0.01 + 0.001 * np.array(x), (3, 3)), atol=1e-9)
    assert_allclose(back.change, -there.change, atol=1e-9)
