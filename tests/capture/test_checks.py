"""What every reader of points ends in: rubbish counted, units decided, steps found, an even sample."""

import hashlib
import pickle

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from flatscan import capture
from flatscan.capture import cleaning, source
from flatscan.capture.checks import axis_step
from flatscan.capture.file_unit import decide_unit
from flatscan.core.errors import BadValue, ReadError, TooFewPoints, UnitsUnknown
from flatscan.report.say import say


def all_points(cloud):
    return np.concatenate(list(cloud.chunks())) + cloud.shift


def said(cloud, words):
    return any(words in say(it) for it in cloud.origin.warnings)


@pytest.fixture
def read(write, ply):
    return lambda points, **options: capture.read(write("a.ply", ply(points, code="f8")), **options)


def test_rows_that_are_not_numbers_are_counted_and_left_out(read, wall):
    dirty = wall.copy()
    dirty[3, 0], dirty[10, 2], dirty[1999, 1] = np.nan, np.inf, -np.inf
    cloud = read(dirty)
    assert said(cloud, "3 of 2,000 rows hold no number")
    assert_array_equal(all_points(cloud), np.delete(wall, [3, 10, 1999], axis=0))
    assert cloud.count == cloud.origin.points == 1997


def test_signalling_nan_in_single_precision_is_only_counted(write, ply, wall):
    data = bytearray(ply(wall, code="f4"))
    data[-12:-8] = (0x7FA00000).to_bytes(4, "little")
    assert said(capture.read(write("a.ply", bytes(data))), "1 of 2,000 rows holds no number")


def test_only_rubbish_is_an_error(read, wall):
    with pytest.raises(ReadError, match="2,000 are not numbers"):
        read(np.full_like(wall, np.nan))
    with pytest.raises(ReadError, match="2,000 lie at 0, 0, 0"):
        read(np.zeros_like(wall))


def test_all_points_at_one_place_or_on_one_line_is_an_error(read, wall):
    with pytest.raises(ReadError, match="one place"):
        read(np.ones_like(wall))
    with pytest.raises(ReadError, match="one line"):
        read(np.outer(np.arange(500.0), [1, 2, 3]))


def test_returns_of_range_zero_are_counted_but_one_point_at_the_origin_may_be_real(read, wall):
    dirty = wall.copy()
    dirty[5] = 0
    assert read(dirty).count == 2000
    dirty[9] = 0
    cloud = read(dirty)
    assert cloud.count == 1998
    assert said(cloud, "2 of 2,000 rows lie exactly at the scanner's own place")


def test_repeated_rows_are_counted_and_left_out(read, wall):
    cloud = read(np.concatenate([wall, wall[:700], wall[:300]]))
    assert said(cloud, "1,000 of 3,000 rows repeat an earlier row exactly: left out")
    assert_array_equal(all_points(cloud), wall)
    assert_array_equal(cloud.sample, wall)
    assert cloud.independent_share == 1.0


def test_repeats_in_a_big_file_are_estimated_and_count_as_no_new_returns(read, make_wall, monkeypatch):
    monkeypatch.setattr(cleaning, "EXACT_ROWS", 20_000)
    some = make_wall(60_000)
    cloud = read(np.concatenate([some, some[:20_000]]))
    # a quarter of the rows repeat; some 10,000 positions are looked at, so the share is known to about 0.5 %
    assert cloud.count == 80_000
    assert said(cloud, "estimated from")
    assert cloud.independent_share == pytest.approx(0.75, abs=0.02)


def test_row_hashes_tell_rows_apart_and_equal_rows_together():
    rng = np.random.default_rng(3)
    # numbers with few bits are the hard case for a hash
    rows = np.unique(rng.integers(0, 60, (100_000, 3)).astype(float), axis=0)
    assert len(np.unique(cleaning.row_hashes(rows))) == len(rows)
    assert_array_equal(cleaning.row_hashes(np.array([[0.0, 1, 2]])), cleaning.row_hashes(np.array([[-0.0, 1, 2]])))


def test_far_strays_are_counted_and_left_out(read, wall):
    dirty = wall.copy()
    dirty[[4, 8]] = [1e5, 0, 0], [0, -900, 0]
    cloud = read(dirty)
    assert cloud.count == 1998
    assert said(cloud, "2 of 2,000 points are scattered up to ")
    assert_array_equal(all_points(cloud), np.delete(wall, [4, 8], axis=0))


