"""How far the volume may be off, by hand and by simulation: each cause alone, and stations on rough walls."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad, trapezoid
from scipy.stats import norm

from flatscan.core.warp import CommonError
from flatscan.plan.between import excess_curve, roughness
from flatscan.plan.finish import FixedPoint, PlaneOptions, place
from flatscan.plan.highest import Rise, errors_of
from flatscan.plan.volume import volume_doubt
from flatscan.report.say import say


def nib(x, y):
    """A nib that sets the plane at x 1.0, y 2.2 m."""
    return 0.02 * (np.hypot(x - 1.05, y - 2.25) < 0.06)


def mean_of_largest(count):
    """Mean of the largest of so many standard normal values."""
    return quad(lambda t: t * count * norm.pdf(t) * norm.cdf(t) ** (count - 1), -10, 10, limit=200)[0]


def test_the_plane_rests_on_the_wall_and_not_on_its_noise(build):
    """A flat wall of 960 cells, each 0.5 mm uncertain: the largest lies 1.62 mm over it on the average (closed form).

    Taken out, the coat is the 5 mm asked for, 48 litres, and a little over, as no wall takes less than the cover;
    without, it would be 63.
    """
    rng = np.random.default_rng(3)
    flat = build.cells(4.0, 2.4, lambda x, y: 0 * x, cell=0.1, u=0.0005)
    made, taken = [], []
    for _ in range(12):
        halves = [rng.normal(0, 0.0005 * np.sqrt(2), flat.offset.shape) for _ in range(2)]
        noisy = replace(flat, offset=sum(halves) / 2, half_a=halves[0], half_b=halves[1])
        done = place(noisy, build.wall(4.0, 2.4))
        made.append(done.volume.value)
        taken.append(done.lowered)
        assert_allclose(done.least, 0.005, rtol=1e-12)
        assert_allclose(done.mean * 9.6, done.volume.value, rtol=1e-12)
        assert done.low <= done.volume.value <= done.order + 1e-12 <= done.high + 1e-12
    # never more, and not quite all: some of the noise passes for broad form, and no wall is this flat
    assert 0.7 < np.mean(taken) / (0.0005 * mean_of_largest(960)) < 1.0
    assert_allclose(np.mean(made), 0.048, rtol=0.1)


def test_nothing_is_taken_out_where_one_nib_decides(build):
    """A nib 20 mm proud of everything else is one value: its error is as often hollow as proud."""
    relief = build.cells(4.0, 2.4, nib, cell=0.1, u=0.0005, seed=5)
    one = replace(relief, offset=np.where(relief.offset > 0.01, 0.02, relief.offset))
    done = place(one, build.wall(4.0, 2.4))
    # four cells of it are as high, and the largest of four normal errors is 1.03 u
    cells = int((one.offset > 0.01).sum())
    assert done.lowered == pytest.approx(0.0005 * mean_of_largest(cells), abs=0.0001)


def test_plumb_by_hand(build):
    """The nib governs 2.25 - 1.2 m over the centroid: 9.6 m2 x 1.05 m x 1 mm per m = 10.08 L (k = 1)."""
    relief = build.cells(4.0, 2.4, nib, cell=0.1)
    done = place(relief, build.wall(4.0, 2.4, u_lean=0.001))
    assert done.volume.u == pytest.approx(9.6e-3 * 1.05, rel=0.12)
    assert done.high - done.volume.value == pytest.approx(1.96 * 9.6e-3 * 1.05, rel=0.15)
    assert done.order - done.volume.value == pytest.approx(1.282 * 9.6e-3 * 1.05, rel=0.2)


def test_plumb_does_not_matter_where_the_plane_may_follow(build):
    relief = build.cells(4.0, 2.4, lambda x, y: 0.005 * y, cell=0.1)
    free = place(relief, build.wall(4.0, 2.4, u_lean=0.001), options=PlaneOptions(lean_up_to=0.01))
    assert_allclose([free.volume.u, free.low, free.high], [0, 0.048, 0.048], atol=1.2e-3)


def test_plumb_unknown_makes_the_volumes_doubt_unknown(build):
    relief = build.cells(4.0, 2.4, nib, cell=0.1)
    done = place(relief, build.wall(4.0, 2.4, u_lean=None))
    assert (done.volume.u, done.low, done.high, done.order) == (None,) * 4
    assert done.ordered == done.volume.value
    assert "nobody said how well plumb is known" in say(done.notes[-1])


def test_scale_by_scaling_the_wall(build):
    """A scan 1 % too large: areas and depths scale, the least cover does not."""
    sizes = {}
    for factor in (1.0, 1.01):
        relief = build.cells(4.0, 2.4, lambda x, y: -0.004 * x, cell=0.1)
        grown = replace(
            relief,
            x=relief.x * factor,
            y=relief.y * factor,
            offset=relief.offset * factor,
            area=relief.area * factor**2,
            common=CommonError(0.0, scale=0.01),
        )
        sizes[factor] = place(grown, build.wall(4.0, 2.4))
    change = sizes[1.01].volume.value - sizes[1.0].volume.value
    assert sizes[1.0].high - sizes[1.0].volume.value == pytest.approx(1.96 * change, rel=0.1)


def test_a_shift_of_the_whole_capture_moves_the_volume_only_where_a_fixed_point_holds_the_plane(build):
    relief = build.cells(4.0, 2.4, nib, cell=0.1, common=CommonError(0.0, u_offset=0.002))
    assert place(relief, build.wall(4.0, 2.4)).volume.u == 0
    held = place(relief, build.wall(4.0, 2.4), options=PlaneOptions(fixed=(FixedPoint(0.0, 0.0, 0.040),)))
    assert held.volume.u == pytest.approx(9.6 * 0.002, rel=0.1)


def test_noise_by_simulation(build):
    """0.5 mm in each of 960 cells: the nib's own reading decides, the rest averages out."""
    clean = build.cells(
        4.0, 2.4, lambda x, y: 0.02 * ((np.abs(x - 1.05) < 0.01) & (np.abs(y - 2.25) < 0.01)), cell=0.1, u=0.0005
    )
    rng = np.random.default_rng(4)
    surveys = [
        place(replace(clean, offset=clean.offset + rng.normal(0, 0.0005, clean.offset.shape)), build.wall(4, 2.4))
        for _ in range(120)
    ]
    volumes = np.array([one.volume.value for one in surveys])
    assert np.std(volumes) == pytest.approx(np.mean([one.volume.u for one in surveys]), rel=0.15)
    truth = 9.6 * 0.025 - 0.0002
    assert volumes.mean() == pytest.approx(truth, rel=0.005)
    assert np.mean([one.low <= truth <= one.high for one in surveys]) >= 0.89


