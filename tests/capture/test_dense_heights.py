"""Relief from drawn photos whose places are known: what matching alone is off by, and where it keeps silent."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from photo_room_model import PhotoRoom, PhotoTold
from placed_photos import HIGH, NEAR, WIDE, greys, placed, small_wall

from flatscan.capture.photos.dense_heights import dense_heights
from flatscan.capture.photos.flattened import Ground, flattened, ground_of
from flatscan.capture.photos.pairs_seen import Pair, base, pairs_of


def measured(room):
    photos = placed(room)
    ground = ground_of(photos, (0.0, 0.0, WIDE, HIGH))
    flat = [flattened(photo, ground, np.uint8(grey)) for photo, grey in zip(photos, greys(room), strict=True)]
    return dense_heights([one for one in flat if one is not None], ground)


def off(dense, room):
    """Points on the wall, and how far each is off the drawn wall [m]."""
    inside = (np.abs(dense.points[:, :2] - [WIDE / 2, HIGH / 2]) < [WIDE / 2 - 0.01, HIGH / 2 - 0.01]).all(axis=1)
    points = dense.points[inside]
    # a point stands for its block: grain of the wall within it is no error
    side = dense.ground.block * dense.ground.step * (np.arange(5) - 2) / 5
    y, x = (part.ravel() for part in np.meshgrid(side, side))
    true = np.concatenate(
        [room.wall.at(some[:, :1] + x, some[:, 1:2] + y).mean(axis=1) for some in np.array_split(points, 20)]
    )
    return inside, points[:, 2] - true


@pytest.fixture(scope="module")
def humped():
    room = PhotoRoom(small_wall(humps=((0.5, 0.35, 0.04, 0.12),)), NEAR)
    return room, measured(room)


def test_heights_lie_within_their_u_of_the_wall(humped):
    room, dense = humped
    inside, error = off(dense, room)
    assert inside.sum() * (dense.ground.block * dense.ground.step) ** 2 > 0.9 * WIDE * HIGH
    assert 1.4826 * np.median(np.abs(error)) < 0.4e-3
    assert np.mean(np.abs(error) > 2e-3) < 0.01
    ratio = np.abs(error) / dense.u[inside]
    assert np.mean(ratio < 2.0) > 0.9
    # u that is never reached would be no u
    assert np.mean(ratio < 0.5) < 0.6


def test_a_hump_of_forty_millimetres_is_met_as_well_as_the_rest(humped):
    room, dense = humped
    inside, error = off(dense, room)
    near = np.hypot(*(dense.points[inside, :2] - [0.5, 0.35]).T) < 0.12
    assert near.sum() > 1000
    assert np.median(np.abs(error[near])) < 2 * np.median(np.abs(error[~near]))


def test_neighbouring_points_err_on_their_own(humped):
    """Means of nine points are off by a third of what one is: they share no pixel."""
    room, dense = humped
    inside, error = off(dense, room)
    side = dense.ground.block * dense.ground.step
    col, row = np.floor(dense.points[inside, :2].T / (3 * side)).astype(int)
    cell = row * (col.max() + 1) + col
    count = np.bincount(cell)
    full = count == 9
    means = np.bincount(cell, error)[full] / 9
    within = error - (np.bincount(cell, error) / np.maximum(count, 1))[cell]
    spread = np.sqrt(np.bincount(cell, within**2)[full].mean() / 8 * 9)
    middle = np.median(means)
    assert 1.4826 * np.median(np.abs(means - middle)) < 2 * spread / 3


def test_a_bare_finish_coat_is_not_measured():
    dense = measured(PhotoRoom(small_wall("finish"), NEAR))
    # corners and edges show, the coat between them does not
    inner = (np.abs(dense.points[:, :2] - [WIDE / 2, HIGH / 2]) < [WIDE / 2 - 0.05, HIGH / 2 - 0.05]).all(axis=1)
    assert inner.sum() * (dense.ground.block * dense.ground.step) ** 2 < 0.002 * WIDE * HIGH


def test_all_photos_from_one_place_measure_nothing():
    dense = measured(PhotoRoom(small_wall(), PhotoTold(0.3, distance=0.75, still="turn", seed=3)))
    assert len(dense.pairs) == 0
    assert len(dense.points) == 0


def test_the_same_photos_give_the_same_points(humped):
    room, dense = humped
    again = measured(room)
    assert again.points.tobytes() == dense.points.tobytes()


def test_pairs_are_neither_close_together_nor_far_apart(humped):
    room, _ = humped
    photos = placed(room)
    ground = ground_of(photos, (0.0, 0.0, WIDE, HIGH))
    flat = [flattened(photo, ground, np.zeros((photo.camera.height, photo.camera.width), np.uint8)) for photo in photos]
    pairs = pairs_of(flat, ground)
    middle = np.array(WIDE / 2), np.array(HIGH / 2)
    assert len(pairs) >= 4
    assert all(isinstance(pair, Pair) and pair.one != pair.two for pair in pairs)
    assert min(float(base(flat[pair.one], flat[pair.two], *middle)) for pair in pairs) > 0.08


def test_ground_is_whole_tiles_of_points():
    room = PhotoRoom(small_wall(), NEAR)
    ground = ground_of(placed(room), (0.1, 0.2, 0.8, 0.6))
    assert ground.rows % ground.unit == 0
    assert ground.cols % ground.unit == 0
    assert ground.cols * ground.step >= 0.7
    assert_allclose(Ground(0.1, 0.2, 0.001, 36, 72).coarser(2).step, 0.004)