def test_all_kinds_of_rubbish_together_add_up(read, wall):
    dirty = np.concatenate([wall, wall[:10], np.zeros((3, 3)), np.full((2, 3), 1e6), np.full((1, 3), np.nan)])
    cloud = read(dirty)
    assert cloud.count == 2000
    assert_array_equal(all_points(cloud), wall)


def test_a_clean_capture_says_only_how_its_unit_was_found(read, wall):
    cloud = read(wall)
    assert len(cloud.origin.warnings) == 1
    assert said(cloud, "taken as m, which makes the capture 4.00 m x 2.60 m x 0.02 m")


@pytest.mark.parametrize(("unit", "per_metre"), [("m", 1), ("mm", 1000), ("cm", 100), ("in", 1 / 0.0254)])
def test_the_unit_of_a_plain_wall_is_recognised(read, wall, unit, per_metre):
    cloud = read(wall * per_metre)
    assert cloud.origin.file_unit == unit
    assert_allclose(all_points(cloud), wall, atol=1e-12)


def test_a_wall_that_may_be_in_feet_or_metres_is_asked_about(read, wall):
    feet = wall / 0.3048
    with pytest.raises(
        UnitsUnknown, match=r"13\.\d+ m x 8\.\d+ m x 0\.\d+ m if in m or 4\.00 m x 2\.60 m x 0\.02 m if in ft"
    ):
        read(feet)
    assert_allclose(all_points(read(feet, file_unit="ft")), wall, atol=1e-12)


@pytest.mark.parametrize("factor", [1e-3, 1e3])
def test_a_wall_4000_m_or_4_mm_wide_is_an_error_even_when_told_so(read, wall, factor):
    with pytest.raises(UnitsUnknown, match="wide"):
        read(wall * factor, file_unit="m")


def test_a_wall_of_4_mm_is_an_error_without_being_told(read, wall):
    with pytest.raises(UnitsUnknown, match="does not say its unit"):
        read(wall * 1e-3)


def test_an_unknown_unit_is_refused(read, wall):
    with pytest.raises(BadValue, match="'furlong'"):
        read(wall, file_unit="furlong")


@pytest.mark.parametrize(
    ("size", "unit"),
    [
        ((12.0, 9.0, 2.6), "m"),  # a flat
        ((10.0, 3.0, 0.05), "m"),
        ((2.5, 0.8, 0.02), "m"),  # a pier
        ((4200.0, 2700.0, 30.0), "mm"),
        ((3000.0, 2500.0, 30.0), "mm"),
        ((420.0, 270.0, 3.0), "cm"),
        ((165.0, 106.0, 1.0), "in"),
    ],
)
def test_units_after_what_is_plausible(size, unit):
    assert decide_unit("a", np.array(size))[0].value == unit


@pytest.mark.parametrize("size", [(20.0, 8.0, 0.1), (16.0, 13.0, 8.0), (1500.0, 1000.0, 20.0)])
def test_units_that_two_readings_fit_are_asked_for(size):
    with pytest.raises(UnitsUnknown, match=" or "):
        decide_unit("a", np.array(size))


def test_map_coordinates_are_shifted_before_anything_is_lost(read, wall):
    far = wall + [600_000, 200_000, 50]
    cloud = read(far)
    assert np.abs(cloud.sample[:, :2]).max() < 10
    assert_array_equal(cloud.shift, np.round(cloud.shift))
    assert_allclose(all_points(cloud), far, rtol=0, atol=1e-9)


def test_map_coordinates_in_single_precision_are_said_with_what_was_lost(write, ply, wall):
    # the distance of neighbouring binary32 numbers between 2^19 and 2^20 is 2^-4 = 62.5 mm (IEEE 754)
    cloud = capture.read(write("a.ply", ply(wall + [600_000, 200_000, 50], code="f4")))
    assert said(cloud, "(32-bit floats), 600")
    assert said(cloud, "62.5 mm")
    assert cloud.u_step[0] == pytest.approx(0.0625 / np.sqrt(12))


@pytest.mark.parametrize("step", [0.001, 0.01, 0.074])
def test_the_step_of_rounded_numbers_is_found(step):
    rng = np.random.default_rng(2)
    values = np.round(rng.uniform(0, 4, 20_000) / step) * step
    assert axis_step(values) == pytest.approx(step, rel=1e-6)


def test_the_step_of_a_depth_camera_is_the_one_its_points_see():
    # depth = k / disparity: steps grow with the square of depth
    rng = np.random.default_rng(2)
    depth = 100.0 / rng.integers(20, 60, 50_000)
    assert axis_step(depth) == pytest.approx(100 / 30**2, rel=0.7)


