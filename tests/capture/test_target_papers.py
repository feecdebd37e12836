"""Printed targets are paper: no point of them, nor of what is matched at their rims, is the wall's."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from flatscan.capture.photos.target_papers import AROUND, off_papers

# a black square of 120 mm has 30 mm of white around it, and 20 mm around that are left out
REACH = 0.060 + 0.030 + AROUND


def target(x, y, turned=0.0, side=0.12):
    square = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * side / 2
    c, s = np.cos(turned), np.sin(turned)
    return np.column_stack([square @ [[c, s], [-s, c]] + [x, y], np.full(4, 0.001)])


@pytest.mark.parametrize("turned", [0.0, np.pi / 2, 0.3, np.pi])
def test_paper_and_what_is_around_it_is_left_out(turned):
    off = np.array([[0, 0], [REACH - 0.001, 0], [0, REACH - 0.001], [REACH + 0.001, 0], [0, -REACH - 0.001], [0.5, 0]])
    c, s = np.cos(turned), np.sin(turned)
    points = np.column_stack([off @ [[c, s], [-s, c]] + [1.0, 2.0], np.zeros(len(off))])
    assert_array_equal(off_papers(points, target(1.0, 2.0, turned)[None]), [False, False, False, True, True, True])


def test_every_target_has_its_paper_and_none_has_none():
    points = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.5, 0.0, 0.0]])
    two = np.stack([target(0.0, 0.0), target(1.0, 0.0)])
    assert_array_equal(off_papers(points, two), [False, False, True])
    assert off_papers(points, np.zeros((0, 4, 3))).all()
