"""What is narrower than a cell: sums along lines by hand, heights in finer cells, walls that hide a ridge or a nib."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.relief import capture_type, choose_window, grid, smooth, with_heights
from flatscan.relief.cell_size import choose_cell
from flatscan.relief.line_sums_kernel import line_extremes
from flatscan.relief.runs import DIRECTIONS, LENGTHS, stand_out
from flatscan.standards import Tolerance
from flatscan.straightedge import sweep
from flatscan.verdict import Measured, judge

spec = importlib.util.spec_from_file_location("relief_builders_here", Path(__file__).with_name("conftest.py"))
builders = importlib.util.module_from_spec(spec)
spec.loader.exec_module(builders)
WIDTH, HEIGHT, DENSITY = 2.4, 2.0, 20_000


@pytest.mark.parametrize("step", DIRECTIONS)
@pytest.mark.parametrize("wide", [1, 2])
def test_sums_along_lines_are_those_added_one_by_one(step, wide):
    field = np.random.default_rng(1).normal(size=(19, 23))
    beside = (0, 1) if abs(step[0]) > abs(step[1]) else (1, 0)
    found = line_extremes(field, *step, *beside, wide, np.array(LENGTHS))
    for number, length in enumerate(LENGTHS):
        sums = []
        for row in range(19):
            for col in range(23):
                cells = [(row + k * step[0], col + k * step[1]) for k in range(length)]
                if not all(0 <= r < 19 and 0 <= c < 23 for r, c in cells):
                    continue
                more = [(r + beside[0], c + beside[1]) for r, c in cells] if wide == 2 else []
                sums.append(sum(field[cell] for cell in [*cells, *more] if cell[0] < 19 and cell[1] < 23))
        expected = [max(sums), min(sums), np.mean(np.abs(sums))] if sums else [-np.inf, np.inf, 0]
        assert_allclose(found[number], expected, rtol=1e-12)


def test_chance_alone_seldom_stands_out_and_a_faint_line_does():
    rng = np.random.default_rng(2)
    valid = np.ones((60, 80), bool)
    fields = rng.normal(size=(60, 60, 80))
    # one in a hundred is meant, and shapes that share cells make it fewer: 5 of 60 is beyond chance
    assert sum(stand_out(field, valid, 0.01).any() for field in fields) < 5
    faint = fields[0].copy()
    faint[30, 20:50] += 2.5
    found = stand_out(faint, valid, 0.01)
    assert found[30, 20:50].sum() > 10
    assert found[:25].sum() + found[36:].sum() == 0


def test_texture_all_over_the_wall_is_its_own():
    rng = np.random.default_rng(3)
    rough = 3 * rng.normal(size=(60, 80))
    assert not stand_out(rough, np.ones((60, 80), bool), 0.01).any()


def looked_at(surface, sd, seed, strays=0.0):
    """Decision of a made wall under 3 mm, its largest gap [m] and its relief."""
    rng = np.random.default_rng(900 + seed)
    n = int(DENSITY * WIDTH * HEIGHT)

    def with_strays(x, y):
        return surface(x, y) + np.where(rng.random(x.size) < strays, rng.uniform(-0.02, 0.02, x.size), 0.0)

    cloud = builders.make_cloud(with_strays, WIDTH, HEIGHT, n, noise=sd, seed=seed)
    relief, _ = grid(cloud, builders.make_wall(WIDTH, HEIGHT), capture_type("scanner").common_error())
    smoothed = smooth(relief, choose_window(relief, 0.003))
    gaps = sweep(with_heights(smoothed), 1.8, directions=(0.0, 45.0, 90.0, 135.0))
    entry = Tolerance.entered("flatness", 0.003, 1.8, "resting")
    return judge(entry, Measured(sweeps=(gaps,)), smoothed).criteria[0], gaps.worst.value, relief


def ridge(x, y):
    # 35 mm wide, its middle on the edge between two cells of 25 mm
    return 0.0045 * np.clip((0.0175 - np.abs(y - 1.0)) / 0.004, 0, 1) + 0 * x


def nib(x, y):
    # a dome 25 mm across where four cells meet
    return 0.006 * np.sqrt(np.clip(1 - ((x - 1.2) ** 2 + (y - 1.0) ** 2) / 0.0125**2, 0, 1))


@pytest.mark.parametrize("sd", [0.0005, 0.001, 0.002])
def test_a_ridge_on_the_edge_of_cells_is_seen_at_its_height(sd):
    found, gap, relief = looked_at(ridge, sd, 11)
    assert_allclose(relief.cell, 0.025)
    assert found.decision != "within"
    # the largest of many heights is too large by some u of the smallest boxes
    assert 0.0040 < gap < 0.0045 + 2.0 * sd + 0.0005


@pytest.mark.parametrize("sd", [0.0005, 0.001])
def test_a_nib_where_four_cells_meet_is_seen_at_its_height(sd):
    found, gap, relief = looked_at(nib, sd, 12)
    assert found.decision != "within"
    assert 0.0042 < gap < 0.0075
    row, col = np.argwhere(relief.narrow.found).mean(axis=0).round().astype(int)
    assert np.hypot(relief.x[col] - 1.2, relief.y[row] - 1.0) < 0.05
    # places to look at by hand begin with it
    assert any(np.hypot(x - 1.2, y - 1.0) < 0.1 for x, y in found.places)


@pytest.mark.parametrize("strays", [0.0, 0.003])
def test_clean_walls_stay_within(strays):
    for seed in range(3):
        found, _, relief = looked_at(lambda x, y: 0 * x, 0.001, seed, strays)
        assert found.decision == "within"
        assert relief.narrow is None


def test_joints_that_are_no_deeper_than_the_limit_are_measured_not_feared():
    found, gap, _ = looked_at(lambda x, y: -0.001 * (np.abs(y % 0.5 - 0.25) < 0.006) + 0 * x, 0.0004, 5)
    assert found.decision == "within"
    assert gap < 0.0025


def test_cells_by_counting_in_a_plain_loop():
    rng = np.random.default_rng(6)
    counts = rng.poisson(0.32, size=(400, 500))
    chosen = choose_cell(counts.astype(np.int64), 0.2)
    for block in range(2, 41):
        rows, cols = 400 // block, 500 // block
        held = counts[: rows * block, : cols * block].reshape(rows, block, cols, block).sum(axis=(1, 3)) >= 5
        if held.mean() >= 0.95:
            break
    assert_allclose(chosen.size, block * 0.005)
    assert chosen.notes == ()
