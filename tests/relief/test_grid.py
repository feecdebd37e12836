import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binned_statistic_2d

from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.reliefs import Why
from flatscan.relief import grid
from flatscan.relief.unmeasured import not_measured, unmeasured
from flatscan.report.say import say

spec = importlib.util.spec_from_file_location("relief_builders", Path(__file__).with_name("conftest.py"))
builders = importlib.util.module_from_spec(spec)
spec.loader.exec_module(builders)
make_cloud, make_wall = builders.make_cloud, builders.make_wall


def flat(x, y):
    return 0 * x


def test_a_plane_comes_back_with_the_room_side_proud(still):
    relief, _ = grid(make_cloud(lambda x, y: 0.004 * x - 0.002 * y, n=600_000), make_wall(), still)
    across, upward = relief.places
    assert relief.cell == 0.010
    # a mean over the points of a cell is off its centre by chance: slope x cell / sqrt(12 n)
    assert_allclose(relief.offset, 0.004 * across - 0.002 * upward, atol=6e-5)
    assert_allclose(relief.offset.mean(), 0.003, atol=1e-6)


def test_cell_means_equal_scipys_binned_statistic(still):
    cloud, wall = make_cloud(flat, noise=0.001), make_wall()
    relief, _ = grid(cloud, wall, still, cell=0.05)
    points = np.concatenate(list(cloud.chunks()))
    mean = binned_statistic_2d(points[:, 2], points[:, 0], -points[:, 1], "mean", [20, 40], [[0, 1], [0, 2]])[0]
    # the robust mean leaves out what lies beyond three spreads, 0.3 % of a normal error
    assert_allclose(relief.offset, mean, atol=0.001 / np.sqrt(250))


# by head: points fallen at random leave 95 % of the cells with 5 or more from a mean of 9.2 on, so a cell is
# root(9.2 / density) wide, rounded up to 5 mm
@pytest.mark.parametrize(
    ("n", "cell"),
    [(400_000, 0.010), (100_000, 0.015), (60_000, 0.020), (40_000, 0.025), (18_000, 0.035), (8_000, 0.050)]
    + [(3_000, 0.080), (700, 0.165)],
)
def test_default_cell_is_the_smallest_with_five_points_in_nearly_all(still, n, cell):
    assert_allclose(np.ceil(np.sqrt(9.2 * 2.0 / n) / 0.005) * 0.005, cell)
    relief, notes = grid(make_cloud(flat, n=n, noise=0.001), make_wall(), still)
    # with few cells 5 % is a matter of chance
    assert_allclose(relief.cell, cell, atol=1e-9 if n > 5_000 else 0.0051)
    assert notes == ()


def test_default_cell_keeps_the_rule_on_points_in_rows(still):
    # by head: points every 12 mm stand 2 or 3 in a row of 30 mm, 4 to 9 in a cell; at 35 mm never fewer than 2 x 3
    x, y = np.meshgrid(np.arange(0.006, 2, 0.012), np.arange(0.006, 1, 0.012))
    points = np.stack([x.ravel(), 0 * x.ravel(), y.ravel()], axis=1)
    cloud = make_cloud(flat, n=10)
    cloud = type(cloud)(cloud.origin, points, lambda: iter([points]), len(points), np.zeros(3), np.zeros(3))
    relief, _ = grid(cloud, make_wall(), still)
    held = relief.count[:-1, :-1] >= 5
    assert held.mean() >= 0.95
    finer, _ = grid(cloud, make_wall(), still, cell=round(relief.cell - 0.005, 3))
    assert (finer.count[:-1, :-1] >= 5).mean() < 0.95


def test_cells_that_no_size_fills_are_said_and_single_points_measure(still):
    relief, notes = grid(make_cloud(flat, n=120, noise=0.001), make_wall(), still)
    assert_allclose(relief.cell, 0.2)
    assert [it.code for it in notes] == ["relief.sparse"]
    assert relief.covered_share > 0.85
    assert np.isfinite(relief.u[relief.valid]).all()


