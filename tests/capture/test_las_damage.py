"""LAS and LAZ whose own numbers disagree (places from ASPRS LAS 1.4 R15, tables 3 and 4)."""

import struct

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan import capture
from flatscan.core.errors import ReadError
from flatscan.report.say import say

laspy = pytest.importorskip("laspy")


@pytest.fixture
def las(tmp_path, make, wall):
    return make.las(tmp_path / "a.las", wall)


@pytest.fixture
def laz(tmp_path, make, wall):
    return make.las(tmp_path / "a.laz", wall)


def put(path, at, form, *values):
    data = bytearray(path.read_bytes())
    struct.pack_into(form, data, at, *values)
    path.write_bytes(bytes(data))
    return path


def start_of_points(path):
    return struct.unpack_from("<I", path.read_bytes(), 96)[0]


def said(cloud, words):
    return any(words in say(it) for it in cloud.origin.warnings)


def test_more_or_fewer_points_than_the_header_counts(las):
    size = struct.unpack_from("<H", las.read_bytes(), 105)[0]
    whole = las.read_bytes()
    las.write_bytes(whole + bytes(3 * size))
    assert said(capture.read(las), f"{3 * size} bytes beyond the 2,000 points")
    las.write_bytes(whole)
    with pytest.raises(ReadError, match="promises 2,500 points, the file holds 2,000"):
        capture.read(put(las, 247, "<Q", 2500))


def test_a_number_of_records_that_cannot_be_is_refused_at_once(las):
    with pytest.raises(ReadError, match="record 1 of 4,000,000,000 would begin"):
        capture.read(put(las, 100, "<I", 4_000_000_000))


def test_places_outside_the_file_are_refused(las):
    whole = las.read_bytes()
    with pytest.raises(ReadError, match="points begin at byte 4,000,000,000"):
        capture.read(put(las, 96, "<I", 4_000_000_000))
    las.write_bytes(whole)
    with pytest.raises(ReadError, match="a header of 60,000 bytes"):
        capture.read(put(las, 94, "<H", 60_000))
    las.write_bytes(whole)
    with pytest.raises(ReadError, match="version 9.4"):
        capture.read(put(las, 24, "<B", 9))


@pytest.mark.parametrize("scale", [0.0, float("nan"), float("inf")])
def test_a_scale_that_is_none_is_refused(las, scale):
    with pytest.raises(ReadError, match="scales"):
        capture.read(put(las, 131, "<d", scale))


def test_a_scale_changed_afterwards_shows_in_the_box_of_the_header(las):
    assert said(capture.read(put(las, 131, "<d", 2e-4)), "do not fill the box its header gives along x")


def test_noise_left_out_may_have_reached_further_than_the_rest(tmp_path, make, wall):
    far = np.concatenate([wall, [[9.0, 2.0, 1.0]]])

    def edit(made):
        made.classification[-1] = 7

    cloud = capture.read(make.las(tmp_path / "a.las", far, edit=edit))
    assert not said(cloud, "do not fill the box")
    assert cloud.count == 2000


def test_a_chunk_table_that_cannot_be_is_refused_before_memory_is_taken(laz):
    start = start_of_points(laz)
    table = struct.unpack_from("<q", laz.read_bytes(), start)[0]
    whole = laz.read_bytes()
    with pytest.raises(ReadError, match="promises 3,000,000,000 chunks; needed: 1 for 2,000 points"):
        capture.read(put(laz, table + 4, "<I", 3_000_000_000))
    laz.write_bytes(whole)
    with pytest.raises(ReadError, match="chunk table should be at byte 999,999"):
        capture.read(put(laz, start, "<q", 999_999))


def test_a_chunk_larger_than_the_file_could_need_is_refused(laz):
    # the compressor's record is the first behind the header of 375 bytes: 54 of its own head, chunk size at 12
    with pytest.raises(ReadError, match="chunks of 4,278,240,080 points"):
        capture.read(put(laz, 375 + 54 + 12, "<I", 0xFF00C350))


def test_layers_and_counts_of_a_chunk_must_add_up(laz):
    # a chunk is its first point (30 bytes here), the number of its points, then the size of each layer
    whole, at = laz.read_bytes(), start_of_points(laz) + 8 + 30
    with pytest.raises(ReadError, match="layers of chunk 1 promise"):
        capture.read(put(laz, at + 4, "<I", 2**31))
    laz.write_bytes(whole)
    with pytest.raises(ReadError, match="chunks hold 1,999 points; needed: 2,000"):
        capture.read(put(laz, at, "<I", 1999))


@pytest.mark.parametrize("form", [0, 1, 3, 6, 7, 8])
def test_every_usual_point_format_is_read_in_several_chunks(tmp_path, make, form):
    points = make.wall(120_000)
    version = "1.4" if form > 5 else "1.2"
    cloud = capture.read(make.las(tmp_path / "a.laz", points, form=form, version=version))
    assert cloud.origin.reader == f"LAZ {version}"
    assert_allclose(next(cloud.chunks())[:100] + cloud.shift, points[:100], atol=0.51e-4)
