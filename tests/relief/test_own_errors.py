"""Copies, halves and resampled files of a scan are refused as repeats; captures with errors of their own are not."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from flatscan.core.errors import MixedSurveys
from flatscan.core.geometry import plumb_frame
from flatscan.core.model import Plumb, Wall
from flatscan.relief import OneCapture, grid, refuse_copies

spec = importlib.util.spec_from_file_location("test_independent", Path(__file__).with_name("test_independent.py"))
made = importlib.util.module_from_spec(spec)
spec.loader.exec_module(made)


def warp(rng, size=0.0005):
    """A bend of the whole capture: some waves of a metre and more."""
    a, b, phase = rng.uniform(-4, 4, 5), rng.uniform(-4, 4, 5), rng.uniform(0, 6.28, 5)
    return lambda x, y: size * sum(np.sin(a[k] * x + b[k] * y + phase[k]) for k in range(5))


def capture_of(points, still, name, yaw=0.0):
    """A capture as the wall's frame has it; with ``yaw`` [rad] the whole file was turned and moved."""
    frame = plumb_frame(np.zeros(3), np.array([np.sin(yaw), -np.cos(yaw), 0.0]), np.array([0.0, 0.0, 1.0]))
    wall = made.make_wall()
    turned = Wall(1, frame, wall.outline, (), 1.0, "test", "test", Plumb(None, None))
    cloud = made.as_cloud(points)
    at = frame.to_file(points[np.random.default_rng(0).permutation(len(points))])
    cloud = type(cloud)(cloud.origin, at, lambda: iter([at]), len(at), shift=np.zeros(3), u_step=np.zeros(3))
    relief, _ = grid(cloud, turned, still, cell=0.04)
    return OneCapture(relief, frame, name)


def rough_scan(seed, still_wall=11, n=20_000):
    rng = np.random.default_rng(seed)
    grain, bend = made.grains(still_wall, 0.01, 0.0008), warp(rng)
    return made.scan(seed, n, 0.001, lambda x, y: grain(x, y) + bend(x, y))


COPIES = {
    "halves": lambda scan: (scan[::2], scan[1::2]),
    "thinned": lambda scan: (scan, scan[::3]),
    "jittered": lambda scan: (scan, made.copies(scan, 1, 0.0005)),
    "filled up": lambda scan: (scan, made.filled(scan)),
    "smoothed": lambda scan: (scan, made.smoothed(scan, 0.01)),
}


@pytest.mark.parametrize("kind", COPIES)
def test_what_was_made_of_one_scan_is_refused(still, kind):
    one, two = (capture_of(points, still, str(k)) for k, points in enumerate(COPIES[kind](rough_scan(21))))
    with pytest.raises(MixedSurveys, match=r"capture 2: .* capture 1") as told:
        refuse_copies([one, two])
    assert "set up again" in told.value.needed
    assert "walked again" in told.value.needed


def test_the_same_file_is_refused(still):
    one = capture_of(rough_scan(22), still, "abc")
    with pytest.raises(MixedSurveys, match="the same points as capture 1"):
        refuse_copies([one, one])


@pytest.mark.parametrize("part", [slice(None), slice(None, None, 2)])
def test_a_copy_that_was_turned_and_moved_is_refused(still, part):
    scan = rough_scan(23)
    one, two = capture_of(scan, still, "a"), capture_of(scan[part] + [0.004, 0.003, 0.0], still, "b", yaw=0.7)
    with pytest.raises(MixedSurveys, match="errors of its points that follow"):
        refuse_copies([one, two])


@pytest.mark.parametrize("yaw", [0.0, 0.7])
def test_two_scans_of_one_rough_wall_are_taken(still, yaw):
    one, two = capture_of(rough_scan(24), still, "a"), capture_of(rough_scan(25), still, "b", yaw=yaw)
    refuse_copies([one, two])
    # the wall is one and the same: its grain shows in both
    shared = np.corrcoef(one.relief.offset.ravel(), two.relief.offset.ravel())[0, 1]
    assert 0.05 < shared < 0.999


def test_the_third_is_held_against_both(still):
    scans = [capture_of(rough_scan(seed), still, str(seed)) for seed in (26, 27)]
    copy = capture_of(made.copies(rough_scan(27), 1, 0.0004), still, "copy")
    with pytest.raises(MixedSurveys, match=r"capture 3: .* capture 2"):
        refuse_copies([*scans, copy])