@pytest.mark.parametrize("walls", [24, pytest.param(60, marks=pytest.mark.nightly)])
def test_warp_by_simulation(build, walls):
    """Gaussian warp of 2 mm with length 1 m: the true volume lies between low and high as often as is said."""
    common = CommonError(0.002, length=1.0)
    relief = build.cells(4.0, 2.4, lambda x, y: 0.02 * (np.hypot(x - 1.1, y - 2.1) < 0.06), cell=0.2, common=common)
    across, upward = (part.ravel() for part in relief.places)
    apart = (across[:, None] - across) ** 2 + (upward[:, None] - upward) ** 2
    root = np.linalg.cholesky(0.002**2 * np.exp(-apart / 2) + 1e-14 * np.eye(len(across)))
    rng = np.random.default_rng(5)
    surveys = [
        place(
            replace(relief, offset=relief.offset + (root @ rng.normal(size=len(across))).reshape(relief.offset.shape)),
            build.wall(4, 2.4),
        )
        for _ in range(walls)
    ]
    truth = 9.6 * (relief.offset.max() + 0.005 - relief.offset.mean())
    assert np.mean([one.volume.value for one in surveys]) == pytest.approx(truth, rel=0.03 * (60 / walls) ** 0.5)
    assert np.mean([one.low <= truth <= one.high for one in surveys]) >= 0.87


