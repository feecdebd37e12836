"""Builders: a wall facing -y in file axes, and clouds on it with a stated truth."""

import numpy as np
import pytest

from flatscan.core.geometry import plumb_frame
from flatscan.core.model import Cloud, Opening, Origin, Plumb, Wall
from flatscan.core.warp import CommonError


def make_wall(width=2.0, height=1.0, openings=()):
    frame = plumb_frame(np.zeros(3), np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    outline = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    return Wall(1, frame, outline, tuple(Opening(*o) for o in openings), 1.0, "test", "test", Plumb(None, None))


def make_cloud(surface, width=2.0, height=1.0, n=200_000, noise=0.0, seed=1, extra=None, **fields):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, width, n), rng.uniform(0, height, n)
    z = surface(x, y) + rng.normal(0, noise, n)
    points = np.stack([x, -z, y], axis=1)
    if extra is not None:
        points = np.concatenate([points, extra])
        rng.shuffle(points)
    origin = Origin("made", "0", "made", "m", len(points))
    settings = {"shift": np.zeros(3), "u_step": np.zeros(3)} | fields
    return Cloud(origin, points[:100_000], lambda: iter(np.array_split(points, 3)), len(points), **settings)


@pytest.fixture
def still():
    return CommonError(sd=0.0)
