"""Points at the edges of a wall that belong to what stands beside it."""

import numpy as np

from flatscan.capture.photos.edge_strays import on_the_wall


def wall(hole=None):
    x, y = (part.ravel() for part in np.meshgrid(np.arange(0.0, 1.0, 0.0033), np.arange(0.0, 0.8, 0.0033)))
    points = np.column_stack([x, y, 0.02 * x - 0.01 * y])
    return points if hole is None else points[~hole(x, y)]


def test_what_stands_out_at_an_edge_goes_and_the_edge_itself_stays():
    points = wall()
    beside = (points[:, 0] > 0.99) & (points[:, 1] > 0.3)
    points[beside, 2] += 0.02
    kept = on_the_wall(points)
    assert not kept[beside].any()
    assert kept[~beside].all()


def test_around_an_opening_as_well():
    points = wall(lambda x, y: (np.abs(x - 0.5) < 0.15) & (np.abs(y - 0.4) < 0.15))
    reveal = (np.abs(points[:, 0] - 0.5) < 0.16) & (np.abs(points[:, 1] - 0.4) < 0.1)
    points[reveal, 2] -= 0.03
    kept = on_the_wall(points)
    assert reveal.sum() > 50
    assert not kept[reveal].any()
    assert kept[~reveal].all()


def test_a_nib_in_the_wall_and_holes_in_it_are_no_edges():
    points = wall(lambda x, y: (np.abs(x - 0.4) < 0.015) & (np.abs(y - 0.4) < 0.015))
    nib = (np.abs(points[:, 0] - 0.44) < 0.01) & (np.abs(points[:, 1] - 0.4) < 0.01)
    points[nib, 2] += 0.008
    assert nib.sum() > 20
    assert on_the_wall(points).all()


def test_few_points_are_left_as_they_are():
    assert on_the_wall(np.zeros((3, 3))).all()
    assert on_the_wall(np.empty((0, 3))).shape == (0,)
