"""Walls of photos stand as their targets do."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.capture import from_points
from flatscan.core.errors import UnitsUnknown
from flatscan.core.notes import note
from flatscan.core.photographed import Photographed
from flatscan.wall import find_walls


def test_a_low_wall_on_photos_is_not_asked_for_its_up():
    """Lower than rooms are, in a file that names no up, it is asked for; photos know it."""
    rng = np.random.default_rng(2)
    points = np.column_stack([rng.uniform(0, 2.4, 40_000), rng.uniform(0, 1.8, 40_000), rng.normal(0, 3e-4, 40_000)])
    cloud = from_points(points)
    with pytest.raises(UnitsUnknown, match="up"):
        find_walls(cloud, seen_from=np.array([1.2, 0.9, 2.0]))
    seen = Photographed(np.zeros(2), np.zeros(2), np.zeros((0, 2, 2)), 0.0, 0.0, 0.0, note("wall.given"))
    told = replace(cloud, photographed=seen, up=np.array([0.0, 1.0, 0.0]), up_from=note("sweep.up"))
    wall = find_walls(told, seen_from=np.array([1.2, 0.9, 2.0])).walls[0]
    assert_allclose([wall.width, wall.height], [2.4, 1.8], atol=0.02)
    assert_allclose(wall.frame.up, [0, 1, 0], atol=0.01)
