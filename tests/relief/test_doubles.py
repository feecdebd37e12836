"""Two surfaces in one scan: found whatever the wall is made of, and not taken for joints, stones or heavy tails."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import ndimage

from flatscan.core.geometry import Frame
from flatscan.core.holes import Plumb
from flatscan.core.model import Cloud, Origin, Wall
from flatscan.core.notes import note
from flatscan.relief.doubles import doubles

WIDE, HIGH = 2.5, 2.0
_SAID = note("wall.laser")


def wall():
    box = np.array([[0, 0], [WIDE, 0], [WIDE, HIGH], [0, HIGH]], float)
    frame = Frame(np.zeros(3), *np.eye(3))
    return Wall(1, frame, box, (), share=1.0, up_from=_SAID, facing_from=_SAID, plumb=Plumb(_SAID, 0.001))


def form(kind, x, y):
    """Height [m] of three walls: rounded, of bricks with joints raked out 8 mm deep, of stones 20 to 60 mm across."""
    if kind == "plaster":
        return 0.005 * np.sin(2 * x) + 0.004 * np.sin(1.3 * y)
    if kind == "brick":
        row = np.floor(y / 0.075)
        joint = (y % 0.075 < 0.010) | ((x + 0.1125 * (row % 2)) % 0.225 < 0.010)
        return np.where(joint, -0.008, 0.0)
    stones = ndimage.gaussian_filter(np.random.default_rng(3).normal(size=(500, 625)), 6)
    return 0.008 / stones.std() * stones[(y / 0.004).astype(int), (x / 0.004).astype(int)]


def scan(kind, apart=0.0, part=WIDE, noise="normal", density=4000, seed=1):
    """Points of a wall whose left ``part`` [m] was swept twice, ``apart`` [m]; noise of 3 mm."""
    rng = np.random.default_rng(seed)
    count = int(density * WIDE * HIGH)
    x, y = rng.uniform(0, WIDE, count), rng.uniform(0, HIGH, count)
    errors = {"normal": rng.normal(size=count), "t3": rng.standard_t(3, count) / np.sqrt(3)}[noise]
    z = form(kind, x, y) + 0.003 * errors + apart * ((rng.random(count) < 0.4) & (x < part))
    points = np.stack([x, y, z], axis=1)
    return Cloud(
        Origin("made", "0", "made", "m", count),
        points,
        lambda: iter([points]),
        count,
        u_step=np.zeros(3),
        shift=np.zeros(3),
    )


@pytest.mark.parametrize("kind", ["plaster", "brick", "stones"])
@pytest.mark.parametrize("noise", ["normal", "t3"])
def test_a_second_surface_is_found_and_a_single_one_is_left_alone(kind, noise):
    found = doubles(scan(kind, 0.015, noise=noise), wall())
    assert_allclose(found.apart, 0.015, atol=0.001)
    assert found.share > 0.5
    assert all(doubles(scan(kind, noise=noise, seed=seed), wall()) is None for seed in (1, 2))


def test_where_a_part_was_swept_twice_it_is_said():
    found = doubles(scan("plaster", 0.020, part=1.0), wall())
    assert_allclose(found.apart, 0.020, atol=0.001)
    assert_allclose(found.share, 0.4, atol=0.01)
    assert found.places[:, 0].max() < 1.0


def test_what_is_less_than_twice_the_noise_apart_is_not_told():
    assert doubles(scan("plaster", 0.004), wall()) is None


def test_steps_of_the_file_are_no_surfaces():
    """In whole centimetres, as the coordinates of many files are, a wall 3 degrees off their axes lies on levels."""
    turn = np.radians(3.0)
    frame = Frame(
        np.zeros(3),
        np.array([np.cos(turn), np.sin(turn), 0]),
        np.array([0, 0, 1.0]),
        np.array([np.sin(turn), -np.cos(turn), 0]),
    )
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, WIDE, 20_000), rng.uniform(0, HIGH, 20_000)
    z = form("plaster", x, y) + rng.normal(0, 0.001, 20_000)
    points = np.round(np.outer(x, frame.along) + np.outer(y, frame.up) + np.outer(z, frame.out), 2)
    on, unknown = replace(wall(), frame=frame), replace(scan("plaster"), sample=points)
    assert doubles(unknown, on) is not None
    assert doubles(replace(unknown, u_step=np.full(3, 0.01 / np.sqrt(12))), on) is None


def test_too_few_points_tell_nothing():
    assert doubles(scan("plaster", 0.015, density=60), wall()) is None
