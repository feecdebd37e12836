"""Where a straightedge is laid, where it is not, and how that is counted."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.straightedge import deepest_gaps, sweep
from flatscan.straightedge.gaps import directions_of


def holed(grid_relief, missing, *, inside=None, cell=0.02, width=3.0, height=0.1):
    """A flat strip with cells missing over [start, stop) in metres."""
    relief = grid_relief(lambda x, y: 0 * x, width=width, height=height, cell=cell)
    z = relief.offset.copy()
    for start, stop in missing:
        z[:, round(start / cell) : round(stop / cell)] = np.nan
    return grid_relief(z, cell=cell, inside=inside)


def test_every_position_along_and_up(grid_relief):
    # 150 x 120 cells of 20 mm; 1.8 m holds 91 centres: 60 x 120 windows along, 30 x 150 up
    relief = grid_relief(lambda x, y: 0 * x)
    assert sweep(relief, 1.8, directions=[0]).positions == 60 * 120
    assert sweep(relief, 1.8, directions=[90]).positions == 30 * 150
    both = sweep(relief, 1.8, directions=[0, 90])
    assert (both.positions, both.shortened, both.coverage) == (60 * 120 + 30 * 150, 0, 1.0)
    assert both.skipped == {"not measured": 0, "opening or edge": 0}


@pytest.mark.parametrize(("width", "shortened"), [(1.8, 0), (1.78, 1)])
def test_a_run_as_long_as_the_rule_holds_it_and_a_shorter_one_shortens_it(grid_relief, width, shortened):
    found = sweep(grid_relief(lambda x, y: 0 * x, width=width, height=0.02), 1.8, directions=[0])
    assert (found.positions, found.shortened) == (1, shortened)


def test_shortened_straightedge_rests_on_the_run(grid_relief):
    # 1 m of a parabola under a 1.8 m rule: contacts 980 mm apart, so 0.98 / 2 squared over 2R
    relief = grid_relief(lambda x, y: (x - 0.49) ** 2 / 200, width=1.0, height=0.1)
    found = sweep(relief, 1.8, directions=[0])
    assert_allclose(found.worst.value, 0.48 * 0.5 / 200, rtol=1e-9)
    assert found.shortened == 5
    assert found.notes == (note("straightedge.shortened-along", short=5, positions=5, rule=metres(1.8)),)
    assert found.balanced is None  # no placement of the whole length


@pytest.mark.parametrize(("gap", "bridged"), [(0.10, True), (0.12, False)])
def test_up_to_100_mm_of_missing_cells_are_reached_over(grid_relief, gap, bridged):
    found = sweep(holed(grid_relief, [(1.4, 1.4 + gap)]), 1.8, directions=[0])
    rows, laid = 5, 60
    if bridged:
        # every placement is there, but what it reaches over is not measured
        assert found.positions == rows * laid
        assert_allclose(found.coverage, 1 - gap / 3.0)
    else:
        # two runs of 1.40 and 1.48 m are left, both too short for the rule
        assert (found.positions, found.shortened, found.coverage) == (rows * 2, rows * 2, 0.0)
        assert found.skipped["not measured"] == rows * laid


def test_bridged_cells_give_no_points(grid_relief):
    relief = holed(grid_relief, [(1.4, 1.5)])
    z = relief.offset.copy()
    z[:, 69], z[:, 75] = 0.004, 0.004  # the cells on both sides of the gap stand proud
    found = sweep(grid_relief(z), 1.8, directions=[0])
    assert np.isnan(found.deepest[:, 70:75]).all()
    assert found.worst.at[0] not in relief.x[70:75]


def test_opening_ends_a_profile_and_is_not_missing(grid_relief):
    inside = np.ones((5, 150), bool)
    inside[:, 100:120] = False
    z = np.zeros((5, 150))
    z[:, 99], z[:, 120], z[:, 110] = 0.01, 0.01, 0.05
    found = sweep(grid_relief(z, inside=inside), 1.8, directions=[0])
    # left of it 2.0 m: 10 windows; right of it 0.6 m: one shortened
    assert (found.positions, found.shortened, found.coverage) == (5 * 11, 5, 1.0)
    assert found.skipped == {"not measured": 0, "opening or edge": 5 * (60 - 11)}
    # nothing reaches over the opening: the gap is that of the left run, contacts at 0 and 1.8 m from its end
    assert found.worst.right[0] <= relief_x(99)
    assert np.isnan(found.deepest[:, 100:120]).all()


def relief_x(column):
    return (column + 0.5) * 0.02 + 1e-9


def test_coverage_is_that_of_the_worst_direction(grid_relief):
    relief = grid_relief(lambda x, y: 0 * x)
    z = relief.offset.copy()
    z[:, 140:] = np.nan  # 200 mm at the right edge
    found = sweep(grid_relief(z), 1.8, directions=[0, 90])
    assert_allclose(found.coverages, (140 / 150, 140 / 150))
    z[30:90, 80:] = np.nan  # 1.2 m high, and what is left beside it is too short for the rule along
    found = sweep(grid_relief(z), 1.8, directions=[0, 90])
    lost = 10 * 120 + 60 * 60
    # up, what is left over and under it is too short as well
    assert_allclose(found.coverages, (1 - (lost + 60 * 80) / 18000, 1 - (lost + 60 * 60) / 18000))
    assert_allclose(found.coverage, min(found.coverages))


def test_a_strip_missing_at_an_edge_is_not_covered_in_any_direction(grid_relief):
    relief = grid_relief(lambda x, y: 0 * x)
    z = relief.offset.copy()
    z[:, :4] = np.nan
    for direction in (0, 90):
        assert_allclose(sweep(grid_relief(z), 1.8, directions=[direction]).coverage, 146 / 150)


def test_scattered_missing_cells_cost_their_own_area_and_no_more(grid_relief):
    relief = grid_relief(lambda x, y: 0 * x)
    z = np.where(np.random.default_rng(4).random(relief.offset.shape) < 0.05, np.nan, relief.offset)
    assert_allclose(sweep(grid_relief(z), 1.8).coverages, 1 - np.isnan(z).mean(), atol=0.003)


def test_directions_are_folded_and_sorted(grid_relief):
    relief = grid_relief(lambda x, y: 0 * x, width=0.6, height=0.6)
    assert sweep(relief, 0.4, directions=[90, 0, 270, -180, 45.0]).directions == (0.0, 45.0, 90.0)
    assert sweep(relief, 0.4).directions == tuple(15.0 * n for n in range(12))


@pytest.mark.parametrize(
    "given",
    [
        {"rule": 0.0},
        {"rule": -1.0},
        {"rule": np.nan},
        {"rule": np.inf},
        {"rule": 0.03},
        {"directions": []},
        {"directions": [np.nan]},
        {"method": "floating"},
        {"k": 0.0},
    ],
)
def test_what_makes_no_sense_is_refused(grid_relief, given):
    relief = grid_relief(lambda x, y: 0 * x)
    with pytest.raises(BadValue):
        sweep(relief, **({"rule": 1.8} | given))


def test_nothing_measured(grid_relief):
    found = sweep(grid_relief(np.full((30, 40), np.nan)), 0.4)
    assert (found.worst, found.balanced, found.upper, found.lower) == (None, None, None, None)
    assert (found.coverage, found.worst_places, found.positions) == (0.0, (), 0)


def test_no_wall_inside(grid_relief):
    found = sweep(grid_relief(np.zeros((30, 40)), inside=np.zeros((30, 40), bool)), 0.4)
    assert (found.worst, found.coverage) == (None, None)


@pytest.mark.parametrize("shape", [(1, 40), (40, 1), (3, 3), (2, 2)])
def test_small_walls(grid_relief, shape):
    z = np.zeros(shape)
    z.flat[z.size // 2] = -0.002
    found = sweep(grid_relief(z, u=1e-4, sd=1e-4), 0.4)
    assert found.worst is None if min(shape) == 2 else found.worst.value == pytest.approx(0.002)
    assert found.worst is None or found.low < found.gap < found.high


def test_worst_places_are_separate_and_in_order(grid_relief):
    centres = [(0.5, 0.5), (2.5, 0.5), (0.5, 2.0), (2.5, 2.0), (1.5, 1.2), (1.5, 1.3)]

    def dimpled(x, y):
        return sum(
            -(0.004 - 0.0003 * n) * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 0.005) for n, (a, b) in enumerate(centres)
        )

    places = sweep(grid_relief(dimpled), 1.2).worst_places
    assert len(places) == 5
    assert [place.value for place in places] == sorted((place.value for place in places), reverse=True)
    assert all(
        np.hypot(one.at[0] - two.at[0], one.at[1] - two.at[1]) >= 0.59
        for one in places
        for two in places
        if one is not two
    )
    assert places[0].at == pytest.approx((0.5, 0.5), abs=0.05)


def test_contacts_carry_the_gap(grid_relief):
    z = np.random.default_rng(8).normal(size=(50, 70)) * 1e-3
    relief = grid_relief(z)
    for place in sweep(relief, 0.5, directions=[0, 90]).worst_places:
        at, left, right = (
            z[np.argmin(np.abs(relief.y - point[1])), np.argmin(np.abs(relief.x - point[0]))]
            for point in (place.at, place.left, place.right)
        )
        near, far = np.hypot(*np.subtract(place.at, place.left)), np.hypot(*np.subtract(place.right, place.at))
        assert near + far <= 0.5 + 1e-9
        assert_allclose((far * left + near * right) / (near + far) - at, place.value, atol=1e-12)


def test_area_over_a_limit_leaves_out_what_no_straightedge_reached(grid_relief):
    relief = grid_relief(np.zeros((10, 20)), cell=0.1)
    gaps = sweep(relief, 1.0)
    deepest = np.zeros((10, 20))
    deepest[2:4, 5:10], deepest[5, 5], deepest[6, :] = 0.004, 0.003, np.nan
    # ten cells of 0.01 m2; the one that is just at the limit is not over it
    assert_allclose(replace(gaps, deepest=deepest, gap=0.004).area_over(0.003, relief).value, 0.1)


def test_profile_by_itself():
    assert_allclose(deepest_gaps(np.array([0.0, -1.0, 0.0]), 0.01, 0.02), [0.0, 1.0, 0.0])
    broken = np.array([0.0, -1.0, 0.0] + [np.nan] * 11 + [0.0, -2.0, 0.0])
    assert_allclose(deepest_gaps(broken, 0.01, 1.0)[[1, 15]], [1.0, 2.0])
    assert deepest_gaps(np.empty(0), 0.01, 1.0).size == 0
    with pytest.raises(BadValue, match="three samples"):
        deepest_gaps(np.zeros(9), 0.01, 0.01)


def test_equal_offsets_see_twice_what_rests(grid_relief):
    # a resting straightedge on a wave of one rule's length reads up to twice what equal offsets do
    # (methods/tolerances 4)
    relief = grid_relief(lambda x, y: 0.003 * np.cos(2 * np.pi * (x - 0.005) / 1.0), width=4.0, height=0.1, cell=0.01)
    found = sweep(relief, 1.0, directions=[0])
    assert_allclose(found.worst.value, 0.006, rtol=1e-6)
    assert_allclose(found.equal_offset.value, 0.006, rtol=1e-3)
    half = sweep(relief, 0.5, directions=[0])
    assert half.worst.value <= 2 * half.equal_offset.value + 1e-12


@pytest.mark.parametrize("method", ["equal offsets", "balanced end gap"])
def test_bounds_speak_of_the_method(grid_relief, method):
    random = np.random.default_rng(5)
    truth = -0.006 * (np.arange(150) * 0.02 + 0.01 - 1.5) ** 2 * np.ones((120, 1))
    halves = [truth + random.normal(size=truth.shape) * 1e-4 for _ in range(2)]
    relief = grid_relief(sum(halves) / 2, u=1e-4 / np.sqrt(2), halves=halves)
    found = sweep(relief, 2.0, method=method)
    assert found.lower < 0.006 < found.judged().value < found.upper
    assert found.upper - found.lower < 8e-4
    assert found.worst.value < 6e-4
    assert found.worst_places[0].value == found.judged().value


@pytest.mark.parametrize(("wanted", "said"), [((), "none"), ((22.5, float("nan")), "22.5, nan")])
def test_directions_that_are_none_are_refused(wanted, said):
    with pytest.raises(BadValue, match=f"directions: {said}; needed: one or more angles"):
        directions_of(wanted)
