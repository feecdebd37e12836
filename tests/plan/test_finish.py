"""Finish plane and build-up: by head, closed form, linear programs solved another way, and conflicts named."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import linprog

from flatscan.core.errors import BadValue, Infeasible, TooFewPoints
from flatscan.plan.finish import FixedPoint, PlaneOptions, place
from flatscan.plan.program import Problem, governing_points, least_plane, mean_height, upper_chain
from flatscan.report.say import say


def test_flat_wall_by_head(build):
    relief = build.cells(4.0, 2.5, lambda x, y: 0.003 + 0 * x)
    done = place(relief, build.wall(4.0, 2.5))
    assert_allclose([done.least, done.mean, done.most], [0.005] * 3, rtol=1e-9)
    assert_allclose(done.volume.value, 0.050, rtol=1e-9)
    assert_allclose([done.plane.offset, done.plane.at_left_foot], [0.008] * 2, rtol=1e-9)


def test_stations_by_head(build):
    """Three stations at 0, 10, 0 mm on 3 m x 1 m: the face stands at 15 mm, so (15 + 5 + 15) L."""
    relief = build.stations([0.5, 1.5, 2.5], [0.5], [[0, 10, 0]], 3.0, 1.0)
    done = place(relief, build.wall(3.0, 1.0))
    assert_allclose(done.volume.value, 0.035, rtol=1e-9)
    assert_allclose([done.least, done.most], [0.005, 0.015], rtol=1e-9)


def test_stations_keep_their_highest_reading(build):
    """u = 0.6 mm a reading moves high, not the plane: 10 mm and the 5 mm asked for; places unread lift low to it."""
    relief = build.stations([0.5, 1.5, 2.5], [0.5], [[0, 10, 0]], 3.0, 1.0, u=0.6e-3)
    done = place(relief, build.wall(3.0, 1.0))
    assert_allclose([done.plane.offset, done.least], [0.015, 0.005], rtol=1e-12)
    assert done.low <= done.volume.value < done.high


def test_a_missing_corner_takes_the_mean_and_says_so(build):
    relief = build.cells(2.0, 2.0, lambda x, y: np.where((x > 1) & (y > 1), np.nan, 0.0), cell=0.1)
    done = place(relief, build.wall(2.0, 2.0))
    assert_allclose(done.volume.value, 4.0 * 0.005, rtol=1e-9)
    assert "25.0 % of the wall was not measured" in say(done.notes[0])
    assert done.volume.u == pytest.approx(0.0, abs=1e-12)


def wavy(x, y):
    return 0.006 * np.sin(2.1 * x + 0.4) + 0.004 * np.cos(1.7 * y) + 0.003 * x - 0.002 * y + 0.002 * np.sin(9 * x * y)


def test_turned_plane_equals_the_hull_edge_over_the_centroid(build):
    """Without a most, the least plumb plane is the upper hull's edge over the area centroid.

    See methods/finish-plane 4.
    """
    relief = build.cells(4.0, 2.4, wavy, cell=0.05)
    done = place(relief, build.wall(4.0, 2.4), options=PlaneOptions(turn_up_to=1.0, worth=0.0))
    column = relief.offset.max(axis=0)
    hull = upper_chain(relief.x, column)
    centre = 2.0
    k = int(np.searchsorted(relief.x[hull], centre)) - 1
    i, j = hull[k], hull[k + 1]
    slope = (column[j] - column[i]) / (relief.x[j] - relief.x[i])
    assert_allclose(done.plane.turn, slope, rtol=1e-6)
    assert_allclose(done.plane.offset, column[i] - slope * relief.x[i] + 0.005, rtol=1e-6)


@pytest.mark.parametrize(("turn", "lean"), [(0.0, 0.0), (0.002, 0.0), (0.0, 0.004), (0.01, 0.01)])
def test_hull_points_give_the_optimum_of_all_points(build, turn, lean):
    """The program on hull points against scipy's on every cell."""
    relief = build.cells(4.0, 2.4, wavy, cell=0.08)
    done = place(relief, build.wall(4.0, 2.4), options=PlaneOptions(turn_up_to=turn, lean_up_to=lean, worth=0.0))
    x, y = (part.ravel() for part in relief.places)
    design = np.stack([np.ones_like(x), x, y], axis=1)
    full = linprog(
        design.mean(axis=0),
        A_ub=-design,
        b_ub=-(relief.offset.ravel() + 0.005),
        bounds=[(None, None), (-turn, turn), (-lean, lean)],
    )
    assert_allclose(done.mean, (full.fun - relief.offset.mean()) / np.hypot(1, np.hypot(*full.x[1:])), rtol=1e-6)


