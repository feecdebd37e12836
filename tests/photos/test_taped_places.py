"""Targets laid on tapes: scale, turn, a tape misread, a wall mirrored; worked by hand."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.capture.photos.photo_setup import Distance, PhotoSetup, photo_setup
from flatscan.capture.photos.taped_places import laid_on_tapes
from flatscan.capture.photos.target_ties import Marks
from flatscan.core.errors import BadTable

PLACES = np.array([[0.3, 0.3], [3.3, 0.3], [3.3, 2.1], [0.3, 2.1], [1.8, 1.2]])


def marks(places, side=0.05):
    """Targets in a frame half as large, turned by 3 degrees."""
    turn = np.array([[np.cos(0.05), np.sin(0.05)], [-np.sin(0.05), np.cos(0.05)]])
    at = 0.5 * places @ turn.T + [4.0, -2.0]
    square = side / 2 * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    corners = np.concatenate([at[:, None] + square, np.zeros((len(at), 4, 1))], axis=2)
    return Marks(np.arange(len(places), dtype=np.int64), corners)


def taped(places, **more):
    return PhotoSetup(file=Path("wall.toml"), targets=tuple(enumerate(places)), target_size=0.1, **more)


def test_places_give_scale_and_turn():
    laid = laid_on_tapes(marks(PLACES), taped(PLACES), 0.001)
    assert_allclose(laid.scale, 2.0, rtol=1e-12)
    assert_allclose(laid.turn, [[np.cos(0.05), -np.sin(0.05)], [np.sin(0.05), np.cos(0.05)]], atol=1e-12)
    # 1 mm over the root of the sum of squared distances from the middle: four corners at (1.5, 0.9) and the middle
    assert_allclose(laid.u_scale, 0.001 / np.sqrt(4 * (1.5**2 + 0.9**2)), rtol=1e-9)
    assert laid.axes
    assert laid.used == 5


def test_a_tape_misread_by_10_mm_is_left_out_and_named():
    wrong = PLACES.copy()
    wrong[2, 0] += 0.010
    laid = laid_on_tapes(marks(PLACES), taped(wrong), 0.001)
    assert_allclose(laid.scale, 2.0, rtol=1e-9)
    (said,) = [one for one in laid.notes if one.code == "placed.tape-misread"]
    assert said.quantities["number"] == 2
    assert_allclose(said.quantities["off"].value, 0.010, atol=1e-6)


def test_places_from_the_right_are_refused_as_mirrored():
    mirrored = PLACES * [-1, 1] + [3.6, 0]
    mirrored[4] += [0.4, 0.3]
    skew = PLACES.copy()
    skew[4] += [-0.4, 0.3]
    with pytest.raises(BadTable, match="mirrored wall"):
        laid_on_tapes(marks(skew), taped(mirrored), 0.001)


def test_places_that_fit_nothing_are_refused():
    with pytest.raises(BadTable, match="miss the photos by"):
        laid_on_tapes(marks(PLACES), taped(PLACES[[1, 2, 0, 4, 3]]), 0.001)


def test_distances_give_the_scale_and_check_each_other():
    both = (Distance(0, 1, 3.0), Distance(1, 2, 1.806))
    laid = laid_on_tapes(marks(PLACES), PhotoSetup(distances=both), 0.001)
    # least squares of taped over measured 1.5 and 0.9: (3 x 1.5 + 1.806 x 0.9) / (1.5^2 + 0.9^2)
    assert_allclose(laid.scale, (4.5 + 1.6254) / 3.06, rtol=1e-9)
    assert not laid.axes
    (said,) = laid.notes
    assert_allclose(said.quantities["most"].value, 1.806 - 0.9 * laid.scale, atol=1e-9)


def test_the_printed_size_alone_is_less_sure():
    laid = laid_on_tapes(marks(PLACES), PhotoSetup(target_size=0.1), 0.001)
    assert_allclose(laid.scale, 2.0, rtol=1e-9)
    # 0.3 mm of 100 mm by the rule, 0.6 pixels of 50 by light that spreads over the edges
    assert_allclose(laid.u_scale, np.hypot(0.003, 0.6 / 50), rtol=1e-6)


def test_nothing_taped_is_no_scale():
    assert laid_on_tapes(marks(PLACES), PhotoSetup(), 0.001) is None


def test_a_whole_file_is_read(tmp_path):
    (tmp_path / "wall.toml").write_text(
        '[wall]\nname = "north"\nwidth = "3.6 m"\n[targets]\nsize = "100 mm"\nat = { 0 = ["0.3 m", "300 mm"] }\n'
        '[[distance]]\nbetween = [0, 3]\nis = "2.41 m"\n[u]\ntarget_place = "2 mm"\n'
    )
    given = photo_setup(tmp_path)
    assert (given.name, given.width, given.target_size) == ("north", 3.6, 0.1)
    assert_allclose(given.targets[0][1], [0.3, 0.3])
    assert given.distances == (Distance(0, 3, 2.41),)
    assert given.doubts.target_place == 0.002
