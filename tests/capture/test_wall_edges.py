"""Edges of a wall in points matched on photos: beyond them lie other surfaces, scattered."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.capture.photos.wall_edges import within_edges


def wall(generator, *, beyond=0.15, scatter=0.03, door=None, pitch=0.004):
    """Points 2 m by 1.5 m on a rough wall, sparse and scattered ones around it, and none in a door (left, right)."""
    x, y = (np.arange(-beyond, side + beyond, pitch) for side in (2.0, 1.5))
    at = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    inside = ((at >= 0) & (at <= [2.0, 1.5])).all(axis=1)
    height = np.where(inside, generator.normal(0, 0.001, len(at)), generator.normal(0, scatter, len(at)))
    kept = inside | (generator.random(len(at)) < 0.5)
    if door is not None:
        kept &= ~((at[:, 0] > door[0]) & (at[:, 0] < door[1]) & (generator.random(len(at)) < 0.97))
    return np.column_stack([at, height])[kept]


@pytest.mark.parametrize("door", [None, (0.3, 1.1), (1.15, 1.9)])
def test_what_lies_beyond_the_edges_is_left_out_and_a_door_near_one_is_none(door):
    points = wall(np.random.default_rng(2), door=door)
    kept = points[within_edges(points)]
    assert_allclose(kept[:, :2].min(axis=0), [0.0, 0.0], atol=0.011)
    assert_allclose(kept[:, :2].max(axis=0), [2.0, 1.5], atol=0.011)


def test_a_wall_that_fills_the_photos_stays_whole():
    points = wall(np.random.default_rng(3), beyond=0.0)
    assert within_edges(points).all()


def test_a_proud_course_and_a_sparse_strip_at_an_edge_belong_to_the_wall():
    points = wall(np.random.default_rng(4))
    points[:, 2] += np.where(points[:, 1] > 1.4, 0.008, 0.0)
    sparse = (points[:, 0] > 1.98) & (points[:, 0] < 2.0) & (np.random.default_rng(5).random(len(points)) < 0.3)
    points = points[~sparse]
    kept = points[within_edges(points)]
    assert_allclose(kept[:, :2].max(axis=0), [2.0, 1.5], atol=0.011)