def test_u_of_single_points_is_their_scatter_about_their_neighbours(still):
    # one point in the middle of every cell of 200 mm
    x, y = np.meshgrid(np.arange(0.1, 4, 0.2), np.arange(0.1, 3, 0.2))
    z = np.random.default_rng(4).normal(0, 0.002, x.size)
    points = np.stack([x.ravel(), -z, y.ravel()], axis=1)
    cloud = make_cloud(flat, n=10)
    cloud = type(cloud)(cloud.origin, points, lambda: iter([points]), len(points), np.zeros(3), np.zeros(3))
    relief, notes = grid(cloud, make_wall(4.0, 3.0), still)
    assert_allclose(relief.cell, 0.2)
    assert relief.valid.all()
    # 300 cells: their variance is known to 8 %
    assert_allclose(np.sqrt(np.mean(relief.u**2)), 0.002, rtol=0.1)
    assert [it.code for it in notes] == ["relief.sparse", "relief.u-of-neighbours"]


def test_stated_random_u_is_the_true_scatter_of_cell_means(still):
    relief, _ = grid(make_cloud(flat, n=100_000, noise=0.003), make_wall(), still, cell=0.02)
    normalised = relief.offset / relief.u
    # 5000 cells: the standard deviation of a sample sd is 1 / sqrt(2 n) = 1 %
    assert_allclose(normalised.std(), 1.0, atol=0.05)
    assert_allclose(relief.u_point, 0.003, rtol=0.05)


def test_halves_are_independent_and_average_to_the_whole(still):
    relief, _ = grid(make_cloud(flat, n=100_000, noise=0.003), make_wall(), still, cell=0.05)
    a, b = relief.half_a.ravel(), relief.half_b.ravel()
    assert abs(np.corrcoef(a, b)[0, 1]) < 4 / np.sqrt(a.size)
    assert_allclose((a + b) / 2, relief.offset.ravel(), atol=3e-4)


def test_independent_share_widens_u(still):
    # by head: points worth a quarter of an independent return each make u twice as large
    plain, _ = grid(make_cloud(flat, noise=0.002), make_wall(), still, cell=0.05)
    fused, _ = grid(make_cloud(flat, noise=0.002, independent_share=0.25), make_wall(), still, cell=0.05)
    assert_allclose(fused.u, 2 * plain.u, rtol=1e-9)


def test_a_step_coarser_than_the_scatter_stays_whole(still):
    u_step = np.array([0.0, 0.010 / np.sqrt(12), 0.0])
    relief, _ = grid(make_cloud(flat, noise=0.0001, u_step=u_step), make_wall(), still, cell=0.05)
    assert relief.u.min() > 0.0028
    fine, _ = grid(make_cloud(flat, noise=0.008, u_step=u_step), make_wall(), still, cell=0.05)
    assert fine.u.max() < 0.0028


def test_lone_strays_do_not_move_a_cell(still):
    # 1000 strays 20 mm proud among 200 000 points: plain means of 10 mm cells would jump by 2 mm where one lies
    rng = np.random.default_rng(5)
    strays = np.stack([rng.uniform(0, 2, 1000), np.full(1000, -0.020), rng.uniform(0, 1, 1000)], axis=1)
    relief, _ = grid(make_cloud(flat, noise=0.0005, extra=strays), make_wall(), still, cell=0.010)
    assert np.nanmax(np.abs(relief.offset)) < 0.002


def test_a_sharp_step_keeps_both_levels(still):
    relief, _ = grid(
        make_cloud(lambda x, y: np.where(x > 1.003, 0.008, 0.0), n=500_000, noise=0.0005), make_wall(), still
    )
    assert np.isfinite(relief.offset).all()
    assert_allclose(relief.offset[:, 90:99].mean(), 0.0, atol=1e-4)
    assert_allclose(relief.offset[:, 102:110].mean(), 0.008, atol=1e-4)


