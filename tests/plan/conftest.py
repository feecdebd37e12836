"""Builders of small walls: by cells or by stations, from a formula or a table of offsets in mm."""

import numpy as np
import pytest
from relief_builders import grid_of

from flatscan.core.geometry import fit_plane, plumb_frame
from flatscan.core.model import Opening, Plumb, Wall
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError
from flatscan.relief.shape import Shape


def wall_of(width, height, *, openings=(), u_lean=0.0, outline=None, out=(0.0, -1.0, 0.0)):
    outline = np.array([[0, 0], [width, 0], [width, height], [0, height]], float) if outline is None else outline
    frame = plumb_frame(np.zeros(3), np.array(out), np.array([0.0, 0.0, 1.0]))
    return Wall(1, frame, outline, tuple(openings), 1.0, "given", "given", Plumb("given", u_lean))


def cells_of(width, height, surface, *, cell=0.02, u=0.0, openings=(), common=None, inside=None, seed=None):
    """Relief of square cells over surface(x, y) [m] with optional noise of standard deviation u."""
    x, y = (np.arange(round(size / cell)) * cell + cell / 2 for size in (width, height))
    across, upward = np.meshgrid(x, y)
    z = np.asarray(surface(across, upward), float) * np.ones_like(across)
    if seed is not None:
        z = z + np.random.default_rng(seed).normal(0, u, z.shape)
    keep = np.ones(z.shape, bool) if inside is None else inside(across, upward)
    for hole in openings:
        keep &= ~((across > hole.left) & (across < hole.right) & (upward > hole.bottom) & (upward < hole.top))
    z = np.where(keep, z, np.nan)
    return grid_of(z, cell, u=u, count=1, inside=keep, common=common)


def stations_of(x, y, offset_mm, width, height, *, u=0.0, common=None):
    """Relief of stations; rows from the foot up, each owning its rectangle to the midlines and the wall's edges."""
    x, y, z = np.array(x, float), np.array(y, float), np.array(offset_mm, float) / 1e3

    def owned(at, size):
        return np.diff(np.concatenate(([0.0], (at[1:] + at[:-1]) / 2, [size])))

    area = np.outer(owned(y, height), owned(x, width))
    return Stations(
        x=x,
        y=y,
        offset=z,
        u=np.full(z.shape, u),
        count=np.ones(z.shape, int),
        inside=np.ones(z.shape, bool),
        area=area,
        common=common or CommonError(0.0),
    )


def shape_of(relief, height, *, belly_along=0.0, belly_up=0.0):
    across, upward = relief.places
    keep = relief.valid
    plane, _ = fit_plane(across[keep], upward[keep], relief.offset[keep])
    residual = relief.offset - (plane[0] + plane[1] * across + plane[2] * upward)
    return Shape(
        plane,
        residual,
        float(plane[2]),
        float(plane[2] * height),
        belly_along,
        belly_up,
        float(np.nanmax(residual) - np.nanmin(residual)),
        float(np.sqrt(np.nanmean(residual**2))),
    )


@pytest.fixture
def build():
    class Build:
        wall, cells, stations, shape, hole = (
            staticmethod(wall_of),
            staticmethod(cells_of),
            staticmethod(stations_of),
            staticmethod(shape_of),
            Opening,
        )

    return Build
