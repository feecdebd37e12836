"""Lows against closed forms: caps, troughs and cones on cells of 5 to 30 mm and on stations, humps and noise beside."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.errors import BadValue
from flatscan.core.warp import CommonError
from flatscan.jobs import Requirement
from flatscan.jobs.ruling import gaps_left
from flatscan.plan.cutting import Cut
from flatscan.plan.lows import filling
from flatscan.plan.ridges import shave
from flatscan.relief.smooth import smooth

WIDTH, HEIGHT, MIDDLE = 2.4, 1.8, (1.2, 0.9)
RADIUS, DEPTH = 0.3, 0.004
LITRE = 1e-3


def away(x, y, at=MIDDLE):
    return np.hypot(x - at[0], y - at[1])


def cap(x, y, at=MIDDLE, depth=DEPTH):
    """A spherical cap so shallow that it is a paraboloid to 1 part in 10,000: half its depth times its rim's area."""
    return -depth * np.clip(1 - (away(x, y, at) / RADIUS) ** 2, 0, None)


def cone(x, y):
    return -DEPTH * np.clip(1 - away(x, y) / RADIUS, 0, None)


def trough(x, y):
    across = np.clip((x - MIDDLE[0]) / RADIUS, -1, 1)
    return -DEPTH * np.cos(across * np.pi / 2) + 0 * y


def hump(x, y, at, sd=0.12, high=0.008):
    return high * np.exp(-(away(x, y, at) ** 2) / (2 * sd**2))


FORMS = {
    "cap": (cap, DEPTH * np.pi * RADIUS**2 / 2),
    "cone": (cone, DEPTH * np.pi * RADIUS**2 / 3),
    "trough": (trough, DEPTH * 2 / np.pi * 2 * RADIUS * HEIGHT),
}


def cells(surface, cell=0.02, *, noise=0.0, seed=0, window=1, common=None):
    x, y = ((np.arange(round(size / cell)) + 0.5) * cell for size in (WIDTH, HEIGHT))
    z = surface(*np.meshgrid(x, y))
    if not noise:
        return grid_of(z, cell, common=common)
    rng = np.random.default_rng(seed)
    half = [z + rng.normal(0, noise * np.sqrt(2), z.shape) for _ in range(2)]
    relief = grid_of((half[0] + half[1]) / 2, cell, u=noise, half_a=half[0], half_b=half[1], common=common)
    return smooth(relief, window)


def after_ruling(relief, *, limit=0.002, named=()):
    shaved = shave(relief, named, limit=limit)
    left, flush = gaps_left(shaved.relief, Requirement(rule=1.8))
    return filling(shaved.relief, left, limit=limit, fill=flush), shaved


@pytest.mark.parametrize("cell", [0.01, 0.02, 0.03])
@pytest.mark.parametrize("form", FORMS)
def test_flush_litres_are_those_of_the_closed_form(form, cell):
    """Rims and all: without them a cap 4 mm deep lost (2/4)^2 = 25 %, a cone half."""
    surface, volume = FORMS[form]
    found, shaved = after_ruling(cells(surface, cell))
    (low,) = found.lows
    assert shaved.ridges == ()
    assert_allclose(low.volume, volume, rtol=0.01)
    assert abs(low.volume - volume) < 2 * low.u


def test_cells_of_5_mm():
    (low,) = after_ruling(cells(cap, 0.005))[0].lows
    assert_allclose([low.volume, low.depth], [FORMS["cap"][1], DEPTH], rtol=0.01)
    assert_allclose(low.area, np.pi * RADIUS**2, rtol=0.05)


def test_a_low_just_over_the_limit_is_filled_whole():
    """2.5 mm deep under a limit of 2 mm: the old way, without its rim, found 36 % of it."""
    volume = 0.0025 * np.pi * RADIUS**2 / 2
    (low,) = after_ruling(cells(lambda x, y: cap(x, y, depth=0.0025)))[0].lows
    assert_allclose(low.volume, volume, rtol=0.01)


def test_a_wave_is_filled_to_its_crests():
    """Amplitude 2 mm over 800 mm: 2 mm on the average of each trough between two crests."""
    found, _ = after_ruling(cells(lambda x, y: 0.002 * np.cos(2 * np.pi * x / 0.8) + 0 * y, 0.01))
    assert sorted(round(low.x, 1) for low in found.lows) == [0.4, 1.2, 2.0]
    assert_allclose(sum(low.volume for low in found.lows), 0.002 * WIDTH * HEIGHT, rtol=0.03)


@pytest.mark.parametrize("sd", [0.06, 0.12, 0.25])
def test_the_air_beside_a_hump_is_no_low(sd):
    found, _ = after_ruling(cells(lambda x, y: hump(x, y, MIDDLE, sd)))
    assert found.lows == ()
    # nor where somebody else's ridge is named, and this one stays
    both = cells(lambda x, y: hump(x, y, (0.6, 0.9), sd / 2) + hump(x, y, (1.8, 0.9), 0.06, 0.005))
    found, shaved = after_ruling(both, named=[Cut(1.8, 0.9, 0.005)])
    assert [round(ridge.x, 1) for ridge in shaved.ridges] == [1.8]
    assert found.lows == ()


def test_a_low_beside_a_hump_is_what_it_is_without():
    found, shaved = after_ruling(cells(lambda x, y: hump(x, y, (0.5, 0.9), 0.08) + cap(x, y, (1.6, 0.9))))
    assert len(shaved.ridges) == 1
    (low,) = found.lows
    assert_allclose([low.x, low.y], [1.6, 0.9], atol=0.03)
    assert_allclose(low.volume, FORMS["cap"][1], rtol=0.03)


