"""The error that doubts of cameras put on a wall: by hand, by simulation, and taken out by readings."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.geometry import Frame
from flatscan.core.model import Origin, Plumb, Readings, Wall
from flatscan.core.notes import note
from flatscan.core.photographed import Photographed
from flatscan.core.warp import CommonError
from flatscan.relief import bundle_error, tie
from flatscan.relief.everywhere import gaps_in_box
from flatscan.relief.planning import plan_readings

WIDE, HIGH, CELL = 4.0, 2.4, 0.05
X, Y = np.arange(-0.3, WIDE + 0.35, 0.05), np.arange(-0.3, HIGH + 0.35, 0.05)
DECLARED = CommonError(0.0067, 1.0, 0.004, 0.01, "photogrammetry")
SHIFT = np.array([10.0, 0.0, 2.0])


def dome(x, y):
    return 0.002 * ((x - 1.8) ** 2 + 0.5 * (y - 1.0) ** 2)


def twist(x, y):
    return 0.0015 * np.sin(1.3 * x) * (y - 1.0) + 0.0004


FORMS = (dome, twist)


def seen(*forms, rest=0.0):
    x, y = np.meshgrid(X, Y)
    modes = np.array([form(x, y) for form in forms]).reshape(len(forms), *x.shape)
    return Photographed(X, Y, modes, rest, 3e-4, 0.002, note("wall.given"))


def wall_at(at=(0.0, 0.0, 0.0), out=(0.0, 0.0, 1.0)):
    up = np.array([0.0, 1.0, 0.0])
    outline = np.array([[0, 0], [WIDE, 0], [WIDE, HIGH], [0, HIGH]])
    frame = Frame(np.array(at), np.cross(up, out), up, np.array(out))
    return Wall(1, frame, outline, (), 1.0, note("wall.given"), note("wall.given"), Plumb(note("wall.given"), 1e-3))


def made(*forms, rest=0.0):
    return bundle_error(seen(*forms, rest=rest), wall_at(), np.zeros(3), DECLARED)


def gap(form, left, at, right):
    near, far = np.linalg.norm(at - left), np.linalg.norm(right - at)
    share = far / (near + far)
    return share * form(*left) + (1 - share) * form(*right) - form(*at)


def test_a_gap_takes_of_each_form_what_the_form_does_to_it():
    error = made(*FORMS)
    left, at, right = np.array([0.4, 0.3]), np.array([1.4, 1.05]), np.array([2.4, 1.8])
    by_hand = np.hypot(*(gap(form, left, at, right) for form in FORMS))
    assert_allclose(error.u_gap_at(left, at, right), by_hand, rtol=0.01)
    # a pure dome puts k L^2 / 8 x 2 on the middle of a level chord anywhere
    assert_allclose(made(dome).u_gap_at([0.5, 1.0], [1.5, 1.0], [2.5, 1.0]), 0.002, rtol=0.01)
    assert not error.stationary
    assert not error.tied


def test_a_plane_in_a_form_moves_the_wall_and_bends_nothing():
    error = made(lambda x, y: 0.003 + 0.002 * x - 0.001 * y)
    triples = gaps_in_box(error.box, 2.0)
    assert_allclose(error.u_gap_at(*triples), 0.0, atol=1e-9)
    # by the middle of the wall
    assert_allclose(error.u_offset, 0.003 + 0.002 * 2.0 - 0.001 * 1.2, rtol=0.02)
    assert_allclose(error.sd, 0.0, atol=1e-9)


def test_without_any_doubt_what_is_left_is_the_rest():
    error = made(rest=2e-4)
    assert_allclose(error.sd, 2e-4)
    at = np.array([[1.0, 1.0], [1.0, 1.0]])
    assert_allclose(error.covariance(at, at), 4e-8)
    assert error.u_gap(np.array(1.0), np.array(1.0)) > 2e-4
    assert error.scale == 0.002


def test_covariance_is_what_drawn_errors_have():
    error, rng = made(*FORMS, rest=3e-4), np.random.default_rng(4)
    at = rng.uniform([0, 0], [WIDE, HIGH], (6, 2))
    drawn = rng.standard_normal((40_000, 2)) @ error.parts(at)
    root = np.linalg.cholesky(CommonError(3e-4, 0.5).covariance(at, at) + 1e-16 * np.eye(6))
    drawn = drawn + rng.standard_normal((40_000, 6)) @ root.T
    assert_allclose(np.cov(drawn.T), error.covariance(at, at), atol=0.02 * error.sd**2 * 6)


def test_the_largest_u_at_each_cell_is_none_that_a_gap_there_exceeds():
    error, rng = made(*FORMS, rest=1e-4), np.random.default_rng(1)
    x, y = (np.arange(round(size / 0.1)) * 0.1 + 0.05 for size in (WIDE, HIGH))
    most = error.largest_u_gap(x, y, 2.0)
    assert most.shape == (24, 40)
    at = rng.uniform([0.1, 0.1], [WIDE - 0.1, HIGH - 0.1], (4000, 2))
    way = np.column_stack([np.cos(turn := rng.uniform(0, np.pi, 4000)), np.sin(turn)])
    near, far = rng.uniform(0.05, 1.0, (2, 4000, 1))
    left, right = at - near * way, at + far * way
    inside = ((np.minimum(left, right) > 0.05) & (np.maximum(left, right) < [WIDE - 0.05, HIGH - 0.05])).all(axis=1)
    u = error.u_gap_at(left[inside], at[inside], right[inside])
    here = most[np.floor(at[inside, 1] * 10).astype(int), np.floor(at[inside, 0] * 10).astype(int)]
    assert (u < 1.02 * here).all()
    assert u.max() > 0.6 * most.max()
    # what holds anywhere on the wall is no less than what holds at a place
    assert float(error.u_gap(np.array(1.0), np.array(1.0))) >= 0.98 * u[np.abs(near + far)[inside, 0] < 1.0].max()


def test_a_wall_elsewhere_in_its_file_has_the_same_error():
    plain, moved = made(*FORMS), bundle_error(seen(*FORMS), wall_at(-SHIFT), SHIFT, DECLARED)
    at = np.array([[0.3, 0.4], [2.0, 1.0], [3.7, 2.2]])
    assert_allclose(moved.parts(at), plain.parts(at), atol=1e-12)


def test_of_a_wall_that_photos_do_not_face_they_say_nothing():
    assert bundle_error(seen(*FORMS), wall_at(out=(1.0, 0.0, 0.0)), np.zeros(3), DECLARED) is DECLARED


@pytest.mark.parametrize("seed", [1, 2])
def test_readings_take_a_dome_out(seed):
    """Twelve readings know less of the dome than the doubts did, and what they leave is within what they say."""
    error, rng = made(*FORMS, rest=1e-4), np.random.default_rng(seed)
    x, y = ((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDE, HIGH))
    across, upward = np.meshgrid(x, y)
    at = np.column_stack([across.ravel(), upward.ravel()])
    off = (np.array([1.5, -1.0]) @ error.parts(at)).reshape(across.shape)
    scan = grid_of(off, CELL, u=1e-4, count=9, common=error, half_a=off, half_b=off)
    plan = plan_readings(scan, rule=2.0, reading_u=0.0006, laser=CommonError(0.0), counts=(12,))[0]
    readings = Readings(
        Origin("ties.csv", "0", "made", "mm", 12), *plan.places.T, rng.normal(0, 0.0006, 12) - 0.08, 0.0006
    )
    tied, _, shown, _ = tie(scan, wall_at(), readings, laser=CommonError(0.0), u_laser_lean=0.17e-3)
    assert tied.common.tied
    left, middle, right = (np.array([[place, 1.2]]) for place in (1.0, 2.0, 3.0))
    z = [tied.offset[24, round(place / CELL - 0.5)] for place in (1.0, 2.0, 3.0)]
    rest = (z[0] + z[2]) / 2 - z[1]
    u = float(tied.common.u_gap_at(left, middle, right)[0])
    assert u < 0.6 * float(error.u_gap_at(left, middle, right)[0])
    assert abs(rest) < 2.5 * u
    assert shown.stated > 1e-3
