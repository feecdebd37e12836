"""Readings: three on a line, nothing between."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.warp import CommonError
from flatscan.straightedge import sweep
from flatscan.straightedge.largest import Growth
from flatscan.straightedge.station_lines import added_by_errors, collinear_triples


def slow_triples(x, y, rule):
    found = set()
    for a in range(len(x)):
        for b in range(len(x)):
            arm = np.array([x[b] - x[a], y[b] - y[a]])
            span = np.hypot(*arm)
            if a == b or span > rule + 1e-9 or (x[a], y[a]) > (x[b], y[b]):
                continue
            for c in range(len(x)):
                to = np.array([x[c] - x[a], y[c] - y[a]])
                off = abs(arm[0] * to[1] - arm[1] * to[0]) / span
                if c not in (a, b) and off < 1e-3 and 0 < to @ arm / span < span:
                    found.add((a, c, b))
    return found


@pytest.mark.parametrize("rule", [0.7, 1.3, 5.0])
def test_all_triples_on_a_line(rule):
    random = np.random.default_rng(1)
    across, upward = (grid.ravel() * 0.4 for grid in np.meshgrid(np.arange(5), np.arange(4)))
    x, y = np.append(across, random.uniform(0, 2, 4)), np.append(upward, random.uniform(0, 2, 4))
    made = collinear_triples(x, y, rule)
    assert set(zip(made.left.tolist(), made.at.tolist(), made.right.tolist(), strict=True)) == slow_triples(x, y, rule)


def test_gap_between_stations(station_relief):
    table = [[0.0, -0.004, 0.0, 0.001], [0.0, 0.0, 0.0, 0.0]]
    found = sweep(station_relief([0.1, 0.7, 1.3, 1.9], [0.2, 1.2], table, u=6e-4), 1.2)
    assert_allclose(found.worst.value, 0.004)
    assert (found.worst.left, found.worst.at, found.worst.right) == ((0.1, 0.2), (0.7, 0.2), (1.3, 0.2))
    assert_allclose(found.worst.u, np.sqrt(1.5) * 6e-4)
    assert not found.known_between
    assert found.coverage is None


def test_uneven_stations_weigh_by_distance(station_relief):
    found = sweep(station_relief([0.0, 0.3, 1.2], [0.5], [[0.004, 0.0, 0.0]]), 1.2)
    assert_allclose(found.worst.value, 0.004 * 0.9 / 1.2)


def test_a_plane_is_no_gap_and_adding_one_changes_nothing(station_relief):
    x, y = np.arange(6) * 0.5, np.arange(5) * 0.5
    tilt = 0.02 * x + 0.01 * y[:, None]
    z = np.random.default_rng(2).normal(size=(5, 6)) * 1e-3
    assert sweep(station_relief(x, y, tilt), 1.8).worst.value == pytest.approx(0.0, abs=1e-15)
    plain, tilted = (sweep(station_relief(x, y, field), 1.8) for field in (z, z + tilt))
    assert_allclose(tilted.worst.value, plain.worst.value, atol=1e-15)
    assert_allclose(tilted.deepest, plain.deepest, atol=1e-15)


def test_missing_station_is_not_filled(station_relief):
    table = np.zeros((1, 3))
    table[0, 1] = np.nan
    found = sweep(station_relief([0.0, 0.6, 1.2], [0.5], table), 1.8)
    assert found.worst is None
    assert found.notes[0].code == "straightedge.no-three-on-a-line"


def test_only_lines_within_the_rule_and_direction(station_relief):
    relief = station_relief([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], np.random.default_rng(3).normal(size=(3, 3)))
    assert sweep(relief, 1.9).worst is None
    assert sweep(relief, 2.0).directions == (0.0, 90.0)
    assert sweep(relief, 2.9).directions == (0.0, 45.0, 90.0, 135.0)
    assert sweep(relief, 2.9, directions=[45]).directions == (45.0,)


def test_balanced_and_equal_offsets_need_a_whole_rule(station_relief):
    relief = station_relief([0.0, 0.9, 1.8], [0.5], [[0.0, 0.003, 0.0]])
    assert sweep(relief, 1.8).balanced.value == pytest.approx(0.003)
    assert sweep(relief, 1.8, method="equal offsets").judged().value == pytest.approx(0.003)
    assert sweep(relief, 2.0).balanced is None


def test_errors_add_nothing_to_one_place_and_the_bias_of_the_largest_to_many():
    x, none = np.array([0.0, 0.5, 1.0]), CommonError(0.0)
    made = collinear_triples(x, np.zeros(3), 2.0)
    assert added_by_errors(made, x, np.zeros(3), np.zeros(3), np.full(3, 1e-3), none) == Growth()
    # of two independent gaps of one u the larger is u / root(pi) too large on the average; from twice to four times
    # the variance it grows by as much again (order statistics of two normal values)
    x = np.array([0.0, 0.5, 1.0, 5.0, 5.5, 6.0])
    made = collinear_triples(x, np.zeros(6), 1.2)
    grown = added_by_errors(made, x, np.zeros(6), np.zeros(6), np.full(6, 1e-3), none, draws=40_000)
    u = np.sqrt(1.5) * 1e-3
    assert_allclose([grown.doubled, grown.fourfold], np.array([1.0, np.sqrt(3)]) * u / np.sqrt(np.pi), rtol=0.03)


def test_lower_bound_passes_the_truth_in_one_of_twenty(station_relief):
    random = np.random.default_rng(6)
    x, y = np.arange(6) * 0.5, np.arange(4) * 0.5
    truth = np.zeros((4, 6))
    truth[1, 2] = -0.004
    over = sum(
        sweep(station_relief(x, y, truth + random.normal(size=truth.shape) * 6e-4), 1.8).lower > 0.004
        for _ in range(200)
    )
    assert over <= 19  # 5 % and three standard deviations of the count


def test_interval_of_one_gap_is_that_of_its_u(station_relief):
    table = [[0.0, -0.004, 0.0]]
    found = sweep(station_relief([0.0, 0.5, 1.0], [0.0], table, u=1e-3, sd=1e-3), 1.8)
    u = np.hypot(np.sqrt(1.5) * 1e-3, CommonError(1e-3).u_gap(0.5, 0.5))
    assert_allclose([found.low, found.gap, found.high], 0.004 + np.array([-1.96, 0.0, 1.96]) * u, rtol=1e-4)