def test_the_same_errors_every_time(build):
    relief, wall = build.cells(4.0, 2.4, nib, cell=0.1, u=0.0005, seed=1), build.wall(4.0, 2.4, u_lean=0.001)
    first, second = errors_of(relief, wall), errors_of(relief, wall)
    assert_allclose(first.shared, second.shared, rtol=0, atol=0)
    assert place(relief, wall).high == place(relief, wall, errors=first).high


@pytest.mark.parametrize("walls", [80, pytest.param(200, marks=pytest.mark.nightly)])
@pytest.mark.parametrize("smooth", [False, True])
def test_stations_on_rough_walls_by_simulation(build, smooth, walls):
    """4 x 2.4 m at 0.8 m pitch, walls of 5 mm with length 0.6 m, rough or smooth: the true volume, whose plane
    stands on the highest of all places, lies between low and high at least 9 times in 10."""
    x, y = np.arange(0.05, 4.0, 0.1), np.arange(0.05, 2.4, 0.1)
    across, upward = (part.ravel() for part in np.meshgrid(x, y))
    apart = np.hypot(across[:, None] - across, upward[:, None] - upward)
    shared = np.exp(-(apart**2) / (2 * 0.36)) if smooth else np.exp(-apart / 0.6)
    root = np.linalg.cholesky(0.005**2 * shared + 1e-14 * np.eye(len(across)))
    rng, hits, enough = np.random.default_rng(6), 0, 0
    columns, rows = np.arange(3, 40, 8), np.arange(3, 24, 8)
    for _ in range(walls):
        z = (root @ rng.normal(size=len(across))).reshape(24, 40)
        read = place(
            build.stations(x[columns], y[rows], z[np.ix_(rows, columns)] * 1e3, 4.0, 2.4), build.wall(4.0, 2.4)
        )
        truth = 9.6 * (z.max() + 0.005 - z.mean())
        hits += read.low <= truth <= read.high
        enough += truth <= read.order
    assert hits >= 0.9 * walls
    assert enough >= 0.85 * walls


def test_a_hump_that_no_station_met_is_in_the_interval(build):
    """35 readings of a flat wall of 6 m2 say 30 litres; a hump 7 mm proud between them, as brickwork has, makes 72."""
    x, y = np.linspace(0.1, 2.3, 7), np.linspace(0.1, 2.4, 5)
    relief = build.stations(x, y, np.zeros((5, 7)), 2.4, 2.5, u=0.0006)
    done = place(relief, build.wall(2.4, 2.5))
    assert_allclose(done.volume.value, 0.030, rtol=1e-9)
    assert done.high > 0.072
    assert say(done.notes[0]).startswith("quote as 30 to ")


def test_swept_highs_leave_nothing_prouder_between(build):
    x, y = np.linspace(0.1, 2.3, 7), np.linspace(0.1, 2.4, 5)
    relief = build.stations(x, y, np.zeros((5, 7)), 2.4, 2.5, u=0.0006)
    swept = place(replace(relief, highs=2), build.wall(2.4, 2.5))
    assert swept.high < 0.040
    assert "2 high spots" in say(swept.notes[0])


def test_what_stations_show_counts_more_the_more_there_are(build):
    """Readings every 300 mm that meet no hump make unseen ones less likely than readings every 800 mm."""
    high = []
    for across, up in ((5, 3), (13, 8)):
        x, y = np.linspace(0.1, 3.9, across), np.linspace(0.1, 2.3, up)
        relief = build.stations(x, y, np.zeros((up, across)), 4.0, 2.4, u=0.0006)
        high.append(place(relief, build.wall(4.0, 2.4)).high)
    assert high[1] < high[0]


def test_the_background_says_what_to_expect(build):
    x, y = np.linspace(0.1, 3.9, 7), np.linspace(0.1, 2.3, 4)
    relief, wall = build.stations(x, y, np.zeros((4, 7)), 4.0, 2.4, u=0.0006), build.wall(4.0, 2.4)
    board, brick, stone = (
        place(relief, wall, options=PlaneOptions(background=what)).high for what in ("board", "brick", "stone")
    )
    assert board < brick < stone


