"""The ± of the volume by hand and by simulation: each part alone, and stations on rough walls."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.warp import CommonError
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.volume import expected_excess, roughness
from flatscan.report.say import say


def nib(x, y):
    """A nib that sets the plane at x 1.0, y 2.2 m."""
    return 0.02 * (np.hypot(x - 1.05, y - 2.25) < 0.06)


def parts(build, relief, u_lean=0.0):
    return dict(place(relief, build.wall(4.0, 2.4, u_lean=u_lean)).u_parts)


def test_plumb_by_hand(build):
    """The nib governs 2.25 - 1.2 m over the centroid: 9.6 m2 x 1.05 m x 1 mm per m = 10.08 L."""
    relief = build.cells(4.0, 2.4, nib, cell=0.1)
    assert parts(build, relief, 0.001)["plumb"] == pytest.approx(9.6e-3 * 1.05, rel=1e-6)


def test_plumb_of_a_flat_wall_is_not_nothing(build):
    """A flat wall wrongly tilted either way needs half the tilt over its height: 9.6 m2 x 1.15 m x 1 mm per m."""
    relief = build.cells(4.0, 2.4, lambda x, y: 0 * x, cell=0.1)
    assert parts(build, relief, 0.001)["plumb"] == pytest.approx(9.6e-3 * 1.15, rel=1e-6)


def test_plumb_does_not_matter_where_the_plane_may_follow(build):
    relief = build.cells(4.0, 2.4, lambda x, y: 0 * x, cell=0.1)
    wall = build.wall(4.0, 2.4, u_lean=0.001)
    free = place(relief, wall, options=PlaneOptions(lean_up_to=0.01))
    assert dict(free.u_parts)["plumb"] == pytest.approx(0.0, abs=1e-7)


def test_plumb_unknown_makes_the_volumes_doubt_unknown(build):
    relief = build.cells(4.0, 2.4, nib, cell=0.1)
    done = place(relief, build.wall(4.0, 2.4, u_lean=None))
    assert done.volume.u is None
    assert "how well plumb is known was not stated" in say(done.notes[-1])


def test_a_plane_that_only_just_fits_says_why_its_doubt_is_unknown(build):
    """5 mm least and 5.001 most on a flat wall: any tilt rules every plane out."""
    relief = build.cells(4.0, 2.4, lambda x, y: 0 * x, cell=0.1)
    done = place(relief, build.wall(4.0, 2.4, u_lean=0.001), options=PlaneOptions(most=0.005001))
    assert done.volume.u is None
    assert "no plane meets" in say(done.notes[-1])


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
    assert dict(sizes[1.0].u_parts)["scale"] == pytest.approx(change, rel=0.02)


def test_common_offset_moves_the_volume_by_the_area(build):
    relief = build.cells(4.0, 2.4, nib, cell=0.1, common=CommonError(0.0, u_offset=0.002))
    assert parts(build, relief)["mean position"] == pytest.approx(9.6 * 0.002, rel=1e-9)


def test_noise_by_simulation(build):
    """0.5 mm in each of 960 cells: the nib's own reading decides, the rest averages out."""
    clean = build.cells(
        4.0, 2.4, lambda x, y: 0.02 * ((np.abs(x - 1.05) < 0.01) & (np.abs(y - 2.25) < 0.01)), cell=0.1, u=0.0005
    )
    rng = np.random.default_rng(4)
    volumes = [
        place(
            replace(clean, offset=clean.offset + rng.normal(0, 0.0005, clean.offset.shape)), build.wall(4, 2.4)
        ).volume
        for _ in range(300)
    ]
    assert np.std([v.value for v in volumes]) == pytest.approx(volumes[0].u, rel=0.12)


def test_warp_by_simulation(build):
    """Gaussian warp of 2 mm with length 1 m: the nib's height over the wall's mean varies as stated."""
    common = CommonError(0.002, length=1.0)
    relief = build.cells(4.0, 2.4, lambda x, y: 0.02 * (np.hypot(x - 1.1, y - 2.1) < 0.06), cell=0.2, common=common)
    stated = parts(build, relief)["warp"]
    across, upward = (part.ravel() for part in relief.places)
    apart = (across[:, None] - across) ** 2 + (upward[:, None] - upward) ** 2
    root = np.linalg.cholesky(0.002**2 * np.exp(-apart / 2) + 1e-14 * np.eye(len(across)))
    rng = np.random.default_rng(5)
    volumes = [
        place(
            replace(relief, offset=relief.offset + (root @ rng.normal(size=len(across))).reshape(relief.offset.shape)),
            build.wall(4, 2.4),
        ).volume.value
        for _ in range(400)
    ]
    assert np.std(volumes) == pytest.approx(stated, rel=0.12)


@pytest.mark.parametrize("smooth", [False, True])
def test_stations_on_rough_walls_by_simulation(build, smooth):
    """4 x 2.4 m at 0.8 m pitch, walls of 5 mm with length 0.6 m, rough or smooth: the true volume, whose plane
    stands on the highest of all places, lies within 2 u of the stations' at least 9 times in 10."""
    x, y = np.arange(0.05, 4.0, 0.1), np.arange(0.05, 2.4, 0.1)
    across, upward = (part.ravel() for part in np.meshgrid(x, y))
    apart = np.hypot(across[:, None] - across, upward[:, None] - upward)
    shared = np.exp(-(apart**2) / (2 * 0.36)) if smooth else np.exp(-apart / 0.6)
    root = np.linalg.cholesky(0.005**2 * shared + 1e-14 * np.eye(len(across)))
    rng, hits = np.random.default_rng(6), 0
    columns, rows = np.arange(3, 40, 8), np.arange(3, 24, 8)
    for _ in range(200):
        z = (root @ rng.normal(size=len(across))).reshape(24, 40)
        read = place(
            build.stations(x[columns], y[rows], z[np.ix_(rows, columns)] * 1e3, 4.0, 2.4), build.wall(4.0, 2.4)
        )
        truth = 9.6 * (z.max() + 0.005 - z.mean())
        hits += abs(truth - read.volume.value) <= 2 * read.volume.u
    assert hits >= 180


def test_roughness_by_hand(build):
    """0, 3, 0 mm: the middle misses its neighbours' chord by 3 mm, one misfit, Student's t (1) at one sigma 1.837."""
    relief = build.stations([0.5, 1.5, 2.5], [0.5], [[0, 3, 0]], 3.0, 1.0)
    rough, middles = roughness(relief)
    assert_allclose(rough, 0.003 * 1.8373, rtol=1e-4)
    assert_allclose(middles, 0.0015)


def test_excess_of_one_unseen_place(build):
    """One place as high as the station, sd s: E[max(0, N)] = s / sqrt(2 pi), E[max(0, N)^2] = s^2 / 2."""
    relief = build.stations([0.1], [0.1], [[0]], 0.2, 0.2)
    mean, root = expected_excess(relief, 0.001, np.array([0.0]))
    assert_allclose([mean, root], [0.001 / np.sqrt(2 * np.pi), 0.001 / np.sqrt(2)], rtol=2e-4)


def test_smooth_stations_know_their_volume(build):
    relief = build.stations([0.5, 1.5, 2.5, 3.5], [0.5, 1.5], np.zeros((2, 4)), 4.0, 2.0)
    done = place(relief, build.wall(4.0, 2.0, u_lean=0.0))
    assert done.volume.u == pytest.approx(0.0, abs=1e-12)


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
