from pathlib import Path

import numpy as np
import pytest
import room_model

from flatscan.core.model import Cloud, Origin
from flatscan.wall import find_walls

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def rooms():
    return room_model


@pytest.fixture(scope="session")
def as_cloud():
    """A cloud in memory from points (n, 3) in file coordinates."""

    def build(points, *, most=200_000, shift=(0.0, 0.0, 0.0), pieces=3, **known):
        points = np.asarray(points, float) - shift
        step = max(1, -(-len(points) // most))
        return Cloud(
            origin=Origin("made.ply", "0" * 64, "ply", "m", len(points)),
            sample=points[::step],
            chunks=lambda: iter(np.array_split(points, pieces)),
            count=len(points),
            shift=np.asarray(shift, float),
            u_step=np.zeros(3),
            **known,
        )

    return build


@pytest.fixture(scope="session")
def bare(rooms, as_cloud):
    """An empty room's cloud, its truth, and what was found in it."""
    points, truth = rooms.build_room(1, plan=rooms.BARE)
    cloud = as_cloud(points)
    return cloud, truth, find_walls(cloud)


@pytest.fixture(scope="session")
def furnished(rooms, as_cloud):
    """The same for a room with a door, a window, skirting, furniture, a pipe and mixed pixels."""
    points, truth = rooms.build_room(1, plan=rooms.FURNISHED)
    cloud = as_cloud(points)
    return cloud, truth, find_walls(cloud)
