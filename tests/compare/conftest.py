"""Builders of two surveys of one wall: reliefs and walls in any frame, from functions of x and y."""

import numpy as np
import pytest
from relief_builders import grid_of

from flatscan.core.geometry import Frame
from flatscan.core.model import Opening, Plumb, Wall
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError


def frame(yaw=0.0, at=(0.0, 0.0, 0.0)):
    """Upright frame whose along is turned by ``yaw`` in the file's horizontal plane (z up)."""
    along = np.array([np.cos(yaw), np.sin(yaw), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    return Frame(np.array(at, float), along, up, np.cross(along, up))


def make_wall(width=3.0, height=2.4, *, at=(0.0, 0.0, 0.0), yaw=0.0, openings=(), number=1, u_lean=1e-4):
    outline = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    return Wall(
        number,
        frame(yaw, at),
        outline,
        tuple(Opening(*o) for o in openings),
        1.0,
        "given",
        "given",
        Plumb("given", u_lean),
    )


def make_relief(
    surface, *, width=3.0, height=2.4, cell=0.02, u=1e-4, noise=0.0, sd=0.0, u_offset=0.0, seed=1, hide=None, window=1
):
    x, y = (np.arange(round(width / cell)) + 0.5) * cell, (np.arange(round(height / cell)) + 0.5) * cell
    across, upward = np.meshgrid(x, y)
    z = np.array(np.broadcast_to(surface(across, upward), across.shape), float)
    if noise:
        z = z + np.random.default_rng(seed).normal(0, noise, z.shape)
    if hide is not None:
        z[hide(across, upward)] = np.nan
    return grid_of(z, cell, u=u, common=CommonError(sd, 1.0, u_offset), window=window)


def make_stations(x, y, table, *, width=3.0, height=2.4, u=0.0006):
    z = np.array(table, float)
    area = np.where(np.isfinite(z), width * height / np.isfinite(z).sum(), 0.0)
    return Stations(
        x=np.array(x, float),
        y=np.array(y, float),
        offset=z,
        u=np.where(np.isfinite(z), u, np.nan),
        count=np.isfinite(z).astype(int),
        inside=np.isfinite(z),
        area=area,
        common=CommonError(0.0),
    )


@pytest.fixture
def wall_of():
    return make_wall


@pytest.fixture
def relief_of():
    return make_relief


@pytest.fixture
def stations_of():
    return make_stations


@pytest.fixture
def rough():
    """An uneven wall [m]: three humps of different widths and a bow."""

    def surface(x, y):
        def bump(x0, y0, high, wide):
            return high * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * wide**2))

        return bump(0.7, 1.6, 0.008, 0.12) + bump(2.1, 0.8, -0.006, 0.25) + bump(1.6, 1.9, 0.005, 0.09) + 0.001 * x * y

    return surface
