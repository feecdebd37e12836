"""Counting grids: the same however a cloud is cut into chunks, and the right counts by head."""

import numpy as np
from numpy.testing import assert_array_equal

from flatscan.core.geometry import Frame
from flatscan.wall.fit import Fit
from flatscan.wall.occupancy import clump, count_points, occupancy_cell, stride
from flatscan.wall.planes import Candidate

PLANE = Candidate(np.zeros(3), np.array([0.0, 0, 1]), np.arange(3), 1.0)


def fit(lean=0.0):
    frame = Frame(np.zeros(3), *np.eye(3))
    return Fit(frame, lean, np.zeros(2), np.array([2.0, 1.0]), 0.001, PLANE)


def test_layers_by_head():
    """One point each: on the wall, close, on a reveal, far behind, in front; the cell is 0.5 m."""
    points = np.array([[0.1, 0.1, 0.03], [0.1, 0.1, 0.01], [0.6, 0.1, -0.1], [0.6, 0.1, -3.0], [1.1, 0.6, 0.8]])
    (grid,) = count_points(iter([points]), [fit()], [0.5], np.array([[0.6, 0.1, 2.0]]), noise=0.001)
    counts = {name: getattr(grid, name).sum() for name in ("surface", "close", "reveal", "behind", "front", "through")}
    assert counts == {"surface": 2, "close": 1, "reveal": 1, "behind": 2, "front": 1, "through": 2}
    column, row = np.searchsorted(grid.x + 0.25, 0.1), np.searchsorted(grid.y + 0.25, 0.1)
    assert grid.surface[row, column] == 2
    assert grid.rise[row, column] == 0.02


def test_chunks_do_not_matter():
    points = np.random.default_rng(1).uniform((0, 0, -0.1), (2, 1, 0.1), (5000, 3))
    for every in (1, 3, 7):
        whole, cut = (
            count_points(iter(np.array_split(points, parts)), [fit(0.01)], [0.1], None, noise=0.002, every=every)[0]
            for parts in (1, 13)
        )
        assert_array_equal(whole.surface, cut.surface)
        assert_array_equal(whole.reveal, cut.reveal)
        total = whole.surface.sum() + whole.behind.sum() + whole.front.sum()
        assert total == whole.seen == cut.seen == -(-5000 // every)


def test_a_lean_is_taken_off():
    y = np.linspace(0.0, 0.99, 100)
    points = np.column_stack([np.ones(100), y, 0.2 * y])
    (grid,) = count_points(iter([points]), [fit(0.2)], [0.1], None, noise=0.001)
    assert grid.surface.sum() == 100


def test_cell_size_and_stride():
    assert occupancy_cell(10.0, 15_000) == np.sqrt(1.5 * 10 / 15_000)
    assert occupancy_cell(6.0, 1e9) == 0.005
    # by head: 40 m2 in a quarter of a million cells would be 12.6 mm, twice the finest is the most
    assert occupancy_cell(40.0, 1e9) == 0.010
    assert occupancy_cell(10.0, 1) == 0.5
    assert [stride(n) for n in (100, 3_000_000, 6_000_000, 100_000_000)] == [1, 1, 3, 50]


def test_clumps_by_the_empty_cells_of_a_poisson_count():
    """1.5 spots a cell on average, each of 1, 4 or 9 points that share the cells."""
    rng = np.random.default_rng(5)
    for size in (1, 4, 9):
        assert clump(size * rng.poisson(1.5 / size, (200, 200))) == size
