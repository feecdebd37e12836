"""Sockets and switches are told from humps and proud bricks."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.wall import adjust, find_walls

SINGLE, DOUBLE = (1.0, 0.4, 0.086, 0.086), (2.5, 1.1, 0.146, 0.086)


def wall_with(rooms, as_cloud, raised, *, points=250_000, noise=0.002, seed=1):
    """A wall on which ``raised(x, y)`` stands proud [m]."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 4.0, points), rng.uniform(0, 2.5, points)
    z = rooms.BARE.shape.offset(x, y) + raised(x, y) + rng.normal(scale=noise, size=points)
    place = np.column_stack([x, y, z]) - [2, 1.25, 2]
    return find_walls(as_cloud(rooms.Pose().to_file(place), most=400_000)).walls[0]


def plate(left, bottom, width, height, proud):
    def raised(x, y):
        return proud * ((x > left) & (x < left + width) & (y > bottom) & (y < bottom + height))

    return raised


def hump(proud, sd):
    return lambda x, y: proud * np.exp(-((x - 1) ** 2 + (y - 1) ** 2) / (2 * sd**2))


@pytest.mark.parametrize(("points", "noise"), [(120_000, 0.001), (250_000, 0.003)])
def test_plates_are_left_out_like_openings_and_said(rooms, as_cloud, points, noise):
    one, two = plate(*SINGLE, 0.009), plate(*DOUBLE, 0.008)
    wall = wall_with(rooms, as_cloud, lambda x, y: one(x, y) + two(x, y), points=points, noise=noise)
    found = [(o.left, o.bottom, o.width, o.height) for o in wall.openings]
    assert_allclose(found, [SINGLE, DOUBLE], atol=0.012)
    assert all(opening.evidence.code == "wall.plate" for opening in wall.openings)
    assert [note.code for note in wall.notes].count("wall.plate-left-out") == 2
    assert adjust(wall, remove_openings=[1, 2]).openings == ()


@pytest.mark.parametrize(
    "raised",
    [
        plate(1.0, 0.4, 0.215, 0.065, 0.012),  # a stretcher standing proud
        plate(1.0, 0.4, 0.1025, 0.065, 0.012),  # a header
        plate(1.0, 0.4, 0.30, 0.30, 0.010),  # an old patch
        plate(1.0, 0.4, 0.04, 0.04, 0.010),  # a snot of mortar
        hump(0.012, 0.04),
        hump(0.015, 0.03),
        hump(0.010, 0.15),
        lambda x, y: 0.006 * np.cos(2 * np.pi * x / 0.2) * np.cos(2 * np.pi * y / 0.2),
        lambda x, y: np.zeros_like(x),
    ],
    ids=["stretcher", "header", "patch", "snot", "hump", "sharp hump", "broad hump", "waves", "nothing"],
)
def test_humps_and_bricks_are_wall(rooms, as_cloud, raised):
    assert wall_with(rooms, as_cloud, raised, points=120_000).openings == ()