@pytest.mark.parametrize(
    ("turn", "lean"), [(0.02, 0.0), (0.0, 0.02), (0.0, 0.002), (0.02, 0.03), (1e-9, 0.0), (0.0, 0.0)]
)
def test_height_of_the_least_plane_equals_the_program_over_all_points(turn, lean):
    rng = np.random.default_rng(11)
    for count in (1, 2, 3, 200):
        (x, y), height = rng.uniform(0, 3, (2, count)), 0.01 * rng.standard_normal(count)
        used = (0.3 * turn, -0.6 * lean)
        problem = Problem(x, y, height, None, (), (1.4, 1.1), turn_free=turn, lean_free=lean)
        limits = [(None, None), *((-free - gone, free - gone) for free, gone in zip((turn, lean), used, strict=True))]
        design = np.stack([np.ones(count), x - 1.4, y - 1.1], axis=1)
        program = linprog([1, 0, 0], A_ub=-1e3 * design, b_ub=-1e3 * height, bounds=limits)
        assert_allclose(mean_height(x, y, height, problem, used), program.fun, rtol=0, atol=1e-9)


def test_most_bounds_the_plane_from_the_room(build):
    """A wall leaning 10 mm over 1 m: 5 to 15 mm when plumb; at most 12 forces a lean of 3 mm or more per m."""
    relief = build.cells(1.0, 1.0, lambda x, y: 0.010 * y, cell=0.05)
    done = place(relief, build.wall(1.0, 1.0), options=PlaneOptions(most=0.012, lean_up_to=0.02, worth=1.0))
    assert done.most <= 0.012 + 1e-9
    assert done.least >= 0.005 - 1e-6


def test_no_turn_for_a_saving_under_two_percent(build):
    """A centred belly: any turn costs or saves nothing, so none is taken; a wall turned 3 mm per m is worth one."""
    belly = build.cells(4.0, 2.4, lambda x, y: -0.005 * (x - 2.0) ** 2, cell=0.05)
    assert place(belly, build.wall(4.0, 2.4), options=PlaneOptions(turn_up_to=0.02)).plane.turn == 0
    skew = build.cells(4.0, 2.4, lambda x, y: 0.003 * x, cell=0.05)
    done = place(skew, build.wall(4.0, 2.4), options=PlaneOptions(turn_up_to=0.02))
    assert_allclose([done.plane.turn, done.mean], [0.003, 0.005], rtol=1e-4)


def test_degenerate_optimum_stays_straight_even_when_every_saving_counts(build):
    belly = build.cells(4.0, 2.4, lambda x, y: -0.005 * (x - 2.0) ** 2, cell=0.05)
    done = place(belly, build.wall(4.0, 2.4), options=PlaneOptions(turn_up_to=0.02, lean_up_to=0.02, worth=0.0))
    assert abs(done.plane.turn) < 2e-4  # two columns share the crest; the hull edge between them is level
    assert done.plane.lean == pytest.approx(0.0, abs=1e-9)


def test_fixed_points_are_met_exactly_and_within_bands(build):
    relief = build.cells(4.0, 2.4, lambda x, y: 0 * x, cell=0.1)
    wall = build.wall(4.0, 2.4)
    exact = place(relief, wall, options=PlaneOptions(fixed=(FixedPoint(0.0, 1.0, 0.012),)))
    assert_allclose(exact.plane.at(0.0, 1.0), 0.012, rtol=1e-9)
    band = place(relief, wall, options=PlaneOptions(fixed=(FixedPoint(0.0, 1.0, 0.012, band=0.002),)))
    assert_allclose(band.plane.offset, 0.010, rtol=1e-7)
    two = (FixedPoint(0.0, 1.0, 0.008), FixedPoint(4.0, 1.0, 0.016))
    turned = place(relief, wall, options=PlaneOptions(turn_up_to=0.005, fixed=two))
    assert_allclose([turned.plane.offset, turned.plane.turn], [0.008, 0.002], rtol=1e-6)