def test_continuous_numbers_show_no_step():
    assert axis_step(np.random.default_rng(1).uniform(0, 4, 20_000)) < 1e-6
    assert axis_step(np.ones(50)) == 0


def test_a_step_over_1_mm_square_to_the_wall_is_said_and_a_raster_on_the_wall_is_not(read, make_wall):
    rough = make_wall(20_000)
    rough[:, 1] = np.round(rough[:, 1] / 0.01) * 0.01
    cloud = read(rough)
    assert said(cloud, "steps (y 10 mm)")
    assert cloud.u_step[1] == pytest.approx(0.01 / np.sqrt(12))
    raster = make_wall(20_000)
    raster[:, [0, 2]] = np.round(raster[:, [0, 2]] / 0.02) * 0.02
    assert not said(read(raster), "steps")


def test_the_sample_is_even_seeded_and_a_subset(read, make_wall, monkeypatch):
    monkeypatch.setattr(cleaning, "SAMPLE", 1000)
    rows = cleaning.sample_rows(100_000, 1000)
    assert len(rows) == 1000
    # one in each run of 100 rows
    assert_array_equal(rows // 100, np.arange(1000))
    assert_array_equal(rows, cleaning.sample_rows(100_000, 1000))
    assert_array_equal(cleaning.sample_rows(5, 1000), np.arange(5))


def test_chunks_give_the_same_again_whatever_the_block_size(read, make_wall, monkeypatch):
    points = make_wall(30_000)
    points[::100] = np.nan
    whole = all_points(read(points))
    cloud = read(points)
    assert_array_equal(np.concatenate(list(cloud.chunks())), np.concatenate(list(cloud.chunks())))
    monkeypatch.setattr(source, "BLOCK", 7_001)
    small = read(points)
    assert_array_equal(all_points(small), whole)
    assert_array_equal(small.sample, cloud.sample)
    assert small.origin == cloud.origin


def test_the_hash_is_the_file_s_own(write, ply, wall):
    data = ply(wall)
    assert capture.read(write("a.ply", data)).origin.sha256 == hashlib.sha256(data).hexdigest()


def test_a_cloud_can_be_pickled_for_another_process(read, wall):
    cloud = read(wall)
    assert_array_equal(all_points(pickle.loads(pickle.dumps(cloud))), wall)


def test_single_precision_steps_are_those_of_ieee_754():
    assert_array_equal(source.float32_step(np.array([1.0, 600_000.0, 0.5])), [2**-23, 2**-4, 2**-24])


def test_few_points_left_after_cleaning_are_refused(read, wall):
    with pytest.raises(TooFewPoints, match="50 distinct, usable points of 2,000"):
        read(np.tile(wall[:50], (40, 1)))


def test_a_reading_so_sparse_that_nobody_scans_so_is_not_guessed():
    """154 points of a patch of 118 x 236 mm: in inches a typical wall of 3 x 6 m, with 9 points a m2."""
    extents = np.array([236.0, 118.0, 1.0])
    with pytest.raises(UnitsUnknown, match=r"2\.36 m x 1\.18 m .*if in cm or 5\.99 m x 3\.00 m .*if in in") as asked:
        decide_unit("a", extents, 154)
    assert asked.value.choices == (("file_unit", "cm"), ("file_unit", "in"))
    assert decide_unit("a", extents, 20_000)[0].value == "in"


def test_how_sure_a_unit_is_and_what_else_it_may_be():
    settled, _ = decide_unit("a", np.array([4.0, 3.5, 2.5]), 50_000)
    assert (settled.value, settled.sure, settled.others) == ("m", "sure", ())
    settled, _ = decide_unit("a", np.array([4.0, 2.5, 0.05]), 50_000)
    assert (settled.value, settled.sure) == ("m", "sure")
    assert [other.value for other in settled.others] == ["ft"]


def test_a_facade_of_over_6_m_that_feet_would_make_lower_is_asked_for():
    with pytest.raises(UnitsUnknown, match="m if in m or .*if in ft") as asked:
        decide_unit("a", np.array([40.0, 16.0, 0.2]), 100_000)
    assert [value for _, value in asked.value.choices] == ["m", "ft"]


def test_the_unit_is_known_by_its_format_or_as_given(read, wall):
    assert read(wall, file_unit="m").unit.sure == "given"
    in_memory = capture.from_points(wall).unit
    assert (in_memory.sure, in_memory.by.code) == ("sure", "capture.unit-in-memory")
