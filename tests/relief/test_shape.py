"""Planes, lean, belly and patches on reliefs whose shape is known."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Frame, fit_plane, fit_plane_total
from flatscan.core.model import Plumb, Wall
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError
from flatscan.relief.shape import shape_of
from flatscan.relief.stand_off import patches_of

WIDTH, HEIGHT, CELL = 4.0, 2.4, 0.02


def wall_of(width=WIDTH, height=HEIGHT):
    outline = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    return Wall(1, Frame(np.zeros(3), *np.eye(3)), outline, (), 1.0, "test", "test", Plumb(None, None))


def relief_of(surface, u=0.0002, common=None):
    x, y = (np.arange(0.01, WIDTH, CELL), np.arange(0.01, HEIGHT, CELL))
    offset = surface(*np.meshgrid(x, y))
    return grid_of(offset, CELL, u=u, count=9, common=common)


def stations_of(x, y, z):
    x, y, z = (np.array(a, float) for a in (x, y, z))
    area = np.where(np.isfinite(z), 1.0, 0.0)
    return Stations(
        x=x,
        y=y,
        offset=z,
        u=np.full(z.shape, 0.0006),
        count=np.ones(z.shape, int),
        inside=np.isfinite(z),
        area=area,
        common=CommonError(0.0),
    )


def test_five_points_of_a_published_example():
    # methods/definitions 11: inputs from an engineering forum thread (eng-tips 393584); total least squares by two
    # programs
    points = np.array([[11.5, 7, 1.1], [18.5, 6.9, 1.03], [4.5, 13, 1.02], [25.5, 30, 1.03], [11.5, 37.5, 1.02]])
    centre, normal = fit_plane_total(points)
    off = (points - centre) @ normal
    assert_allclose(np.ptp(off), 0.072097, atol=5e-7)
    assert_allclose(np.sqrt(np.mean(off**2)), 0.026139, atol=5e-7)


def test_plane_fit_equals_numpys_least_squares_at_map_coordinates():
    rng = np.random.default_rng(1)
    x, y = rng.uniform(600_000, 600_004, 50), rng.uniform(0, 3, 50)
    z, w = rng.normal(0, 1, 50), rng.uniform(0.5, 2, 50)
    design = np.stack([np.ones(50), x - 600_000, y], axis=1)
    c, *_ = np.linalg.lstsq(design * np.sqrt(w)[:, None], z * np.sqrt(w), rcond=None)
    ours, cofactor = fit_plane(x, y, z, w)
    assert_allclose(ours[1:], c[1:], rtol=1e-9)
    assert_allclose(cofactor[1:, 1:], np.linalg.inv(design.T @ (design * w[:, None]))[1:, 1:], rtol=1e-7)


def test_slope_and_its_uncertainty_equal_the_worked_example_h3_of_the_gum():
    # JCGM 100:2008, H.3 (thermometer calibration): a line is a plane that does not depend on its second place
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    x, y, z = np.tile(t - 20, 2), np.repeat([-1.0, 1.0], 11), np.tile(b, 2)
    c, cofactor = fit_plane(x, y, z)
    s2 = ((z - c[0] - c[1] * x) ** 2).sum() / 2 / (11 - 2)
    u = np.sqrt(2 * s2 * np.diag(cofactor)[:2])
    assert_allclose([c[0], u[0]], [-0.1712, 0.0029], atol=5e-5)
    assert_allclose([c[1], u[1]], [0.00218, 0.00067], atol=5e-6)


def test_lean_is_the_slope_with_the_top_toward_the_room():
    shape = shape_of(relief_of(lambda x, y: 0.005 * y - 0.003 * x), wall_of())
    assert shape.lean == pytest.approx(0.005, abs=1e-9)
    assert shape.lean_height == pytest.approx(0.012, abs=1e-9)
    assert shape.rms == pytest.approx(0, abs=1e-9)


def test_a_hump_does_not_tilt_the_wall():
    hump = lambda x, y: 0.015 * np.exp(-((x - 0.5) ** 2 + (y - 2.0) ** 2) / 0.02)  # noqa: E731
    shape = shape_of(relief_of(hump), wall_of())
    assert abs(shape.lean_height) < 1e-5


@pytest.mark.parametrize(("along", "up"), [(0.004, 0.0), (0.0, -0.006), (-0.003, 0.002)])
def test_belly_is_the_sagitta_of_the_arc(along, up):
    def bowed(x, y):
        return along * (1 - (2 * x / WIDTH - 1) ** 2) + up * (1 - (2 * y / HEIGHT - 1) ** 2) + 0.002 * y

    shape = shape_of(relief_of(bowed), wall_of())
    assert_allclose([shape.belly_along, shape.belly_up], [along, up], atol=1e-9)


def test_belly_of_a_circle_is_its_sagitta():
    # radius 100 m over 4 m: L^2 / 8R = 20 mm, the parabola agrees to its fourth-order term
    shape = shape_of(relief_of(lambda x, y: np.sqrt(100.0**2 - (x - 2) ** 2) - 100.0), wall_of())
    assert_allclose(shape.belly_along, 0.020, rtol=2e-4)


def test_belly_has_the_u_of_the_common_error_over_the_wall():
    common = CommonError(0.002)
    shape = shape_of(relief_of(lambda x, y: 0.002 * x + 0 * y, common=common), wall_of())
    # by the definition of a warp's semivariogram: its part in the middle of 4 m, and of 2.4 m
    for u, span in ((shape.u_belly_along, WIDTH), (shape.u_belly_up, HEIGHT)):
        half = np.array(span / 2)
        assert_allclose(u**2, 2 * (common.gamma(half) - common.gamma(2 * half) / 4))


def test_range_is_told_without_what_noise_adds_and_its_interval_holds_it():
    random, u, held, told, found = np.random.default_rng(8), 0.0003, 0, [], []
    wave = 0.003 * np.cos(np.arange(0.01, WIDTH, CELL) * np.pi)
    truth = np.broadcast_to(wave, (len(np.arange(0.01, HEIGHT, CELL)), len(wave)))
    for _ in range(20):
        halves = [truth + random.normal(size=truth.shape) * u * np.sqrt(2) for _ in range(2)]
        made = grid_of(sum(halves) / 2, CELL, u=u, count=9, half_a=halves[0], half_b=halves[1])
        shape = shape_of(made, wall_of())
        low, high = shape.range_between
        held += low <= 0.006 <= high
        told.append(shape.range - 0.006)
        found.append(np.ptp(made.offset) - 0.006)
    # the highest and the lowest of thousands of cells lie some 2 u beyond the truth each
    assert np.mean(found) > 3 * u
    assert abs(np.mean(told)) < 0.5 * np.mean(found)
    # 95 of 100, and three standard deviations of the count
    assert held >= 16


def test_two_rows_of_readings_cannot_show_a_belly_up():
    shape = shape_of(stations_of([0.1, 1, 2, 3.9], [0.1, 2.3], np.zeros((2, 4))), wall_of())
    assert shape.belly_up is None
    assert shape.belly_along == pytest.approx(0, abs=1e-12)


def test_readings_on_one_line_fix_no_plane():
    with pytest.raises(TooFewPoints, match="on one line"):
        shape_of(stations_of([0.1, 1, 2], [0.1], np.zeros((1, 3))), wall_of())


def test_stated_u_of_lean_is_true():
    """400 walls with random noise and a warp: the fitted slope scatters as stated."""
    rng = np.random.default_rng(4)
    common = CommonError(sd=0.001)
    x, y = np.linspace(0.1, 3.9, 10), np.linspace(0.1, 2.3, 7)
    px, py = (a.ravel() for a in np.meshgrid(x, y))
    distance = np.hypot(px[:, None] - px, py[:, None] - py)
    root = np.linalg.cholesky(common.sd**2 * np.exp(-(distance**2) / 2) + 1e-12 * np.eye(70))
    draws = root @ rng.normal(size=(70, 400)) + rng.normal(0, 0.0006, (70, 400))
    made = replace(stations_of(x, y, np.zeros((7, 10))), common=common)
    leans = [shape_of(replace(made, offset=z.reshape(7, 10)), wall_of()) for z in draws.T]
    assert_allclose(np.std([s.lean for s in leans]), leans[0].u_lean, rtol=0.1)


def test_patches_are_found_where_they_are():
    def surface(x, y):
        hump = 0.008 * ((np.abs(x - 1.0) < 0.1) & (np.abs(y - 2.0) < 0.05))
        hollow = -0.005 * ((np.abs(x - 3.0) < 0.2) & (np.abs(y - 0.5) < 0.1))
        return hump + hollow

    relief = relief_of(surface)
    patches = patches_of(relief, shape_of(relief, wall_of()))
    assert [p.kind for p in patches] == ["hump", "hollow"]
    hump, hollow = patches
    assert_allclose([hump.deviation, hollow.deviation], [0.008, -0.005], atol=1e-5)
    assert_allclose([hump.width, hump.height, hollow.width, hollow.height], [0.2, 0.1, 0.4, 0.2], atol=CELL + 1e-9)
    assert_allclose([hump.area, hollow.area], [0.02, 0.08], rtol=0.25)
    assert abs(hump.x - 1.0) <= 0.1
    assert abs(hump.y - 2.0) <= 0.05


def test_what_noise_alone_may_do_is_no_patch():
    relief = relief_of(lambda x, y: 0.0035 * (np.abs(x - 2) < 0.1), u=0.002)
    assert patches_of(relief, shape_of(relief, wall_of())) == ()


def test_patches_touching_at_a_corner_are_one():
    relief = relief_of(lambda x, y: 0 * x)
    chosen = np.zeros(relief.offset.shape, bool)
    chosen[10, 10] = chosen[11, 11] = chosen[20, 20] = True
    assert relief.connected(chosen)[1] == 2


def test_neighbouring_stations_make_one_patch_and_distant_ones_two():
    z = np.zeros((3, 5))
    z[1, 1] = z[1, 2] = z[0, 4] = 0.01
    relief = stations_of(np.arange(5), np.arange(3), z)
    labels, number = relief.connected(z > 0.005)
    assert number == 2
    assert labels[1, 1] == labels[1, 2] != labels[0, 4]