def test_fixed_point_given_as_proud_of_the_wall_beside_it(build):
    relief = build.cells(4.0, 2.4, lambda x, y: 0.002 * x, cell=0.1)
    fixed = (FixedPoint(2.0, 1.2, 0.015, beside=True),)
    done = place(relief, build.wall(4.0, 2.4), options=PlaneOptions(fixed=fixed))
    assert_allclose(done.plane.offset, 0.004 + 0.015, atol=1.1e-4)


def test_conflicts_are_named_with_their_amount(build):
    """A 10 mm nib at x 1.05 m, a lining at 12 mm: 3 mm too little for 5 mm of cover."""
    relief = build.cells(4.0, 2.4, lambda x, y: 0.010 * (np.hypot(x - 1.05, y - 1.05) < 0.05), cell=0.1)
    wall = build.wall(4.0, 2.4)
    lining = FixedPoint(0.0, 1.0, 0.012, name="the door lining")
    with pytest.raises(Infeasible, match=r"hump 1050 mm from the left, 1050 mm up leaves 3\.0 mm too.*the door lining"):
        place(relief, wall, options=PlaneOptions(fixed=(lining,)))
    with pytest.raises(Infeasible, match=r"hump 1050 mm from the left.*puts the hollow .* 3\.0 mm over the most"):
        place(relief, wall, options=PlaneOptions(most=0.012))
    second = FixedPoint(4.0, 1.0, 0.020)
    with pytest.raises(Infeasible, match=r"fixed point 4000 mm from the left.* the door lining contradict .* 8\.0 mm"):
        place(relief, wall, options=PlaneOptions(fixed=(lining, second)))


@pytest.mark.parametrize(
    "bad",
    [
        {"least": 0.02, "most": 0.01},
        {"least": -0.001},
        {"most": -1.0},
        {"turn_up_to": float("nan")},
        {"fixed": (FixedPoint(0, 0, float("nan")),)},
        {"fixed": (FixedPoint(0, 0, 0.01, band=-1),)},
    ],
)
def test_settings_that_make_no_sense(bad):
    with pytest.raises(BadValue):
        PlaneOptions(**bad)


def test_nothing_measured(build):
    with pytest.raises(TooFewPoints):
        place(build.cells(1.0, 1.0, lambda x, y: np.nan * x, cell=0.1), build.wall(1.0, 1.0))


def test_one_station_alone(build):
    relief = build.stations([0.5], [0.5], [[4]], 1.0, 1.0)
    done = place(relief, build.wall(1.0, 1.0), options=PlaneOptions(turn_up_to=0.01, lean_up_to=0.01))
    assert_allclose([done.plane.offset, done.volume.value], [0.009, 0.005], rtol=1e-9)
    assert done.volume.u is None
    assert any("Three stations on a line" in say(note) for note in done.notes)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.booleans(), st.booleans())
def test_plane_covers_every_point_and_adding_a_plane_adds_it(seed, turn_free, lean_free):
    rng = np.random.default_rng(seed)
    x, y, z = rng.uniform(0, 4, 60), rng.uniform(0, 2.4, 60), rng.normal(0, 0.01, 60)
    free = {"turn_free": 0.05 * turn_free, "lean_free": 0.05 * lean_free}
    found = least_plane(Problem(x, y, z, None, (), (float(x.mean()), float(y.mean())), **free))
    assert np.all(found.offset + found.turn * x + found.lean * y >= z - 1e-9)
    more = least_plane(Problem(x, y, z + 0.5 + 0.1 * x, None, (), (float(x.mean()), float(y.mean())), turn=0.1, **free))
    assert_allclose(
        more.offset + more.turn * x.mean() + more.lean * y.mean(),
        found.offset + found.turn * x.mean() + found.lean * y.mean() + 0.5 + 0.1 * x.mean(),
        atol=1e-8,
    )


def test_governing_points_of_a_flat_wall_are_few():
    across, upward = np.meshgrid(np.linspace(0, 4, 81), np.linspace(0, 2, 41))
    few = governing_points(across.ravel(), upward.ravel(), np.zeros(across.size), turn_free=True, lean_free=True)
    assert 4 <= len(few) < 400


def test_same_input_same_numbers(build):
    relief = build.cells(4.0, 2.4, wavy, cell=0.05, u=0.3e-3, seed=3)
    options = PlaneOptions(turn_up_to=0.005, lean_up_to=0.005)
    first, second = (place(relief, build.wall(4.0, 2.4, u_lean=0.001), options=options) for _ in range(2))
    assert first.plane == second.plane
    assert first.volume == second.volume
