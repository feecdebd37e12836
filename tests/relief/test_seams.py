"""Captures of one wall put together: overlaps by hand, and the error that a seam puts on a gap."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.relief import lie_together, with_seams

PATH = Path(__file__).parents[2] / "scripts" / "prove_seams.py"
SPAN = 1.0


@pytest.fixture(scope="module")
def prove():
    spec = importlib.util.spec_from_file_location("prove_seams", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def grid_of(z, seen, u=1e-6):
    """A relief 4 m x 2 m in cells of 50 mm, ``seen`` where a capture covers it."""
    x, y = (np.arange(80) + 0.5) * 0.05, (np.arange(40) + 0.5) * 0.05
    across, upward = np.meshgrid(x, y)
    mask = seen(across)
    values = np.where(mask, z(across, upward), np.nan)
    return Grid(
        x=x, y=y, offset=values, u=np.where(mask, u, np.nan), count=np.where(mask, 10, 0), inside=np.ones_like(mask),
        area=np.full(mask.shape, 0.0025), cell=0.05, common=CommonError(0.0), half_a=values, half_b=values,
    )  # fmt: skip


def left(z=lambda x, y: 0 * x):
    return grid_of(z, lambda x: x < 2.2)


def right(z, start=1.8):
    return grid_of(z, lambda x: x > start)


def both(*parts):
    """All captures as one: means by count."""
    counts = np.sum([one.count for one in parts], axis=0)
    total = np.nansum([one.offset * one.count for one in parts], axis=0)
    z = np.where(counts > 0, total / np.maximum(counts, 1), np.nan)
    return replace(parts[0], offset=z, count=counts, u=np.where(counts > 0, 1e-6, np.nan), half_a=z, half_b=z)


def test_a_step_and_a_tilt_between_two_captures():
    """2 mm, turning by 1 mm/m along about 2.0 m: a plane leaves nothing of it."""
    parts = [left(), right(lambda x, y: 0.002 + 0.001 * (x - 2.0))]
    found = lie_together(["a", "b"], parts, SPAN)
    (one,) = found.overlaps
    assert (one.one, one.two, found.loose, found.doubled) == (1, 2, (), None)
    assert_allclose([one.mean, one.along, one.up, one.rest], [0.002, 0.001, 0.0, 0.0], atol=1e-9)
    assert_allclose(one.area, 0.4 * 2.0)
    assert_allclose(one.box, [1.8, 0.0, 2.2, 2.0], atol=1e-9)
    assert_allclose([part.share for part in found.covered], [0.55, 0.55])


def test_a_gap_across_the_seam_takes_the_whole_step_and_one_within_a_capture_none():
    parts = [left(), right(lambda x, y: np.full_like(x, 0.003))]
    error = with_seams(both(*parts), parts, lie_together(["a", "b"], parts, SPAN)).common
    assert not error.stationary
    at = {name: np.array([x, 1.0]) for name, x in (("a", 0.5), ("b", 1.7), ("c", 2.3), ("d", 3.5), ("e", 3.0))}
    # contact and place in the first capture, the other contact in the second, close to the place: l is nearly 0
    assert_allclose(error.u_gap_at(at["a"], at["b"], np.array([1.75, 1.0])), 0.0, atol=1e-9)
    assert_allclose(error.u_gap_at(at["c"], at["e"], at["d"]), 0.0, atol=1e-9)
    # place in the first, right contact in the second: 1 - l of the step, l = (2.3 - 1.7) / 1.8
    assert_allclose(error.u_gap_at(at["a"], at["b"], at["c"]), 0.003 * (1 - 0.6 / 1.8), rtol=1e-6)
    # both contacts in the second, the place in the first, is the whole of it
    assert_allclose(error.u_gap_at(at["c"], at["a"], at["d"]), 0.003, rtol=1e-6)
    # the largest at each cell bounds all of them, and is nothing far from the seam
    largest = error.largest_u_gap(parts[0].x, parts[0].y, 1.0)
    assert_allclose([largest[20, 0], largest[20, 36], largest[20, -1]], [0.0, 0.003 / 2, 0.0], atol=0.0015)
    middle, ends = np.array([1.775, 1.0]), np.linspace(0.05, 0.95, 40)
    arms = [(near, far) for near in ends for far in ends if near + far <= 1.0]
    some = [error.u_gap_at(middle - [near, 0], middle, middle + [far, 0]) for near, far in arms]
    assert largest[20, 35] >= max(some) > 0.0015
    # its covariance gives the same
    places = np.stack([at["a"], at["b"], at["c"]])
    weight = np.array([0.6 / 1.8, -1.0, 1.2 / 1.8])
    assert_allclose(np.sqrt(weight @ error.covariance(places, places) @ weight), 0.002, rtol=1e-6)


def test_where_nothing_overlaps_the_type_says_how_far_they_may_stand_apart():
    common = CommonError(0.001, 1.0, u_offset=0.0006)
    parts = [replace(left(), common=common), replace(right(lambda x, y: 0 * x, start=2.4), common=common)]
    found = lie_together(["a", "b"], parts, SPAN)
    assert (found.overlaps, found.loose) == ((), (2,))
    error = with_seams(both(*parts), parts, found).common
    near, far = np.array([2.1, 1.0]), np.array([2.6, 1.0])
    alone = common.u_gap_at(near - [1.0, 0], near, far)
    assert error.u_gap_at(near - [1.0, 0], near, far) > np.hypot(alone, 0.0006 * np.sqrt(2) * 0.6)


def test_three_captures_hang_together_over_the_middle_one():
    middle = grid_of(lambda x, y: 0 * x + 0.001, lambda x: (x > 1.0) & (x < 3.0))
    ends = grid_of(lambda x, y: 0 * x, lambda x: x < 1.3), grid_of(lambda x, y: 0 * x, lambda x: x > 2.7)
    found = lie_together(["a", "b", "c"], [ends[0], ends[1], middle], SPAN)
    assert [(one.one, one.two) for one in found.overlaps] == [(1, 3), (2, 3)]
    assert found.loose == ()


def test_two_surfaces_over_5_mm_apart_are_named():
    parts = [left(), right(lambda x, y: np.full_like(x, -0.008))]
    found = lie_together(["a", "b"], parts, SPAN)
    assert_allclose(found.doubled, 0.008, atol=1e-6)
    assert_allclose(with_seams(both(*parts), parts, found).doubled, 0.008, atol=1e-6)


def test_an_overlap_that_bends_more_than_declared_raises_the_warp():
    common = CommonError(0.0002)
    parts = [replace(left(), common=common), replace(right(lambda x, y: 0.008 * (y - 1.0) ** 2), common=common)]
    found = lie_together(["a", "b"], parts, SPAN)
    # a parabola of 8 mm/m2 stands 8 x 0.5 x 0.5 = 2 mm high in the middle of a chord of 1 m
    assert_allclose(found.overlaps[0].chord, 0.002, rtol=0.02)
    raised = with_seams(both(*parts), parts, found).common
    assert_allclose(raised.sd * CommonError(1.0).u_gap(np.array(0.5), np.array(0.5)), 0.002 / np.sqrt(2), rtol=0.02)


def test_bounds_hold_for_bends_that_are_none_of_ours(prove):
    """A small, seeded part of scripts/prove_seams.py: no false decision just off the limit."""
    found = [prove.one(share, 2, kind, 40 + n) for n, kind in enumerate(prove.SHAPES) for share in (0.95, 1.05)]
    assert all(under and over for under, over, _, _ in found)
    assert [decision for _, _, decision, _ in found] == ["undecided"] * 8
