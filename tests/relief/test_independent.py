"""Points that repeat each other are told from points that do not, and count as what they stand for."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.spatial import Delaunay

from flatscan.core.model import Cloud, Origin
from flatscan.relief import grid
from flatscan.relief.independent import said_of
from flatscan.relief.patches import Picking
from flatscan.report.say import say

spec = importlib.util.spec_from_file_location("relief_builders", Path(__file__).with_name("conftest.py"))
builders = importlib.util.module_from_spec(spec)
spec.loader.exec_module(builders)
make_wall = builders.make_wall

SCATTER = 0.002


def scan(seed, n=8_000, noise=SCATTER, surface=None):
    """Points (n, 3) x, y, z at random over a wall of 2 m x 1 m."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 2, n), rng.uniform(0, 1, n)
    return np.stack([x, y, rng.normal(0, noise, n) + (0 if surface is None else surface(x, y))], axis=1)


def as_cloud(points, **more):
    points = np.random.default_rng(0).permutation(points)
    at = np.stack([points[:, 0], -points[:, 2], points[:, 1]], axis=1)
    settings = {"shift": np.zeros(3), "u_step": np.zeros(3)} | more
    origin = Origin("made", "0", "made", "m", len(at))
    return Cloud(origin, at[:100_000], lambda: iter(np.array_split(at, 3)), len(at), **settings)


def grains(seed, length, sd, cell=0.001):
    """A rough surface of that correlation length [m]."""
    table = gaussian_filter(np.random.default_rng(seed).normal(size=(1010, 2010)), length / np.sqrt(2) / cell)
    table *= sd / table.std()
    return lambda x, y: map_coordinates(table, [y / cell + 5, x / cell + 5], order=1, mode="nearest")


def copies(points, times, jitter=0.0006, seed=9):
    many = np.repeat(points, times, axis=0)
    return many + np.random.default_rng(seed).normal(0, jitter, many.shape)


def filled(points, seed=9):
    rng = np.random.default_rng(seed)
    corners = points[Delaunay(points[:, :2]).simplices]
    some = rng.integers(0, len(corners), 3 * len(points))
    between = (rng.dirichlet((1.0, 1.0, 1.0), len(some))[:, :, None] * corners[some]).sum(axis=1)
    return np.concatenate([points, between])


def smoothed(points, length=0.02):
    """Heights at every point as means of those around, Gaussian weights: what a filter does."""
    cell = length / 4
    col, row = (np.clip((points[:, axis] / cell).astype(int), 0, None) for axis in (0, 1))
    shape = row.max() + 1, col.max() + 1
    total, n = np.zeros(shape), np.zeros(shape)
    np.add.at(total, (row, col), points[:, 2])
    np.add.at(n, (row, col), 1.0)
    mean = gaussian_filter(total, 4) / gaussian_filter(n, 4)
    z = map_coordinates(mean, [points[:, 1] / cell - 0.5, points[:, 0] / cell - 0.5], order=3, mode="nearest")
    return np.column_stack([points[:, :2], z])


def shown(points, still, **more):
    return grid(as_cloud(points, **more), make_wall(), still)


@pytest.mark.parametrize("noise", [0.0003, 0.003])
def test_points_with_errors_of_their_own_repeat_nothing(still, noise):
    relief, notes = shown(scan(1, 40_000, noise), still)
    assert relief.independence is None
    assert notes == ()


@pytest.mark.parametrize(("length", "sd"), [(0.005, 0.001), (0.012, 0.0015), (0.04, 0.001)])
def test_a_rough_wall_repeats_nothing(still, length, sd):
    relief, _ = shown(scan(2, 40_000, 0.0004, grains(3, length, sd)), still)
    assert relief.independence is None


def test_a_wall_drawn_without_noise_repeats_nothing(still):
    relief, _ = shown(scan(2, 40_000, 0.0, lambda x, y: 0.004 * np.sin(2 * x) * np.cos(3 * y)), still)
    assert relief.independence is None


@pytest.mark.parametrize("times", [4, 10])
def test_copies_count_as_the_points_they_were_made_of(still, times):
    relief, notes = shown(copies(scan(4), times), still)
    found = relief.independence
    assert found.kind == "copies"
    # 4,000 a m2; the variance of some hundred block means is known to a tenth, and the largest of four is taken
    assert_allclose(found.independent, 4_000, rtol=0.3)
    assert_allclose(found.density, 4_000 * times, rtol=0.1)
    assert notes[0].code == "relief.points-copies"


def test_u_of_a_cell_is_that_of_the_points_it_stands_for(still):
    relief, _ = shown(copies(scan(5), 10), still)
    # the wall is flat: what cells show is their error; a floor for what neighbours share comes on top
    assert_allclose(np.sqrt(np.nanmean(relief.u**2)), np.nanstd(relief.offset), rtol=0.35)
    as_if, _ = grid(as_cloud(scan(5, 80_000)), make_wall(), still, cell=relief.cell)
    assert np.nanmedian(relief.u) > 2 * np.nanmedian(as_if.u)


def test_points_laid_between_others_are_found(still):
    relief, _ = shown(filled(scan(6)), still)
    assert relief.independence.kind == "between"
    assert relief.independence.shared > 0.5


def test_smoothed_points_are_found(still):
    relief, _ = shown(smoothed(scan(7, 20_000)), still)
    assert relief.independence.kind == "smooth"
    assert relief.independence.undecided


def test_points_on_a_mesh_are_known_to_repeat_each_other(still):
    relief, notes = shown(scan(8), still, independent_share=0.05, drawn=True)
    assert relief.independence.kind == "drawn"
    assert_allclose(relief.independence.share, 0.05)
    assert "are worth about 200 measurements" in say(notes[0])


def test_the_note_says_how_many_points_count(still):
    relief, _ = shown(copies(scan(4), 4), still)
    words = say(said_of(relief.independence))
    assert f"{round(relief.independence.independent):,} measurements" in words
    assert "as the instrument recorded it" in words


def test_a_square_half_on_another_surface_tells_nothing():
    """Its median lies between the two, and no point is near that; a check of such a capture ended in a traceback."""
    place = np.random.default_rng(3).random((200, 2)) * 0.5
    points = np.column_stack([place, np.repeat([0.0, 0.2], 100)])
    picking = Picking(None, np.array([[0.0, 1.0, 0.5, 4], [0.0, 1.0, 0.5, 3]]), 1000.0, 0.0, 0.0)
    assert picking._filled(points, 0.025) is None
    assert len(picking._filled(points[:100], 0.025)) == 100
