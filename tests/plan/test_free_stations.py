"""Sixty readings at free places with one hollow and one hump: one low, one patch and one hump of each."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.model import Origin, Readings
from flatscan.core.warp import CommonError
from flatscan.plan.humps import find_humps
from flatscan.plan.lows import find_lows, lows_under_plane, ridges_over_plane
from flatscan.relief.laser_stations import from_stations
from flatscan.relief.shape import shape_of
from flatscan.relief.stand_off import patches_of

WIDTH, HEIGHT = 4.0, 2.6


class Plane:
    offset = turn = lean = 0.0


def read_at_random(seed, sign):
    """Wall, relief and how many of the 60 stations stand in a bowl or on a dome 20 mm high, 1.6 m across."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0.1, WIDTH - 0.1, 60), rng.uniform(0.1, HEIGHT - 0.1, 60)
    away = np.hypot(x - 1.7, y - 1.2) / 0.8
    offset = np.where(away < 1, sign * 0.020 * (1 - away**2), 0.0)
    readings = Readings(Origin("free.csv", "0", "laser grid", "mm", 60), x, y, offset, 0.0006, WIDTH, HEIGHT)
    wall, relief, _ = from_stations(readings, CommonError(0.0), 0.0002)
    return wall, relief, int((sign * offset > 0.002).sum())


@pytest.mark.parametrize("seed", range(5))
def test_one_hollow_is_one_low_and_one_patch(seed):
    wall, relief, count = read_at_random(seed, -1)
    assert count >= 8
    (low,) = lows_under_plane(relief, Plane())
    assert_allclose(low.depth, -np.nanmin(relief.offset))
    (same,) = find_lows(relief, -relief.offset)
    assert (same.x, same.y, same.depth) == (low.x, low.y, low.depth)
    assert low.width > 0.5
    hollows = [patch for patch in patches_of(relief, shape_of(relief, wall)) if patch.kind == "hollow"]
    assert len(hollows) == 1
    assert_allclose([hollows[0].x, hollows[0].y], [low.x, low.y])


@pytest.mark.parametrize("seed", range(5))
def test_one_hump_is_one_hump(seed):
    wall, relief, _ = read_at_random(seed, 1)
    humps = find_humps(relief, wall)
    assert set(np.unique(humps.label)) == {0, 1}
    assert len(ridges_over_plane(relief, Plane())) == 1
