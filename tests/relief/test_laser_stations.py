import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.geometry import clipped, polygon_area
from flatscan.core.model import Origin, Readings
from flatscan.core.quantity import metres
from flatscan.core.warp import CommonError
from flatscan.relief import from_stations
from flatscan.relief.laser_stations import owned_areas

BOX = np.array([[0, 0], [4.2, 0], [4.2, 2.7], [0, 2.7]], float)
ORIGIN = Origin("made.csv", "0", "laser grid", "mm", 6)


def make(x, y, offset, **fields):
    return Readings(ORIGIN, np.array(x, float), np.array(y, float), np.array(offset, float), 0.0006, **fields)


def survey(stations):
    return from_stations(stations, CommonError(0.0), 0.0002)


def test_a_full_table_owns_rectangles_to_the_midlines():
    across, upward = np.array([0.1, 1.1, 2.1, 4.0]), np.array([0.1, 1.0, 2.6])
    x, y = (grid.ravel() for grid in np.meshgrid(across, upward))
    wide = np.diff([0, 0.6, 1.6, 3.05, 4.2])
    high = np.diff([0, 0.55, 1.8, 2.7])
    assert_allclose(owned_areas(x, y, BOX), np.outer(high, wide).ravel(), rtol=1e-12)


def test_free_places_own_what_a_fine_nearest_search_gives_them():
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 4.2, 30), rng.uniform(0, 2.7, 30)
    gx, gy = np.meshgrid((np.arange(840) + 0.5) * 0.005, (np.arange(540) + 0.5) * 0.005)
    nearest = np.argmin((gx.ravel()[:, None] - x) ** 2 + (gy.ravel()[:, None] - y) ** 2, axis=1)
    assert_allclose(owned_areas(x, y, BOX), np.bincount(nearest, minlength=30) * 0.005**2, atol=0.01)
    assert_allclose(owned_areas(x, y, BOX).sum(), polygon_area(BOX))


def test_cells_are_those_cut_out_of_a_gable_bisector_by_bisector():
    """The plain way: each station takes from the outline what lies nearer to it than to every other one."""
    gable = np.array([[0, 0], [4.2, 0], [4.2, 2.0], [2.1, 3.2], [0, 2.0]])
    rng = np.random.default_rng(5)
    # on the edge and beyond it too
    places = np.stack([np.r_[rng.uniform(0, 4.2, 40), 0.0, 4.2, 4.5], np.r_[rng.uniform(0, 3.2, 40), 0.0, 1.0, 1.0]], 1)
    plain = []
    for place in places:
        corners = gable
        for other in places[(places != place).any(axis=1)]:
            corners = clipped(corners, (place + other) / 2, other - place)
        plain.append(polygon_area(corners) if len(corners) else 0.0)
    assert_allclose(owned_areas(*places.T, gable), plain, atol=1e-11)


def test_one_station_owns_the_wall():
    assert_allclose(owned_areas(np.array([1.0]), np.array([1.0]), BOX), [4.2 * 2.7])


def test_edges_lie_100_mm_beyond_the_outer_stations_and_that_is_said():
    wall, relief, notes = survey(make([0.1, 1.1, 2.1] * 2, [0.1] * 3 + [2.6] * 3, [0] * 6))
    assert_allclose([wall.width, wall.height], [2.2, 2.7])
    assert_allclose(relief.net_area, 2.2 * 2.7)
    assert [it.code for it in notes] == ["relief.no-width", "relief.no-height"]
    assert [it.quantities["margin"] for it in notes] == [metres(0.1)] * 2


def test_a_given_size_is_used_without_a_word():
    wall, _, notes = survey(make([0.1, 2.1], [0.1, 2.6], [0, 0], width=4.2, height=2.7))
    assert_allclose([wall.width, wall.height, wall.gross_area], [4.2, 2.7, 11.34])
    assert notes == ()


def test_missing_stations_give_their_area_to_the_neighbours():
    stations = make([0.5, 2.5], [0.5, 0.5], [0, 0], width=3.0, height=1.0, missing=np.array([[1.5, 0.5]]))
    _, relief, notes = survey(stations)
    assert_allclose(relief.area, [[1.5, 1.5]])
    assert_allclose(relief.covered_share, 2 / 3)
    assert notes[0].code == "relief.not-read"
    assert_allclose(notes[0].quantities["share"].value, 1 / 3, atol=5e-4)


def test_free_places_stand_in_a_matrix_of_their_own_coordinates():
    _, relief, _ = survey(make([0.3, 1.0, 0.7], [2.0, 0.4, 1.1], [0.001, 0.002, 0.003], width=2, height=2.4))
    assert_allclose(relief.x, [0.3, 0.7, 1.0])
    assert_allclose(relief.offset[[2, 0, 1], [0, 2, 1]], [0.001, 0.002, 0.003])
    assert relief.valid.sum() == 3
    assert not relief.known_between


def test_a_station_read_twice_counts_once_with_its_mean():
    _, relief, notes = survey(make([0.3, 0.3, 1.0], [1, 1, 1], [0.001, 0.003, 0.0], width=2, height=2.4))
    assert relief.offset[0, 0] == pytest.approx(0.002)
    assert notes[0].code == "relief.station-read-again"
