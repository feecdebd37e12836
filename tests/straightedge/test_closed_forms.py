"""Gaps that have a formula (methods/straightedge 11; sagitta of a circle)."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.straightedge import sweep


@pytest.mark.parametrize("rule", [0.4, 0.8, 1.0])
def test_cosine_gap(grid_relief, rule):
    # contacts half a rule either side of the trough: A (1 - cos(pi L / p)) for L <= p
    amplitude, period, cell = 0.002, 1.0, 0.01
    relief = grid_relief(lambda x, y: -amplitude * np.cos(2 * np.pi * (x - 1.505) / period), cell=cell, height=0.5)
    found = sweep(relief, rule, directions=[0])
    assert_allclose(found.worst.value, amplitude * (1 - np.cos(np.pi * rule / period)), rtol=1e-12)


def test_cosine_longer_than_its_period(grid_relief):
    relief = grid_relief(lambda x, y: -0.002 * np.cos(2 * np.pi * (x - 1.505)), cell=0.01, height=0.5)
    assert_allclose(sweep(relief, 2.0, directions=[0]).worst.value, 0.004, rtol=1e-12)


@pytest.mark.parametrize("rule", [0.6, 1.2, 2.0])
def test_hollow_arc(grid_relief, rule):
    # parabola of curvature 1/R: sagitta L^2 / 8R exactly
    relief = grid_relief(lambda x, y: (x - 1.505) ** 2 / 200, cell=0.01, height=0.3)
    assert_allclose(sweep(relief, rule, directions=[0]).worst.value, rule**2 / 800, rtol=1e-9)


def test_bow_has_no_gap_but_stands_off_at_the_ends(grid_relief):
    relief = grid_relief(lambda x, y: -((x - 1.505) ** 2) / 200 - (y - 1.2) ** 2 / 200, cell=0.01)
    found = sweep(relief, 2.0)
    assert found.worst.value == pytest.approx(0.0, abs=1e-15)
    # slanted lines read a parabola with an error of at most h^2 / 8R along each axis
    assert_allclose(found.balanced.value, 2.0**2 / 800, atol=2 * 0.01**2 / 800)
    assert_allclose(found.equal_offset.value, found.balanced.value, rtol=1e-12)


def test_narrow_hump(grid_relief):
    # 5 mm hump 40 mm wide in the middle of 2 m: the hull runs from the far end to the crest (methods/straightedge 11)
    x = np.arange(2001) * 1e-3
    hump = np.where(np.abs(x - 1.0) <= 0.020 + 1e-12, 0.005, 0.0)
    relief = grid_relief(np.tile(hump, (3, 1)), cell=1e-3)
    assert_allclose(sweep(relief, 2.0, directions=[0]).worst.value, 0.005 * (1 - 1 / 980), rtol=1e-9)


@pytest.mark.parametrize("degrees", [15.0, 45.0, 120.0])
def test_slanted_hollow(grid_relief, degrees):
    turn = np.radians(degrees)
    across = lambda x, y: (x - 1.5) * np.cos(turn) + (y - 1.2) * np.sin(turn)  # noqa: E731
    relief = grid_relief(lambda x, y: across(x, y) ** 2 / 200, cell=0.01)
    found = sweep(relief, 1.0, directions=[degrees])
    # bilinear sampling of a parabola of curvature 1/100 errs by at most h^2 / 8R along each axis, h = 10 mm
    assert_allclose(found.worst.value, 1.0 / 800, atol=2 * 0.01**2 / 800)
    assert sweep(relief, 1.0, directions=[degrees + 90.0]).worst.value < 1e-6


def test_a_plane_changes_nothing(grid_relief):
    surface = lambda x, y: 0.003 * np.sin(3 * x) * np.cos(2 * y)  # noqa: E731
    plain = sweep(grid_relief(surface), 1.2)
    tilted = sweep(grid_relief(lambda x, y: surface(x, y) + 0.7 + 0.03 * x - 0.05 * y), 1.2)
    assert_allclose(tilted.deepest, plain.deepest, atol=1e-15)
    assert_allclose(tilted.balanced.value, plain.balanced.value, atol=1e-15)
    assert_allclose(tilted.equal_offset.value, plain.equal_offset.value, atol=1e-15)


def test_scaling_and_adding(grid_relief):
    random = np.random.default_rng(3)
    one, two = random.normal(size=(2, 40, 60)) * 1e-3
    gap = [sweep(grid_relief(z), 0.5).worst.value for z in (one, two, one + two, 2.5 * one)]
    assert_allclose(gap[3], 2.5 * gap[0], rtol=1e-12)
    assert gap[2] <= gap[0] + gap[1] + 1e-15


def test_turning_the_wall_turns_the_answer(grid_relief):
    z = np.random.default_rng(4).normal(size=(40, 60)) * 1e-3
    straight, turned = (sweep(grid_relief(one), 0.4, directions=[0, 90]) for one in (z, z.T[::-1]))
    assert_allclose(turned.deepest, straight.deepest.T[::-1], atol=1e-12)
    assert_allclose(turned.worst.value, straight.worst.value, atol=1e-12)
