"""How wide the strip at an edge is: what another surface smears there, and no more."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.geometry import plumb_frame
from flatscan.wall.fit import Fit
from flatscan.wall.smear import Edges

LONG = 2.4
FIT = Fit(
    plumb_frame(np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])),
    0.0,
    np.zeros(2),
    np.ones(2),
    0.0,
    None,
)
ENDS = (0.0, LONG)


def corner(noise, *, dense=20_000, seed=1, adjoining=True, shape=lambda away: 0 * away):
    """Points (n, 3) of a wall at a corner at x = 0, ``dense`` to a m2, and of the surface that adjoins there."""
    rng = np.random.default_rng(seed)
    count = int(0.4 * LONG * dense)
    away, up = rng.uniform(0, 0.4, count), rng.uniform(0, LONG, count)
    wall = np.stack([away, up, shape(away) + rng.normal(0, noise, count)], axis=1)
    other = np.stack([rng.normal(0, noise, count), rng.uniform(0, LONG, count), rng.uniform(0, 0.4, count)], axis=1)
    return np.concatenate([wall, other]) if adjoining else wall


def strip(points, **more):
    return Edges(FIT, points, len(points)).strip(0, 0.0, 1, ENDS, **more)


@pytest.mark.parametrize(
    ("noise", "least", "most"), [(0.0005, 0.0015, 0.006), (0.001, 0.003, 0.006), (0.003, 0.006, 0.015)]
)
def test_a_strip_is_as_wide_as_the_noise_reaches(noise, least, most):
    assert least <= strip(corner(noise)) <= most


def test_what_is_smeared_wide_has_a_wide_strip():
    # half of the adjoining surface's points stand up to 40 mm before it, as mixed pixels do
    rng = np.random.default_rng(4)
    points = corner(0.001)
    other = np.flatnonzero(points[:, 2] > 0.01)
    moved = rng.random(len(other)) < 0.5
    points[other[moved], 0] += rng.uniform(0, 0.04, moved.sum())
    assert_allclose(strip(points), 0.04, atol=0.0051)


def test_a_round_corner_is_left_out_as_far_as_it_rises():
    radius = 0.03
    points = corner(
        0.001, adjoining=False, shape=lambda s: radius - np.sqrt(radius**2 - np.clip(radius - s, 0, radius) ** 2)
    )
    assert_allclose(strip(points), radius, atol=0.0051)


def test_a_wavy_wall_is_not_taken_for_smeared():
    points = corner(0.001, shape=lambda away: 0.001 * np.cos(away / 0.05))
    assert strip(points) <= 0.006


def test_the_wall_above_a_board_begins_where_the_board_ends():
    points = corner(0.001, adjoining=False, shape=lambda away: np.where(away < 0.02, 0.012, 0.0))
    assert_allclose(strip(points, proud=0.012), 0.02, atol=0.0051)


@pytest.mark.parametrize("points", [corner(0.001, dense=100), corner(0.02)], ids=["sparse", "scattered"])
def test_what_cannot_be_told_is_not(points):
    assert strip(points) is None


def test_what_stands_all_along_the_corner_is_no_smear():
    # a curtain 20 mm before the wall, 150 mm wide: nothing of the wall is clear of it
    rng = np.random.default_rng(5)
    count = 3000
    curtain = np.stack([rng.uniform(0, 0.15, count), rng.uniform(0, LONG, count), rng.normal(0.02, 0.001, count)], 1)
    assert strip(np.concatenate([corner(0.001), curtain])) is None
