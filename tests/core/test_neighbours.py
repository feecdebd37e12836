"""Neighbours of freely placed stations."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from flatscan.core.geometry import neighbour_pairs


def pairs(x, y):
    return {tuple(pair) for pair in neighbour_pairs(np.array(x, float), np.array(y, float)).tolist()}


def test_a_full_table_has_the_eight_around_each():
    across, upward = np.meshgrid(np.arange(5) * 0.7, np.arange(4) * 0.5)
    rows, cols = np.divmod(np.arange(20), 5)
    wanted = {
        (i, j)
        for i in range(20)
        for j in range(i + 1, 20)
        if abs(rows[i] - rows[j]) <= 1 and abs(cols[i] - cols[j]) <= 1
    }
    assert pairs(across.ravel(), upward.ravel()) == wanted
    # typed to the millimetre, a table is not exact
    rng = np.random.default_rng(1)
    typed = [np.round(at.ravel() + rng.uniform(-0.001, 0.001, 20), 3) for at in (across, upward)]
    assert pairs(*typed) == wanted


@pytest.mark.parametrize("turn", [0.0, 0.4, np.pi / 2])
def test_places_on_a_line_follow_each_other(turn):
    at = np.array([0.0, 0.5, 0.7, 1.9, 2.0])
    assert pairs(at * np.cos(turn), at * np.sin(turn)) == {(0, 1), (1, 2), (2, 3), (3, 4)}


def test_few_places():
    assert neighbour_pairs(np.empty(0), np.empty(0)).shape == (0, 2)
    assert neighbour_pairs(np.zeros(1), np.zeros(1)).shape == (0, 2)
    assert pairs([0, 1], [0, 3]) == {(0, 1)}
    assert pairs([1, 1, 2], [1, 1, 1]) >= set()


def test_the_ends_of_a_slightly_bent_row_are_no_neighbours():
    # one triangle joins them, but their regions meet far outside the wall
    assert (0, 2) not in pairs([0, 1, 2, 0, 1, 2], [0, 0.01, 0, 1, 1, 1])


def test_free_places_are_neighbours_where_a_fine_raster_shows_their_regions_touch():
    rng = np.random.default_rng(7)
    x, y = rng.uniform(0, 4, 60), rng.uniform(0, 2.5, 60)
    across, upward = np.meshgrid(np.linspace(x.min(), x.max(), 900), np.linspace(y.min(), y.max(), 600))
    _, owner = cKDTree(np.stack([x, y], axis=1)).query(np.stack([across, upward], axis=-1))
    sides = [(owner[:, 1:], owner[:, :-1]), (owner[1:], owner[:-1])]
    seen = {
        tuple(sorted(pair))
        for one, other in sides
        for pair in zip(one[one != other].tolist(), other[one != other].tolist(), strict=True)
    }
    found = pairs(x, y)
    assert seen <= found
    # the box reaches half a spacing further, and corners may be too short for the raster
    assert len(found - seen) <= 6


def test_neighbours_do_not_depend_on_which_way_round_the_wall_is_seen():
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 4, 40), rng.uniform(0, 2.5, 40)
    assert pairs(x, y) == pairs(4 - x, y) == pairs(y, x)