def test_what_stands_before_the_wall_is_not_measured_and_said(still):
    rng = np.random.default_rng(3)
    n = 12_000
    box = np.stack([rng.uniform(0.9, 1.2, n), np.full(n, -0.12), rng.uniform(0.3, 0.6, n)], axis=1)

    cloud = make_cloud(flat, noise=0.0005, extra=box)
    points = np.concatenate(list(cloud.chunks()))
    hidden = (points[:, 0] > 0.9) & (points[:, 0] < 1.2) & (points[:, 2] > 0.3) & (points[:, 2] < 0.6)
    points = points[~hidden | (points[:, 1] < -0.1)]
    cloud = type(cloud)(cloud.origin, points[::2], lambda: iter([points]), len(points), np.zeros(3), np.zeros(3))
    relief, notes = grid(cloud, make_wall(), still, cell=0.02)
    # with a cell all round, where its edges may have smeared
    assert_allclose(relief.covered_share, 1 - 0.34**2 / 2.0, atol=0.004)
    (it,) = relief.standing.objects
    assert_allclose([1000 * it.x, 1000 * it.y], [1050, 450], atol=20)
    assert_allclose(it.stands_off, 0.12, atol=0.001)
    # cells of 20 mm were asked for where the points carry finer ones
    assert [said.code for said in notes] == ["relief.larger-cells", "relief.objects-removed"]


def test_openings_are_not_wall_and_areas_add_up(still):
    wall = make_wall(openings=[(0.5, 0.203, 0.61, 0.5)])
    relief, _ = grid(make_cloud(flat, n=600_000), wall, still)
    assert_allclose(relief.net_area, 2.0 - 0.61 * 0.5, rtol=1e-9)
    assert np.isnan(relief.offset[50, 80])
    # of the rim of 20 mm the cells less than half clear of it are on the wall, own what they have of it, and are lost
    lost = relief.inside & ~relief.valid
    assert (relief.why[lost] == Why.COLLAR).all()
    assert_allclose(relief.area[lost].sum(), 0.65 * 0.54 - 0.61 * 0.5, atol=2.3 * 0.005)
    # the points go on where somebody drew the opening: measured wall that was set aside
    [aside] = relief.aside
    assert_allclose(aside.area, 0.61 * 0.5, rtol=0.01)
    whole = relief.net_area + aside.area
    assert_allclose(relief.covered_share, (relief.net_area - relief.area[lost].sum()) / whole, rtol=1e-12)


def test_same_points_in_other_chunks_give_the_same_bytes(still):
    cloud, wall = make_cloud(flat, noise=0.001), make_wall()
    points = np.concatenate(list(cloud.chunks()))
    other = type(cloud)(cloud.origin, cloud.sample, lambda: iter([points]), cloud.count, cloud.shift, cloud.u_step)
    assert_allclose(grid(other, wall, still)[0].offset, grid(cloud, wall, still)[0].offset, rtol=0, atol=1e-15)


@pytest.mark.parametrize("cell", [0.0, -0.01, 0.5])
def test_a_cell_that_makes_no_sense_is_refused(still, cell):
    with pytest.raises(BadValue, match="cell"):
        grid(make_cloud(flat, n=1000), make_wall(), still, cell=cell)


def test_a_wall_without_points_is_refused(still):
    far = make_cloud(lambda x, y: 0 * x + 3.0, n=1000)
    with pytest.raises(TooFewPoints, match="no point near"):
        grid(far, make_wall(), still)


def test_strips_left_out_at_corners_are_wall_and_not_measured(still):
    # by head: 50 mm off all four edges of 2 x 1 m leaves 1.9 x 0.9 m measured of 2 m2 to be plastered
    part = np.array([[0.05, 0.05], [1.95, 0.05], [1.95, 0.95], [0.05, 0.95]])
    wall = replace(make_wall(), outline=part, full=make_wall().outline)
    relief, _ = grid(make_cloud(flat), wall, still, cell=0.05)
    assert relief.offset.shape == (20, 40)
    assert_allclose([relief.x[0], relief.y[-1]], [0.025, 0.975])
    assert_allclose(relief.area, 0.05**2)
    assert relief.inside.all()
    assert_allclose(relief.net_area, 2.0)
    assert_allclose(relief.covered_share, 1.9 * 0.9 / 2.0)
    assert (relief.why[~relief.valid] == Why.STRIP).all()