def test_what_is_shaved_is_the_ridge_and_nothing_else():
    """A nib 80 mm square and 5 mm proud on a leaning wall: 0.0064 m2 x 5 mm, and the plane is left."""
    plane = lambda x, y: 0.004 * y + 0.001 * x  # noqa: E731
    nib = lambda x, y: 0.005 * ((np.abs(x - 1.2) < 0.04) & (np.abs(y - 0.9) < 0.04))  # noqa: E731
    relief = cells(lambda x, y: plane(x, y) + nib(x, y))
    shaved = shave(relief)
    (ridge,) = shaved.ridges
    assert_allclose(shaved.relief.offset, plane(*relief.places), atol=1e-6)
    assert_allclose([ridge.depth, ridge.volume], [0.005, 0.0064 * 0.005], rtol=1e-3)
    # taken back by 3 mm only, 2 mm are left of it
    (ridge,) = shave(relief, [Cut(1.2, 0.9, 0.003)]).ridges
    assert_allclose(ridge.depth, 0.003, rtol=1e-3)
    with pytest.raises(BadValue, match="no ridge"):
        shave(relief, [Cut(0.3, 0.3, 0.003)])


def test_a_dished_wall_is_one_low_and_its_corners_no_ridges():
    found, shaved = after_ruling(cells(lambda x, y: 0.006 * away(x, y) ** 2))
    assert shaved.ridges == ()
    assert len(found.lows) == 1


@pytest.mark.parametrize("form", FORMS)
def test_litres_with_noise_are_within_their_interval(form):
    """1 mm of noise in cells of 20 mm, smoothed over nine: right on the average of walls, and each within its ±."""
    surface, volume = FORMS[form]
    lows = []
    for seed in range(2):
        found, shaved = after_ruling(cells(surface, noise=0.001, seed=seed, window=9))
        assert shaved.ridges == ()
        lows += found.lows
    assert len(lows) == 2
    assert_allclose(np.mean([low.volume for low in lows]), volume, rtol=0.12)
    assert all(abs(low.volume - volume) < 2 * low.u for low in lows)


def test_noise_makes_no_lows():
    found, shaved = after_ruling(cells(lambda x, y: 0 * x, noise=0.001, seed=3, window=9))
    assert found.lows == found.doubtful == shaved.ridges == ()


def test_what_is_under_its_own_interval_or_under_a_cupful_is_left_out():
    """0.57 litres that a warp of 8 mm may have made; and 0.03 litres in a dent."""
    found, _ = after_ruling(cells(cap, common=CommonError(0.008, 0.5)))
    assert found.lows == ()
    assert len(found.doubtful) == 1
    assert [one.code for one in found.notes] == ["plan.limit-under-noise", "plan.lows-doubtful"]
    dent = cells(lambda x, y: -0.003 * (away(x, y) < 0.06))
    found, _ = after_ruling(dent)
    assert found.lows == ()
    assert_allclose([low.volume for low in found.small], [-dent.offset.sum() * 0.02**2], rtol=1e-3)


def test_the_interval_is_that_of_mean_depth_under_a_plane():
    """By the covariance itself, on all cells: a disc's mean less that of the plane through a ring around it."""
    common = CommonError(0.001, 0.4)
    relief = cells(cap, 0.03, common=common)
    (low,) = after_ruling(relief)[0].lows
    across, upward = relief.places
    r = away(across, upward)
    disc, ring = r < RADIUS + 0.03, (r >= RADIUS + 0.03) & (r < RADIUS + 0.09)
    at = np.concatenate([np.stack([across[m], upward[m]], axis=1) for m in (disc, ring)])
    # about the middle of a round ring the plane's mean is the ring's
    weight = np.concatenate([np.full(disc.sum(), -1 / disc.sum()), np.full(ring.sum(), 1 / ring.sum())])
    u = np.sqrt(weight @ common.covariance(at, at) @ weight) * disc.sum() * 0.03**2
    assert_allclose(np.sqrt(low.u**2 - (0.03 * low.volume) ** 2), u, rtol=0.1)


@pytest.mark.parametrize("form", ["cap", "cone"])
def test_stations_hold_the_closed_form_on_the_average(form, build):
    """Read every 300 mm over a hollow 1.2 m across, the table laid anywhere over it: no bias, and within the ±."""
    wide = 0.6
    shape = {"cap": lambda r: np.clip(1 - r**2, 0, None), "cone": lambda r: np.clip(1 - r, 0, None)}[form]
    volume = 0.008 * np.pi * wide**2 * {"cap": 1 / 2, "cone": 1 / 3}[form]
    lows = []
    for dx, dy in np.random.default_rng(5).uniform(0, 0.3, (8, 2)):
        x, y = np.arange(0.15, 3.0, 0.3), np.arange(0.15, 2.4, 0.3)
        r = np.hypot(*np.meshgrid(x - 1.2 - dx, y - 0.9 - dy)) / wide
        relief = build.stations(x, y, -8 * shape(r), 3.0, 2.4, u=0.0006)
        left, flush = gaps_left(relief, Requirement(rule=1.8))
        lows += filling(relief, left, limit=0.002, fill=flush).lows
    assert len(lows) == 8
    assert_allclose(np.mean([low.volume for low in lows]), volume, rtol=0.05)
    assert all(abs(low.volume - volume) < 2 * low.u for low in lows)
