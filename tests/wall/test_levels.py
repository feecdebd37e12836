"""A wall on two levels is two parts with a step between them; a rough wall on one level is not parted."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.wall import find_walls
from flatscan.wall.steps import profiles, step_lines

PATH = Path(__file__).parents[2] / "scripts" / "prove_levels.py"
EYE = np.array([2.0, -2.0, 1.4])


@pytest.fixture(scope="module")
def prove():
    spec = importlib.util.spec_from_file_location("prove_levels", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    module.POINTS = 40_000
    return module


def sheet(shape, points=40_000, noise=0.001, seed=1):
    """Points (n, 3) on a wall 4 m x 2.5 m in the file's x-z plane, the room on its -y side; ``shape`` of x, y [m]."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 4.0, points), rng.uniform(0, 2.5, points)
    return np.column_stack([x, -shape(x, y) + rng.normal(0, noise, points), y])


def room_of(as_cloud, shape, **how):
    return find_walls(as_cloud(sheet(shape, **how)), up="z", seen_from=EYE)


def test_both_levels_of_a_room_are_right_within_their_u(prove):
    seen = prove.look(900)
    assert seen.found
    # one of a hundred passes 2.6 u
    assert max(map(abs, (*seen.leans, seen.step))) < 2.6
    assert abs(seen.step_error_mm) < 1.0


@pytest.mark.parametrize("seed", [900, 901, 902, 903])
def test_rough_walls_on_one_level_stay_whole(prove, seed):
    """A belly with humps; a step between boards; a proud course; doors, windows, skirting and furniture."""
    assert not prove.parted(seed)


def test_the_band_above_stands_back(as_cloud):
    """Below 1.85 m a lean of 3 mm/m, above it a plumb band 12 mm further back: not one lean of neither."""
    room = room_of(as_cloud, lambda x, y: np.where(y < 1.85, 0.003 * y, 0.003 * 1.85 - 0.012))
    assert [wall.name for wall in room.walls] == ["1a", "1b"]
    lower, upper = room.walls
    assert_allclose([lower.height, upper.height, lower.width, upper.width], [1.85, 0.65, 4.0, 4.0], atol=0.012)
    (step,) = lower.steps
    assert (step.start, step.to, step.upright) == ("a", "b", False)
    assert_allclose(step.size, -0.012, atol=3e-4)
    assert 0 < step.u < 3e-4
    assert_allclose([step.bottom, step.top], 1.85, atol=0.012)
    # the same line lies at the foot of the upper part
    assert_allclose(upper.steps[0].bottom, 0.0, atol=0.012)
    assert_allclose([(part.bottom, part.area) for part in lower.parts], [(0, 7.4), (1.85, 2.6)], atol=0.06)
    # no cell within 50 mm of the line is measured
    assert_allclose(lower.outline[:, 1].max(), 1.80, atol=0.012)
    assert_allclose(upper.outline[:, 1].min(), 0.05, atol=0.012)


def test_a_breast_has_three_parts_the_largest_first(as_cloud):
    room = room_of(as_cloud, lambda x, y: np.where((x > 1.0) & (x < 2.2), 0.080, 0.0))
    assert [wall.name for wall in room.walls] == ["1a", "1b", "1c"]
    assert_allclose([wall.width for wall in room.walls], [1.8, 1.0, 1.2], atol=0.02)
    assert_allclose([step.size for step in room.walls[0].steps], [0.080, -0.080], atol=1e-3)
    assert [(step.start, step.to) for step in room.walls[0].steps] == [("b", "c"), ("c", "a")]


@pytest.mark.parametrize(
    "shape",
    [
        pytest.param(lambda x, y: 0.020 * (1 - (2 * y / 2.5 - 1) ** 2), id="belly"),
        pytest.param(lambda x, y: np.where(y > 1.2, 0.005, 0.0), id="boards"),
        pytest.param(lambda x, y: np.where((y > 1.0) & (y < 1.225), 0.015, 0.0), id="course"),
        pytest.param(lambda x, y: 0.010 * np.exp(-(((y - 1.3) / 0.05) ** 2)), id="ridge"),
        pytest.param(lambda x, y: 0.008 * np.sin(2 * np.pi * y / 0.8), id="wave"),
        pytest.param(lambda x, y: 0.006 * np.abs(y - 1.0), id="crease"),
        pytest.param(lambda x, y: np.where((y > 1.0) & (x < 2.0), 0.030, 0.0), id="half-a-band"),
    ],
)
def test_what_is_no_level(as_cloud, shape):
    assert not any(wall.parts for wall in room_of(as_cloud, shape).walls)


def test_a_door_leaf_is_no_level_and_a_plinth_with_a_door_is_one(as_cloud):
    def leaf(x, y):
        return np.where((x > 0.6) & (x < 1.5) & (y < 2.05), -0.035, 0.0)

    def plinth(x, y):
        in_door = (x > 0.6) & (x < 1.5) & (y < 2.05)
        return np.where(in_door, -0.080, np.where(y < 0.8, 0.030, 0.0))

    assert not any(wall.parts for wall in room_of(as_cloud, leaf).walls)
    parts = [wall for wall in room_of(as_cloud, plinth).walls if wall.parts]
    assert [wall.part for wall in parts] == ["a", "b"]
    assert_allclose(abs(parts[0].steps[0].size), 0.030, atol=1e-3)


def test_the_line_is_where_the_points_go_over():
    """By hand: heights 0 below 1.0 m and 20 mm above it, no noise."""
    x, y = (values.ravel() for values in np.meshgrid(np.arange(0.01, 3, 0.02), np.arange(0.005, 2, 0.01)))
    place = np.column_stack([x, y, np.where(y > 1.0, 0.020, 0.0)])
    known = profiles(place, 1, np.zeros(2), np.array([3.0, 2.0]))
    assert known is not None
    (line,) = step_lines(known)
    assert_allclose([line.place, line.size, line.u], [1.0, 0.020, 0.0], atol=1e-6)


def test_too_few_points_for_a_profile_are_no_line():
    place = np.random.default_rng(1).uniform(0, 1, (40, 3))
    assert profiles(place, 1, np.zeros(2), np.array([3.0, 2.0])) is None