def test_points_in_a_strip_move_no_cell_beside_it(still):
    # a strip of 20 mm ends within the first cell of 50 mm, whose mean is that of the 30 mm beyond
    wall = make_wall()
    wall = replace(wall, outline=wall.outline + [[0.02, 0], [0, 0], [0, 0], [0.02, 0]], full=wall.outline)
    relief, _ = grid(make_cloud(lambda x, y: np.where(x < 0.02, 0.02, 0.0)), wall, still, cell=0.05)
    assert_allclose(relief.offset[:, 0], 0.0, atol=1e-12)
    assert_allclose(relief.covered_share, 1.0)


def test_a_skirting_and_what_lies_hidden_have_their_own_reasons(still):
    wall = make_wall()
    wall = replace(wall, outline=wall.outline + [[0, 0.15], [0, 0.15], [0, 0], [0, 0]], full=wall.outline, skirting=0.1)
    cloud = make_cloud(flat)
    points = np.concatenate(list(cloud.chunks()))
    seen = points[~((points[:, 0] > 1.0) & (points[:, 0] < 1.5) & (points[:, 2] > 0.5) & (points[:, 2] < 0.8))]
    cloud = type(cloud)(cloud.origin, seen, lambda: iter([seen]), len(seen), np.zeros(3), np.zeros(3))
    relief, _ = grid(cloud, wall, still, cell=0.05)
    shares = [relief.area[relief.why == why].sum() for why in (Why.SKIRTING, Why.STRIP, Why.NO_POINTS, Why.MEASURED)]
    assert_allclose(shares, [0.2, 0.1, 0.15, 2.0 - 0.45], rtol=1e-9)
    parts = unmeasured(relief, wall)
    assert [part.why for part in parts] == [Why.SKIRTING, Why.NO_POINTS, Why.STRIP]
    assert_allclose([parts[1].left, parts[1].bottom, parts[1].width, parts[1].height], [1.0, 0.5, 0.5, 0.3], atol=1e-9)
    said = [say(part) for part in not_measured(parts, 0.45)]
    assert said[0] == "the wall behind the skirting, 100 mm high"
    assert said[1] == "0.50 m x 0.30 m without points at x 1.00 m, y 0.50 m"
    assert said[2] == "50 mm above the skirting"


def test_very_dense_points_lose_none_in_the_second_pass(still):
    # 40 points in each 50 mm cell and more: the first pass takes a part, the counts are of all
    cloud = make_cloud(flat, n=100_000, noise=0.001)
    relief, _ = grid(cloud, make_wall(), still, cell=0.05)
    assert 0.995 * 100_000 < relief.count.sum() <= 100_000


def test_a_sparse_part_of_a_dense_scan_is_not_lost_between_the_passes(still):
    """The first pass takes every so manieth point: a corner seen from afar must not fall through."""
    dense, sparse = make_cloud(flat, n=400_000, noise=0.001), make_cloud(flat, n=400_000, noise=0.001, seed=5)
    near = np.concatenate(list(dense.chunks()))
    far = np.concatenate(list(sparse.chunks()))
    far = far[far[:, 0] > 1.0][::40]
    points = np.concatenate([near[near[:, 0] <= 1.0], far])
    cloud = replace(dense, sample=points[::5].copy(), chunks=lambda: iter([points]), count=len(points))
    relief, _ = grid(cloud, make_wall(), still, cell=0.05)
    # by head: 5,000 points in 400 cells of 50 mm are 12.5 in each, so next to none holds fewer than two
    right = relief.x > 1.0
    assert relief.valid[:, right].mean() > 0.99
    assert_allclose(relief.count[:, right].sum(), len(far), rtol=0.01)
