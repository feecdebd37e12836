import numpy as np
import pytest

from flatscan.core.reliefs import Grid, Stations
from flatscan.core.warp import CommonError


def grid_of(offset, cell, *, u=0.0, count=20, inside=None, common=None, **more):
    """A relief on square cells from an array (rows, cols) [m]; ``u`` and ``inside`` are arrays or one value."""
    z = np.array(offset, float)
    rows, cols = z.shape
    return Grid(
        x=(np.arange(cols) + 0.5) * cell,
        y=(np.arange(rows) + 0.5) * cell,
        offset=z,
        u=np.array(np.broadcast_to(u, z.shape), float),
        count=np.array(np.broadcast_to(count, z.shape)),
        inside=np.ones(z.shape, bool) if inside is None else inside,
        area=np.full(z.shape, cell**2),
        cell=cell,
        common=common or CommonError(0.0),
        **more,
    )


@pytest.fixture
def grid_relief():
    """Builder of a relief on square cells from a function of x and y or an array."""

    def build(
        surface,
        *,
        width=3.0,
        height=2.4,
        cell=0.02,
        u=0.0,
        sd=0.0,
        length=1.0,
        halves=None,
        inside=None,
        window=1,
        hidden=0,
    ):
        if callable(surface):
            x, y = np.meshgrid(
                (np.arange(round(width / cell)) + 0.5) * cell, (np.arange(round(height / cell)) + 0.5) * cell
            )
            surface = np.broadcast_to(surface(x, y), x.shape)
        halves = (None, None) if halves is None else halves
        return grid_of(
            surface,
            cell,
            u=u,
            inside=inside,
            common=CommonError(sd, length),
            half_a=halves[0],
            half_b=halves[1],
            window=window,
            hidden=hidden,
        )

    return build


@pytest.fixture
def station_relief():
    """Builder of a relief of stations from a table (rows, cols) and its positions."""

    def build(x, y, table, *, u=0.0006, sd=0.0):
        z = np.array(table, float)
        return Stations(
            x=np.array(x, float),
            y=np.array(y, float),
            offset=z,
            u=np.full(z.shape, u),
            count=np.isfinite(z).astype(int),
            inside=np.ones(z.shape, bool),
            area=np.ones(z.shape),
            common=CommonError(sd),
        )

    return build
