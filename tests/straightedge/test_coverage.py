"""How much of a wall is under a straightedge, by area; and on which surfaces one may be called outside."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.reliefs import Why
from flatscan.straightedge import sweep
from flatscan.straightedge.bounds import surfaces

RULE = 1.8


def flat(width=3.0, height=2.4, cell=0.02):
    return np.zeros((round(height / cell), round(width / cell)))


def part(z, x0, y0, x1, y1, cell=0.02):
    """The cells of a rectangle [m]."""
    where = np.zeros(z.shape, bool)
    where[round(y0 / cell) : round(y1 / cell), round(x0 / cell) : round(x1 / cell)] = True
    return where


def why_of(z, **reasons):
    why = np.zeros(z.shape, np.int8)
    for name, where in reasons.items():
        why[where] = Why[name]
    return why


def geometry(degrees, hole, width=3.0, height=2.4, rule=RULE, bridge=0.1, count=40_000):
    """Share of points of a wall with a hole that lie on a chord piece as long as the rule or the whole chord."""
    rng = np.random.default_rng(7)
    places = rng.uniform((0, 0), (width, height), (count, 2))
    turn = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])

    def crossing(low, high):
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = np.sort([(low - places) / turn, (high - places) / turn], axis=0)
        return ends[0].max(axis=1), ends[1].min(axis=1)

    start, stop = crossing(np.zeros(2), np.array([width, height]))
    enter, leave = crossing(np.array(hole[:2]), np.array(hole[2:]))
    inside = (enter < 0) & (leave > 0)
    cut = leave - enter > bridge
    # a piece ends at the hole where the chord runs through it
    low = np.where(cut & (leave <= 0), np.maximum(start, leave), start)
    high = np.where(cut & (enter >= 0), np.minimum(stop, enter), stop)
    held = ~inside & (high - low >= np.minimum(rule, stop - start) - 1e-9)
    return float(held.mean())


@pytest.mark.parametrize("hole", [(1.25, 0.95, 1.75, 1.45), (0.0, 0.0, 0.7, 0.7)])
def test_coverage_of_each_direction_is_that_of_geometry(hole):
    z = flat()
    z[part(z, *hole)] = np.nan
    found = sweep(grid_of(z, 0.02), RULE)
    expected = [geometry(degrees, hole) for degrees in found.directions]
    assert_allclose(found.coverages, expected, atol=0.015)
    assert_allclose(found.coverage, min(found.coverages))


def test_a_hole_in_the_middle_by_head():
    # 0.5 m of 2.4 m of height has 1.25 m on either side of it, 0.5 m of 3 m of width 0.95 m over and under it
    z = flat()
    z[part(z, 1.24, 0.94, 1.74, 1.44)] = np.nan
    assert_allclose(sweep(grid_of(z, 0.02), RULE, directions=[0, 90]).coverages, [1 - 0.5 / 2.4, 1 - 0.5 / 3.0])


def test_strips_count_in_the_area_but_shorten_no_straightedge():
    # 60 mm all round of 3 x 1.8 m: the 1.8 m rule is shortened to the 1.68 m that are left up
    z = flat(height=1.8)
    rim = ~part(z, 0.06, 0.06, 2.94, 1.74)
    z[rim] = np.nan
    found = sweep(grid_of(z, 0.02, why=why_of(z, STRIP=rim)), RULE)
    assert_allclose(found.coverages, 1 - rim.mean(), atol=0.01)
    # were they hidden by something that stands there, nobody knows what the rule would rest on
    hidden = np.where(part(z, 0.3, 0.3, 2.7, 1.5), 0.0, np.nan)
    assert sweep(grid_of(hidden, 0.02), RULE, directions=[90]).coverage == 0.0


def test_what_a_skirting_hides_is_not_measured():
    z = flat()
    board = part(z, 0.0, 0.0, 3.0, 0.1)
    z[board] = np.nan
    found = sweep(grid_of(z, 0.02, why=why_of(z, SKIRTING=board)), RULE)
    # 0.1 m of 2.4 m, whichever way the straightedge lies
    assert_allclose(found.coverages, 1 - board.mean(), atol=0.003)


def test_a_pier_narrower_than_the_rule_takes_a_shorter_one_and_says_so():
    found = sweep(grid_of(flat(width=0.8), 0.02), RULE, directions=[0])
    assert_allclose(found.coverage, 1.0)
    assert found.shortened == found.positions == 120


def test_nothing_reaches_over_an_object():
    # a cable 20 mm wide: missing points are reached over, an object is not
    z = flat()
    z[:, 70:] += 0.05 * (np.arange(80) * 0.02 + 0.01)
    cable = part(z, 1.38, 0.0, 1.40, 2.4)
    z[cable] = np.nan
    hidden, seen = grid_of(z, 0.02, why=why_of(z, NO_POINTS=cable)), grid_of(z, 0.02, why=why_of(z, OBJECT=cable))
    assert sweep(hidden, RULE, directions=[0]).worst.value > 0.01
    blocked = sweep(seen, RULE, directions=[0])
    assert_allclose(blocked.worst.value, 0.0, atol=1e-9)
    # no side of it is as long as the rule
    assert blocked.coverage == 0.0


def noisy(z, seed=3, noise=1e-4, **more):
    rng = np.random.default_rng(seed)
    halves = [z + rng.normal(size=z.shape) * noise * np.sqrt(2) for _ in range(2)]
    return grid_of(sum(halves) / 2, 0.02, u=noise, half_a=halves[0], half_b=halves[1], **more)


def test_an_island_before_the_wall_shares_no_straightedge_with_it():
    # a leaf's face, 30 mm proud, with a ring of 80 mm where nothing was seen: the largest gap shown leans on it
    z = flat()
    z[part(z, 1.2, 0.9, 1.8, 1.5)] = np.nan
    z[part(z, 1.28, 0.98, 1.72, 1.42)] = 0.03
    found = sweep(noisy(z), RULE)
    assert found.worst.value > 0.01
    assert found.lower < 0.001
    joined = np.where(np.isnan(z), 0.0, z)
    assert sweep(noisy(joined), RULE).lower > 0.01


def test_a_hollow_on_one_surface_is_still_outside_beside_an_island():
    z = flat()
    z[part(z, 1.2, 0.9, 1.8, 1.5)] = np.nan
    z[part(z, 1.28, 0.98, 1.72, 1.42)] = 0.03
    across, upward = np.meshgrid(np.arange(150) * 0.02, np.arange(120) * 0.02)
    z -= 0.006 * np.exp(-((across - 1.5) ** 2 + (upward - 2.0) ** 2) / 0.02)
    assert 0.004 < sweep(noisy(z), RULE).lower < 0.006


def test_outside_needs_the_whole_length_on_measured_wall():
    # 1.4 m seen of 3 m: the step in it is a gap under a shortened rule, and no proof of one under the whole
    z = np.full((120, 150), np.nan)
    at = np.arange(70) * 0.02
    z[:, 40:110] = np.maximum(0, at - 0.7) * 0.02
    found = sweep(noisy(z), RULE, directions=[0])
    assert found.worst.value > 0.003
    assert found.lower is None
    # on a pier of that width it is all there is
    pier = sweep(noisy(z[:, 40:110]), RULE, directions=[0])
    assert pier.lower > 0.003


def test_surfaces_join_over_two_cells_and_part_over_three():
    seen = np.ones((30, 40), bool)
    seen[:, 20:22] = False
    relief = grid_of(np.zeros(seen.shape), 0.02)
    assert len(surfaces(relief, seen)) == 1
    seen[:, 22] = False
    assert [one.sum() for one in surfaces(relief, seen)] == [600, 510]
    thin = np.ones((30, 40), bool)
    thin[:, 20] = False
    assert len(surfaces(replace(relief, why=why_of(seen, OBJECT=~thin)), thin)) == 2
