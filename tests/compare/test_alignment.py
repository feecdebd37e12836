"""Alignment against known rigid motions, in closed form."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from flatscan.compare import by_outline, by_points, by_reference_walls, lie_together, same_frame
from flatscan.compare.alignment import rigid
from flatscan.core.errors import BadTable, MixedSurveys
from flatscan.core.geometry import Frame
from flatscan.core.quantity import root_sum_square

ZERO = (np.zeros(3), np.zeros(3))
SPREAD = np.array([[0.1, 0.0, 0.2], [2.9, 0.3, 0.1], [1.5, 0.1, 2.3], [0.4, 2.0, 1.9]])


def moved_wall(wall, turn, shift):
    """The same wall in a file whose coordinates are turned and shifted."""
    f = wall.frame
    return dataclasses.replace(wall, frame=Frame(turn @ f.at + shift, turn @ f.along, turn @ f.up, turn @ f.out))


def test_rigid_motion_is_found_exactly():
    turn = Rotation.from_euler("zyx", [0.7, -0.2, 0.4]).as_matrix()
    shift = np.array([3.0, -2.0, 0.5])
    found, offset, residual = rigid(SPREAD, SPREAD @ turn.T + shift)
    assert_allclose(found, turn, atol=1e-12)
    assert_allclose(offset, shift, atol=1e-12)
    assert_allclose(residual, 0, atol=1e-12)


def test_a_rotation_is_never_a_mirror():
    mirrored = SPREAD * [-1, 1, 1]
    found, _, residual = rigid(SPREAD, mirrored)
    assert np.linalg.det(found) == pytest.approx(1.0)
    assert np.abs(residual).max() > 0.1


def test_points_undo_a_known_motion_of_the_later_file(wall_of):
    earlier = wall_of(at=(5.0, 1.0, 0.0), yaw=0.3)
    turn = Rotation.from_euler("z", 1.1).as_matrix()
    shift = np.array([10.0, 4.0, -1.0])
    later = moved_wall(earlier, turn, shift)
    first = SPREAD + [5.0, 1.0, 0.0]
    aligned = by_points(earlier, later, first, first @ turn.T + shift, ZERO, u=0.001)
    assert_allclose(aligned.turn, np.eye(3), atol=1e-9)
    assert_allclose(aligned.shift, 0, atol=1e-9)
    assert aligned.fixes_out


def test_what_each_file_had_subtracted_does_not_matter(wall_of):
    earlier = wall_of(at=(5.0, 1.0, 0.0))
    lifted = wall_of(at=(5.0 - 100, 1.0 + 7, 0.0))
    aligned = same_frame(earlier, lifted, (np.zeros(3), np.array([100.0, -7.0, 0.0])))
    assert_allclose(aligned.shift, 0, atol=1e-12)
    assert lie_together(earlier, lifted, (np.zeros(3), np.array([100.0, -7.0, 0.0])))
    assert not lie_together(earlier, lifted, ZERO)


def test_same_frame_carries_a_coat_to_the_wall_frame(wall_of):
    earlier, later = wall_of(yaw=0.2), wall_of(yaw=0.2)
    later = dataclasses.replace(
        later, frame=dataclasses.replace(later.frame, at=later.frame.at + 0.012 * later.frame.out)
    )
    aligned = same_frame(earlier, later, ZERO)
    assert_allclose(aligned.apply(np.array([[1.0, 2.0, 0.0]])), [[1.0, 2.0, 0.012]], atol=1e-12)


def test_u_of_points_is_the_scatter_of_many_noisy_fits(wall_of):
    wall, u = wall_of(), 0.002
    rng = np.random.default_rng(5)
    places = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 2.4], [1.5, 0.0, 1.2]])
    heights = []
    for _ in range(400):
        noisy = SPREAD + rng.normal(0, u, SPREAD.shape)
        aligned = by_points(wall, wall, SPREAD, noisy, ZERO, u=u)
        local = (places - wall.frame.at) @ np.stack([wall.frame.along, wall.frame.up, wall.frame.out]).T
        heights.append(aligned.apply(local)[:, 2] - local[:, 2])
        x, y = local[:, 0], local[:, 1]
    # the fixed u, not the one each fit estimated: only the noise u is asked about here
    said = by_points(wall, wall, SPREAD, SPREAD, ZERO, u=u).u_at(x, y)
    assert_allclose(np.std(heights, axis=0), said, rtol=0.15)


@pytest.mark.parametrize(
    "points", [SPREAD[:2], np.outer(np.arange(4.0), [1.0, 2.0, 0.5]), SPREAD[:3] * 1e-3], ids=["two", "line", "heap"]
)
def test_points_that_fix_nothing_are_refused(wall_of, points):
    with pytest.raises(BadTable):
        by_points(wall_of(), wall_of(), points, points, ZERO)


def test_points_that_are_not_the_same_are_refused(wall_of):
    with pytest.raises(MixedSurveys, match="mm off where all are laid"):
        by_points(wall_of(), wall_of(), SPREAD, SPREAD[::-1], ZERO)


def test_outline_fixes_the_plane_and_says_what_it_does_not(wall_of):
    aligned = by_outline(wall_of(3.0, 2.4), wall_of(3.006, 2.404))
    assert_allclose(aligned.shift, [-0.003, -0.002, 0], atol=1e-9)
    assert aligned.undetermined == ("out", "turn")
    assert not aligned.fixes_out
    assert aligned.design[2, 2] == pytest.approx(root_sum_square(1e-4, 1e-4) ** 2)


def test_openings_place_a_wall_whose_edge_was_cut_off(wall_of):
    full = wall_of(3.0, 2.4, openings=[(1.0, 0.9, 0.9, 1.1)])
    cut = wall_of(2.96, 2.4, openings=[(0.97, 0.9, 0.9, 1.1)])
    assert by_outline(full, cut).shift[0] == pytest.approx(0.025, abs=0.006)


@pytest.mark.parametrize(
    "other",
    [{"width": 3.4}, {"height": 2.6}, {"openings": [(2.0, 0.9, 0.9, 1.1)]}],
    ids=["width", "height", "an opening elsewhere"],
)
def test_another_wall_is_refused_with_how_different(wall_of, other):
    with pytest.raises(MixedSurveys, match=r"3000 mm x 2400 mm with 1 openings against"):
        by_outline(wall_of(openings=[(0.5, 0.9, 0.9, 1.1)]), wall_of(**other))


def room_of(wall_of, turn, shift, coat=0.0):
    """A wall, its left return and the wall that faces it, in coordinates turned and shifted, with a coat on it."""
    wall = wall_of(3.0, 2.4)
    coated = dataclasses.replace(wall, frame=dataclasses.replace(wall.frame, at=wall.frame.at + coat * wall.frame.out))
    side = wall_of(4.0, 2.4, at=(0.0, -4.0, 0.0), yaw=np.pi / 2, number=2)
    facing = wall_of(3.0, 2.4, at=(3.0, -4.0, 0.0), yaw=np.pi, number=3)
    return tuple(moved_wall(w, turn, shift) for w in (coated, side, facing))


def test_reference_walls_fix_the_distance_of_a_coat(wall_of):
    first = room_of(wall_of, np.eye(3), np.zeros(3))
    second = room_of(wall_of, Rotation.from_euler("z", 0.8).as_matrix(), np.array([3.0, 1.0, 0.2]), coat=0.015)
    pairs = tuple(zip(first[1:], second[1:], strict=True))
    aligned = by_reference_walls(first[0], second[0], pairs, 0.0005, 1e-4)
    assert aligned.fixes_out
    assert_allclose(aligned.apply(np.array([[1.0, 1.0, 0.0]])), [[1.0, 1.0, 0.015]], atol=1e-9)


def test_a_return_alone_does_not_fix_the_distance(wall_of):
    first = room_of(wall_of, np.eye(3), np.zeros(3))
    second = room_of(wall_of, np.eye(3), np.zeros(3), coat=0.015)
    aligned = by_reference_walls(first[0], second[0], ((first[1], second[1]),), 0.0005, 1e-4)
    assert "out" in aligned.undetermined
    assert [it.code for it in aligned.notes] == ["compare.none-facing"]


def test_a_wall_refitted_askew_is_turned_back_by_the_return(wall_of):
    first = room_of(wall_of, np.eye(3), np.zeros(3))
    second = list(room_of(wall_of, np.eye(3), np.zeros(3)))
    askew = Rotation.from_euler("z", 0.004).as_matrix()
    f = second[0].frame
    second[0] = dataclasses.replace(second[0], frame=Frame(f.at, askew @ f.along, f.up, askew @ f.out))
    pairs = tuple(zip(first[1:], second[1:], strict=True))
    aligned = by_reference_walls(first[0], second[0], pairs, 0.0005, 1e-4)
    # the right end of the later frame's plane lies 4 mm per m away from the room in the earlier frame's axes
    expected = (askew @ f.along) @ np.stack([f.along, f.up, f.out]).T
    assert_allclose(aligned.apply(np.array([[1.0, 0.0, 0.0]]))[0], expected, atol=1e-9)
