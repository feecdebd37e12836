"""What lies far from all the rest is left out, counted and said; a part can be cut out; a large building stays."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from flatscan import capture
from flatscan.capture.strays import main_part, stray_box
from flatscan.core.errors import BadValue


def box(rng, length, width, height, count):
    """Points on the six sides of a box seen evenly from everywhere."""
    sides = np.array([width * height, length * height, length * width])
    axis = rng.choice(3, count, p=sides / sides.sum())
    points = rng.random((count, 3)) * [length, width, height]
    points[np.arange(count), axis] = rng.integers(0, 2, count) * np.array([length, width, height])[axis]
    return points + rng.normal(0, 0.003, (count, 3))


def seen_from(rng, length, width, height, stand, count):
    """Points of a box as a scanner at ``stand`` sees it: dense near it, thin far away."""
    ways = rng.normal(size=(count, 3))
    to_side = np.where(ways > 0, np.array([length, width, height]) - stand, -np.asarray(stand)) / ways
    return ways * to_side.min(axis=1, keepdims=True) + stand


def notes(cloud, code):
    return [it for it in cloud.origin.warnings if it.code == code]


SCATTERED = {
    "all around": lambda rng, n: rng.uniform(-450, 450, (n, 3)),
    "to one side": lambda rng, n: rng.uniform(0, 900, (n, 3)),
    "along a beam": lambda rng, n: np.outer(rng.uniform(0, 900, n), [0.8, 0.5, 0.33]) + rng.normal(0, 0.05, (n, 3)),
    "on the ground": lambda rng, n: np.column_stack([rng.uniform(-450, 450, (n, 2)), rng.normal(0, 0.3, n)]),
}


@pytest.mark.parametrize(("where", "share"), [*((where, 0.05) for where in SCATTERED), ("all around", 0.02)])
def test_points_scattered_over_900_m_are_left_out_and_said(write, ply, where, share):
    rng = np.random.default_rng(5)
    room = box(rng, 4.0, 3.5, 2.5, 30_000)
    strays = SCATTERED[where](rng, int(share * len(room)))
    points = rng.permutation(np.concatenate([room, strays]))
    cloud = capture.read(write("a.ply", ply(points, code="f8")))
    assert cloud.unit.value == "m"
    (said,) = notes(cloud, "capture.strays")
    left = len(points) - cloud.count
    assert said.quantities["count"] == left
    # what lies within some sizes of the room stays, for the search for walls to deal with
    assert 0.94 * len(strays) <= left <= len(strays)
    assert 300 < said.quantities["away"].value < 1500
    assert len(cloud.sample) == cloud.count


@pytest.mark.parametrize("size", [(60.0, 12.0, 4.0), (250.0, 40.0, 12.0), (12.0, 250.0, 3.0)])
def test_a_large_building_is_kept_whole(size):
    rng = np.random.default_rng(6)
    cloud = capture.from_points(box(rng, *size, 20_000))
    assert cloud.count == 20_000
    assert notes(cloud, "capture.strays") == []


def test_a_wing_that_hangs_together_stays_though_it_is_long_and_thinly_seen():
    rng = np.random.default_rng(7)
    room, wing = box(rng, 4.0, 3.5, 2.5, 40_000), box(rng, 80.0, 2.0, 2.5, 2_000) + [4.0, 1.0, 0.0]
    cloud = capture.from_points(np.concatenate([room, wing]))
    assert cloud.count == 42_000


def test_a_hall_seen_from_one_end_loses_next_to_nothing_and_says_so():
    rng = np.random.default_rng(8)
    points = seen_from(rng, 60.0, 12.0, 5.0, (5.0, 4.0, 1.5), 40_000)
    cloud = capture.from_points(points)
    left = len(points) - cloud.count
    assert left < 0.002 * len(points)
    assert len(notes(cloud, "capture.strays")) == (left > 0)


def test_the_main_part_is_the_shortest_stretch_with_four_points_in_five():
    values = np.concatenate([np.linspace(0, 1, 81) ** 2, np.linspace(50, 90, 19)])
    low, high = main_part(np.column_stack([values, -values, values]))
    assert_allclose([low[0], high[0]], [0.0, (79 / 80) ** 2], atol=1e-9)
    assert_allclose([low[1], high[1]], [-((79 / 80) ** 2), 0.0], atol=1e-9)


def test_a_sample_of_one_place_has_no_strays():
    sample = np.zeros((500, 3))
    assert stray_box(sample, np.full(3, -1e6), np.full(3, 1e6)) is None


# ---- a part cut out ----


def test_a_crop_in_the_files_own_unit_is_counted_and_said(write, ply, wall):
    path = write("a.ply", ply(wall * 1000 + [0, 0, 5000], code="f8"))
    # corners in any order
    cloud = capture.read(path, file_unit="mm", crop=(2000, 0, 5000, 1000, 3000, 9000))
    inside = wall[(wall[:, 0] >= 1) & (wall[:, 0] <= 2)]
    assert cloud.count == len(inside) == len(cloud.sample)
    assert_allclose(np.concatenate(list(cloud.chunks())) + cloud.shift, inside + [0, 0, 5], atol=1e-9)
    (said,) = notes(cloud, "capture.cropped")
    assert said.quantities["left"] == len(wall) - len(inside)
    assert said.quantities["rows"] == len(wall)


def test_nothing_inside_a_crop_is_a_stray(write, ply, wall):
    dirty = np.concatenate([wall, [[40.0, 0, 0], [900.0, 0, 0]]])
    path = write("a.ply", ply(dirty, code="f8"))
    assert capture.read(path).count == 2000
    cloud = capture.read(path, crop=(-1, -1, -1, 1000, 10, 10))
    assert cloud.count == 2002
    assert notes(cloud, "capture.strays") == []


def test_a_crop_that_leaves_nothing_names_what_the_file_fills_and_that_works(write, ply, wall):
    path = write("a.ply", ply(wall, code="f8"))
    with pytest.raises(BadValue) as refused:
        capture.read(path, crop=(100, 100, 100, 101, 101, 101))
    where, found, needed, remedy = refused.value.parts()
    assert where == "crop"
    assert found.startswith("0 of 2,000 points of a.ply lie in the box; they fill 0.00,")
    assert needed.startswith("at least 100 points")
    ((setting, value),) = refused.value.choices
    assert f"{setting} {value}" in remedy
    again = capture.read(path, crop=tuple(float(part) for part in value.split(",")))
    assert again.count == len(wall)


def test_rubbish_in_a_cropped_file_is_counted_as_ever(write, ply, wall):
    dirty = np.concatenate([wall, [[np.nan, 0, 0]], wall[:5]])
    cloud = capture.read(write("a.ply", ply(dirty, code="f8")), crop=(-1, -1, -1, 10, 10, 10))
    assert {it.code for it in cloud.origin.warnings} >= {"capture.rows-not-numbers", "capture.rows-repeat"}
    assert_array_equal(np.sort(np.concatenate(list(cloud.chunks()))[:, 0]), np.sort(wall[:, 0]))