def test_even_stations_are_sooner_those_of_a_board_than_of_stone(build):
    """Where nobody said what the wall is of, it is taken for several backgrounds, by how its stations wave."""
    x, y = np.linspace(0.1, 3.9, 7), np.linspace(0.1, 2.3, 4)
    relief, wall = build.stations(x, y, np.zeros((4, 7)), 4.0, 2.4, u=0.0006), build.wall(4.0, 2.4)
    board, unsaid, stone = (
        place(relief, wall, options=PlaneOptions(background=what)).order for what in ("board", "", "stone")
    )
    assert board < unsaid < (board + stone) / 2


def test_roughness_by_hand(build):
    """0, 3, 0 mm: the middle misses its neighbours' chord by 3 mm, one misfit, Student's t (1) at one sigma 1.837."""
    relief = build.stations([0.5, 1.5, 2.5], [0.5], [[0, 3, 0]], 3.0, 1.0)
    rough, middles = roughness(relief)
    assert_allclose(rough, 0.003 * 1.8373, rtol=1e-4)
    assert_allclose(middles, 0.0015)


def test_excess_of_one_unseen_place(build):
    """One place as high as the station, sd s: E[max(0, N)] = s / sqrt(2 pi), E[max(0, N)^2] = s^2 / 2."""
    relief = build.stations([0.1], [0.1], [[0]], 0.2, 0.2)
    t, beyond = excess_curve(relief, 0.001, np.array([0.0]))
    mean, square = trapezoid(beyond, t), trapezoid(2 * t * beyond, t)
    assert_allclose([mean, np.sqrt(square)], [0.001 / np.sqrt(2 * np.pi), 0.001 / np.sqrt(2)], rtol=2e-4)


def test_smooth_stations_know_their_volume(build):
    relief = build.stations([0.5, 1.5, 2.5, 3.5], [0.5, 1.5], np.zeros((2, 4)), 4.0, 2.0)
    done = place(replace(relief, highs=1), build.wall(4.0, 2.0, u_lean=0.0))
    assert_allclose([done.volume.u, done.low, done.high], [0.0, 0.04, 0.04], atol=1e-12)


def test_low_of_stations_is_that_of_chance_and_wall_together(build):
    """Draws 0 to 4 mm lower by chance, none by the wall: 2.5 % of both together is 5 % of the first, 3.8 mm."""
    relief = build.stations([0.5, 1.5, 2.5, 3.5], [0.5, 1.5], np.zeros((2, 4)), 4.0, 2.0)
    swept, deep = replace(relief, highs=1), np.full(8, 0.010)
    rise = Rise(0.0, np.linspace(0.0, 0.004, 1001), np.zeros(1001))
    doubt = volume_doubt(swept, build.wall(4.0, 2.0), deep, rise, 0.005)
    assert_allclose([doubt.low, doubt.high], [8 * 0.0062, 8 * 0.010], rtol=1e-3)


def test_stations_at_free_places(build):
    """Twelve stations on a plane at free places stray by nothing; with 5 mm of scatter by about that."""
    rng = np.random.default_rng(11)
    x, y = np.sort(rng.uniform(0, 4, 12)), np.sort(rng.uniform(0, 2.4, 12))
    order = rng.permutation(12)
    here = np.zeros((12, 12), bool)
    here[order, np.arange(12)] = True
    for scatter, low, high in ((0.0, 0.0, 1e-6), (0.005, 0.004, 0.012)):
        z = 0.002 * x[None, :] + 0.001 * y[:, None] + rng.normal(0, scatter, (12, 12))
        relief = replace(
            build.stations(x, y, z * 1e3, 4.0, 2.4),
            offset=np.where(here, z, np.nan),
            inside=here,
            area=np.where(here, 0.8, 0.0),
        )
        rough, middles = roughness(relief)
        assert low <= rough <= high
        assert len(middles) == 36
        assert place(relief, build.wall(4.0, 2.4)).volume.u is not None
