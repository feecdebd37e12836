"""PLY: layouts of the format's description (Turk, 1994), counts against the file, damage."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from flatscan import capture
from flatscan.capture.registry import present_file
from flatscan.core.errors import BadValue, ReadError, TooFewPoints
from flatscan.report.say import say


def all_points(cloud):
    return np.concatenate(list(cloud.chunks())) + cloud.shift


@pytest.mark.parametrize("order", ["<", ">", ""])
@pytest.mark.parametrize("code", ["f4", "f8"])
def test_every_order_and_width_gives_the_points_written(write, ply, wall, order, code):
    stored = wall.astype(code).astype(float)
    cloud = capture.read(write("a.ply", ply(stored, order=order, code=code)))
    assert cloud.count == len(wall)
    assert_array_equal(all_points(cloud), stored)
    assert_array_equal(cloud.sample + cloud.shift, stored)


@pytest.mark.parametrize("order", ["<", ">", ""])
def test_properties_stand_in_any_order_with_others_between(write, ply, wall, order):
    data = ply(wall[:, [2, 0, 1]], order=order, code="f8", names=("Z", "X", "Y"), extra=[("red", "uchar", "u1")])
    assert_array_equal(all_points(capture.read(write("a.ply", data))), wall)


def test_open3d_reads_the_same_points(write, ply, wall):
    o3d = pytest.importorskip("open3d")
    path = write("a.ply", ply(wall, code="f8", extra=[("quality", "float", "f4")]))
    theirs = np.asarray(o3d.io.read_point_cloud(str(path)).points)
    assert_array_equal(all_points(capture.read(path)), theirs)


def test_lists_in_an_element_behind_the_points_do_not_matter(write, ply, wall):
    head, body = ply(wall, code="f8").split(b"end_header\n")
    head += b"element cell 2\nproperty list uchar int a\nend_header\n"
    tail = b"\x02" + b"\0" * 8 + b"\x00"
    assert capture.read(write("a.ply", head + body + tail)).count == len(wall)


def test_normals_of_the_sample_are_those_of_its_rows(write, ply, wall):
    normal = np.roll(wall, 1, axis=1)
    data = ply(np.hstack([wall, normal]), code="f8", names=("x", "y", "z", "nx", "ny", "nz"))
    cloud = capture.read(write("a.ply", data))
    assert_array_equal(cloud.sample_normals, np.roll(cloud.sample, 1, axis=1))


@pytest.mark.parametrize("order", ["<", ">"])
def test_fewer_points_than_promised_is_an_error_with_both_counts(write, ply, wall, order):
    path = write("cut.ply", ply(wall, order=order, promised=5000))
    with pytest.raises(ReadError, match=r"promises 5,000 points, the file holds 2,000") as told:
        capture.read(path)
    assert str(path) in str(told.value)


def test_fewer_rows_than_promised_in_ascii_is_an_error(write, ply, wall):
    with pytest.raises(ReadError, match=r"promises 2,010 points, the file holds 2,000"):
        capture.read(write("cut.ply", ply(wall, order="", promised=2010)))


def test_a_row_cut_short_is_named(write, ply, wall):
    data = ply(wall, order="").rstrip(b"\n").rsplit(b" ", 1)[0]
    with pytest.raises(ReadError, match=r"point 2,000 is "):
        capture.read(write("cut.ply", data))


def test_text_where_a_number_should_be_is_named(write, ply, wall):
    data = ply(wall, order="").replace(repr(float(wall[7, 1])).encode(), b"abc")
    with pytest.raises(ReadError, match=r"point 8 is '.* abc .*'; needed: 3 numbers"):
        capture.read(write("text.ply", data))


def test_bytes_beyond_the_promised_points_are_said(write, ply, wall):
    cloud = capture.read(write("a.ply", ply(wall, after=b"\0" * 24)))
    assert any("24 bytes beyond the 2,000 points" in say(it) for it in cloud.origin.warnings)


def test_an_absurd_count_is_refused_before_memory_is_asked_for(write, ply, wall):
    for order in ("<", ""):
        with pytest.raises(ReadError, match="promises 100,000,000,000 points"):
            capture.read(write("a.ply", ply(wall, order=order, promised=10**11)))


@pytest.mark.parametrize(
    ("header", "found"),
    [
        ("ply\nformat ascii 1.0\nelement vertex 3\n", "no end_header"),
        ("ply\nelement vertex 3\nproperty float x\nend_header\n", "names no format"),
        ("ply\nformat ascii 1.0\nelement face 3\nend_header\n", "no vertex element"),
        ("ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nend_header\n", "no x, y and z"),
        ("ply\nformat ascii 1.0\nelement vertex 3\nproperty real x\nend_header\n", "line 4 is 'property real x'"),
        ("ply\nformat ascii 1.0\nelement vertex -3\nend_header\n", "line 3"),
        ("ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty int x\nend_header\n", "twice"),
    ],
)
def test_a_header_that_breaks_the_format_is_named(write, header, found):
    with pytest.raises(ReadError, match=found):
        capture.read(write("a.ply", header))


def test_carriage_returns_in_header_and_rows_are_read(write, ply, wall):
    data = ply(wall, order="").replace(b"\n", b"\r\n")
    assert_array_equal(all_points(capture.read(write("a.ply", data))), wall)


def test_more_points_than_allowed_are_refused_with_the_number(write, ply, wall):
    path = write("a.ply", ply(wall))
    with pytest.raises(BadValue, match="2,000 points; needed: at most 1,999"):
        capture.read(path, max_points=1999)
    assert capture.read(path, max_points=2000).count == 2000


def test_no_points_and_too_few_are_refused(write, ply, wall):
    with pytest.raises(TooFewPoints, match="no points"):
        capture.read(write("none.ply", ply(wall[:0])))
    with pytest.raises(TooFewPoints, match="holds 99 points"):
        capture.read(write("few.ply", ply(wall[:99])))


def test_a_missing_an_empty_and_an_unknown_file_and_a_folder_are_told_apart(write, tmp_path):
    for path, found in (
        (tmp_path / "no.ply", "no such file"),
        (write("e.ply", b""), "0 bytes"),
        (tmp_path, "a folder"),
    ):
        with pytest.raises(ReadError, match=found):
            capture.read(path)
    with pytest.raises(ReadError, match="unknown kind of file"):
        capture.read(write("a.docx", b"PK\x03\x04 and so on"))
    with pytest.raises(ReadError, match="not a PLY file; it begins with 'hello'"):
        capture.read(write("b.ply", b"hello"))


def test_a_wrong_suffix_is_read_by_content_and_said(write, ply, wall):
    cloud = capture.read(write("scan.csv", ply(wall)))
    assert any("named .csv but it holds PLY" in say(it) for it in cloud.origin.warnings)


def test_present_file_gives_the_path_back(write):
    path = write("a", b"1")
    assert present_file(str(path)) == path


def test_a_splat_model_says_that_its_points_are_no_returns(write, ply, wall):
    extra = [("f_dc_0", "float", "f4"), ("opacity", "float", "f4")]
    for order in ("<", ""):
        cloud = capture.read(write("a.ply", ply(wall, order=order, extra=extra)))
        assert any("splat model" in say(it) for it in cloud.origin.warnings)


def test_names_no_file_can_have_and_pipes_are_refused(tmp_path):
    import os

    os.mkfifo(tmp_path / "pipe.ply")
    for path in ("a" * 5000 + ".ply", "a\0b.ply", tmp_path / "pipe.ply"):
        with pytest.raises(ReadError, match="cannot be opened|no such file|not a plain file"):
            capture.read(path)


def test_a_file_that_goes_away_while_it_is_read_is_an_error(write, ply, wall, monkeypatch):
    from flatscan.capture import ply as reader

    path = write("a.ply", ply(wall))
    real = reader.element_starts

    def vanish(*given):
        starts = real(*given)
        path.unlink()
        return starts

    monkeypatch.setattr(reader, "element_starts", vanish)
    with pytest.raises(ReadError, match="can no longer be read|no such file|No such file"):
        capture.read(path)
