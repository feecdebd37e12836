"""Every format of points: the same wall gives the same points, counts are checked, damage is named."""

import struct

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from flatscan import capture
from flatscan.capture.las import wkt_units
from flatscan.capture.packed_kernel import expand_lzf
from flatscan.capture.pose import Pose, rotation_matrix
from flatscan.core.errors import ReadError, TooFewPoints, UnitsUnknown
from flatscan.core.notes import note
from flatscan.report.say import say


def all_points(cloud):
    return np.concatenate(list(cloud.chunks())) + cloud.shift


def said(cloud, words):
    return any(words in say(it) for it in cloud.origin.warnings)


def rows_text(points, mark=" ", *, head="", tail="", decimal="."):
    lines = [mark.join(repr(part).replace(".", decimal) for part in row) + tail for row in points.tolist()]
    return head + "\n".join(lines) + "\n"


# ---- one registry ----


def test_every_format_has_a_name_suffixes_and_a_reader_and_no_two_claim_a_mark():
    every = capture.formats()
    assert len({form.name for form in every}) == len(every) >= 10
    for form in every:
        assert form.holds in ("points", "stations")
        assert all(suffix.startswith(".") for suffix in form.suffixes)


# ---- PCD ----


@pytest.mark.parametrize("data", ["ascii", "binary", "binary_compressed"])
@pytest.mark.parametrize("names", ["x y z", "X Y Z"])
def test_pcd_gives_the_points_written(write, make, wall, data, names):
    assert_array_equal(all_points(capture.read(write("a.pcd", make.pcd(wall, data, names=names)))), wall)


def test_pcd_viewpoint_turns_and_moves_the_points_and_says_where_the_scanner_stood(write, make, wall):
    # a quarter turn about z: x becomes y (w = z = sqrt(1/2)); then 10, 20, 30 further
    half = float(np.sqrt(0.5))
    cloud = capture.read(write("a.pcd", make.pcd(wall, view=f"10 20 30 {half!r} 0 0 {half!r}")))
    expected = np.stack([10 - wall[:, 1], 20 + wall[:, 0], 30 + wall[:, 2]], axis=1)
    assert_allclose(all_points(cloud), expected, atol=1e-12)
    assert_allclose(cloud.stands + cloud.shift, [[10, 20, 30]])
    assert capture.read(write("b.pcd", make.pcd(wall))).stands is None


def test_pcd_returns_of_range_zero_are_found_at_the_scanner(write, make, wall):
    dirty = wall.copy()
    dirty[3] = 0
    cloud = capture.read(write("a.pcd", make.pcd(dirty, view="10 20 30 0.9 0.1 0.2 0.3")))
    assert said(cloud, "1 of 2,000 rows lies exactly at the scanner's own place")


@pytest.mark.parametrize("data", ["ascii", "binary", "binary_compressed"])
def test_pcd_cut_anywhere_in_its_points_is_an_error(write, make, wall, data):
    whole = make.pcd(wall[:300], data)
    start = whole.index(b"DATA") + 30
    for cut in (start, len(whole) // 2, len(whole) - 30):
        with pytest.raises(ReadError, match=r"cut off|point \d+ is"):
            capture.read(write("a.pcd", whole[:cut]))


@pytest.mark.parametrize("name", ["a.pcd", "a.ply"])
def test_text_points_cut_inside_their_last_number_are_said(write, make, wall, name):
    rows = np.round(wall, 4) + 0.00001
    whole = make.pcd(rows, "ascii") if name == "a.pcd" else make.ply(rows, order="")
    cut = whole[: -whole[::-1].index(b".") + 1]
    assert said(capture.read(write(name, cut)), "may be cut off")
    assert not said(capture.read(write(name, whole)), "may be cut off")


def test_pcd_that_contradicts_itself_is_an_error(write, make, wall):
    whole = make.pcd(wall)
    for old, new, found in (
        (b"HEIGHT 1", b"HEIGHT 2", "WIDTH x HEIGHT is 4,000 but POINTS 2,000"),
        (b"TYPE F F U F", b"TYPE F F U", "3 TYPE"),
        (b"TYPE F F U F", b"TYPE F F U Q", "Q8"),
        (b"FIELDS x y intensity z", b"FIELDS x y intensity w", "no x, y and z"),
        (b"VIEWPOINT 0 0 0 1 0 0 0", b"VIEWPOINT 0 0 0 0 0 0 0", "VIEWPOINT"),
        (b"DATA binary", b"DATA zipped", "DATA zipped"),
        (b"WIDTH 2000", b"WIDTH many", "WIDTH is 'many'"),
    ):
        with pytest.raises(ReadError, match=found):
            capture.read(write("a.pcd", whole.replace(old, new)))


def test_pcd_bytes_beyond_its_points_are_said_but_padding_is_not(write, make, wall):
    whole = make.pcd(wall)
    assert said(capture.read(write("a.pcd", whole + b"\1" * 26)), "26 bytes beyond the 2,000 points")
    assert not said(capture.read(write("b.pcd", whole + bytes(4000))), "beyond")


def test_pcd_of_pcl_s_own_compression_with_open3d(write, make, tmp_path, wall):
    o3d = pytest.importorskip("open3d")
    path = tmp_path / "a.pcd"
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(wall))
    o3d.io.write_point_cloud(str(path), cloud, compressed=True)
    # its writer goes through 32-bit floats
    assert_allclose(all_points(capture.read(path)), wall, atol=1e-6)


def slow_lzf(data):
    """Second implementation of the LZF stream as LibLZF's documentation describes it."""
    out, at = bytearray(), 0
    while at < len(data):
        control = data[at]
        at += 1
        if control < 32:
            out += data[at : at + control + 1]
            at += control + 1
        else:
            length = control >> 5
            if length == 7:
                length += data[at]
                at += 1
            start = len(out) - ((control & 31) << 8) - data[at] - 1
            at += 1
            for i in range(length + 2):
                out.append(out[start + i])
    return bytes(out)


def test_lzf_back_references_against_a_slow_reading_of_the_stream():
    # abc, then 6 bytes from 3 back (overlapping), then 270 bytes from 1 back: longest form
    stream = b"\x02abc" + bytes([4 << 5, 2]) + b"\x00x" + bytes([7 << 5, 261, 0][:1] + [255, 0])
    out = np.empty(len(slow_lzf(stream)), np.uint8)
    assert expand_lzf(np.frombuffer(stream, np.uint8), out) == len(out)
    assert out.tobytes() == slow_lzf(stream) == b"abcabcabcx" + b"x" * 264


@pytest.mark.parametrize("stream", [b"\x05ab", b"\xe0", b"\x20", b"\x20\x00", b"\x00a\x20\x05", b"\x1f" + b"a" * 32])
def test_lzf_that_reaches_outside_is_refused(stream):
    assert expand_lzf(np.frombuffer(stream, np.uint8), np.empty(8, np.uint8)) == -1


# ---- text ----


@pytest.mark.parametrize(
    "text",
    [
        rows_text,
        lambda p: rows_text(p, "\t"),
        lambda p: rows_text(p, ","),
        lambda p: rows_text(p, ", "),
        lambda p: rows_text(p, ";"),
        lambda p: rows_text(p, ";", decimal=","),
        lambda p: rows_text(p, " ", decimal=","),
        lambda p: rows_text(p, "   "),
        lambda p: rows_text(p).replace("\n", "\r\n"),
        lambda p: rows_text(p, ",", tail=","),
        lambda p: rows_text(p, ",", head="X,Y,Z\n"),
        lambda p: rows_text(p, " ", head="//X Y Z\n"),
        lambda p: "\ufeff" + rows_text(p, ",", head="x,y,z\n"),
        lambda p: rows_text(p, " ", head="# made by hand\n# x y z\n"),
        lambda p: rows_text(p, " ", head="// X Y Z R G B\n2000\n", tail=" 1 2 3"),
        lambda p: rows_text(p, " ", tail=" 17 brick"),
        lambda p: rows_text(p, " ", head="2000\n"),
        lambda p: rows_text(p, " ", head="2000\n", tail=" -1035 97 59 38"),
        lambda p: rows_text(p).replace("\n", "\n\n"),
        lambda p: rows_text(p).rstrip("\n"),
        lambda p: rows_text(p[:, [1, 0, 2]], ";", head='"Northing";Easting;Elevation\n'),
    ],
)
def test_text_however_it_was_typed_gives_the_points_written(write, wall, text):
    for name in ("a.xyz", "a.txt", "a.csv", "a.pts"):
        assert_array_equal(all_points(capture.read(write(name, text(wall)))), wall)


def test_text_columns_are_found_by_name_wherever_they_stand(write, wall):
    lines = "\n".join(f"p{i},{c!r},5,{a!r},{b!r}" for i, (a, b, c) in enumerate(wall.tolist()))
    assert_array_equal(all_points(capture.read(write("a.csv", "id,z,i,x,y\n" + lines))), wall)


def test_text_units_in_column_names_decide(write, wall):
    for head in ("x [mm],y [mm],z [mm]\n", "x_mm,y_mm,z_mm\n", "X(mm),Y(mm),Z(mm)\n"):
        cloud = capture.read(write("a.csv", rows_text(wall * 1000, ",", head=head)))
        assert cloud.origin.file_unit == "mm"
        assert cloud.origin.warnings == ()
        assert_allclose(all_points(cloud), wall, atol=1e-12)


def test_text_with_a_running_number_in_front_is_said(write, wall):
    lines = "\n".join(f"{i} {a!r} {b!r} {c!r}" for i, (a, b, c) in enumerate(wall.tolist(), start=1))
    cloud = capture.read(write("a.xyz", lines))
    assert said(cloud, "the first column counts the rows")
    assert_array_equal(all_points(cloud), wall)


def test_text_pts_of_several_scans_is_read_with_each_count_line(write, wall):
    text = rows_text(wall[:1500], head="1500\n") + rows_text(wall[1500:], head="500\n")
    assert_array_equal(all_points(capture.read(write("a.pts", text))), wall)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (lambda p: rows_text(p, head="2001\n"), "promises 2,001 points, the file holds 2,000"),
        (lambda p: rows_text(p, head="1999\n"), "more rows than the 1,999"),
        (lambda p: rows_text(p, head="900000000\n"), "promises 900,000,000 points"),
        (lambda p: rows_text(p) + "and so on\n", "row 2,001 is 'and so on'"),
        (lambda p: rows_text(p) + "1.0 2.0\n", "row 2,001 is '1.0 2.0'"),
        (lambda p: rows_text(p[:, :2]), "at least three numbers"),
        (lambda p: "name,age,town\n" + rows_text(p, ","), "columns named name, age, town"),
        (lambda p: "x,y,z\n" + rows_text(p, ",", tail=",4"), "3 column names and 4 numbers"),
        (lambda p: "x_mm,y_m,z_mm\n" + rows_text(p, ","), "different units"),
        (lambda p: "once upon a time\n", "x, y and z"),
        (lambda p: "# only a remark\n", "no row of numbers"),
        (lambda p: "1 " * 40_000, "80,000 columns|40,000 columns"),
        (lambda p: "1," * 1_000_000, "line 1 is over 100,000 characters"),
        (lambda p: "\x00\x01\x02 3", "no text"),
    ],
)
def test_text_that_is_no_whole_table_is_an_error(write, wall, text, found):
    with pytest.raises(ReadError, match=found):
        capture.read(write("a.txt", text(wall)))


def test_braces_in_a_broken_row_are_shown_as_they_are(write, wall):
    with pytest.raises(ReadError, match=r"row 2,001 is '\{text\} \{set:up\} 3'"):
        capture.read(write("a.txt", rows_text(wall) + "{text} {set:up} 3\n"))


def test_text_with_nan_and_repeats_counts_them(write, wall):
    cloud = capture.read(write("a.xyz", rows_text(wall) + "nan 1 2\n" + rows_text(wall[:5])))
    assert said(cloud, "1 of 2,006 rows holds no number")
    assert said(cloud, "5 of 2,006 rows repeat")


def test_text_cut_inside_its_last_number_is_said(write, wall):
    text = rows_text(np.round(wall, 4) + 0.00001)
    cut = text[: -text[::-1].index(".") + 1]
    assert said(capture.read(write("a.xyz", cut)), "may be cut off")


def test_text_rounded_to_six_digits_at_map_coordinates_says_what_was_lost(write, make):
    # what open3d's ASCII PLY writer does (%g): 600003.18 becomes 600003
    points = make.wall(5000) + [600_000, 200_000, 0]
    text = "".join(" ".join(f"{part:g}" for part in row) + "\n" for row in points)
    assert said(capture.read(write("a.xyz", text)), "steps (x 1000 mm)")
    assert said(capture.read(write("b.xyz", text)), "all points have the same y")


# ---- PTX ----


def test_ptx_scans_come_into_common_axes(write, make, wall):
    quarter = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    places = np.array([1.0, 2, 0]), np.array([-1.0, 0.5, 1])
    parts = (wall[:900], quarter, places[0]), (wall[900:], np.eye(3), places[1])
    scans = [((part - place) @ turn, turn, place) for part, turn, place in parts]
    cloud = capture.read(write("a.ptx", make.ptx(scans)))
    assert_allclose(all_points(cloud), wall, atol=1e-12)
    assert_allclose(cloud.stands, places)


def test_ptx_rows_of_zeros_are_no_returns(write, make, wall):
    dirty = wall.copy()
    dirty[[5, 50]] = 0
    cloud = capture.read(write("a.ptx", make.ptx([(dirty, np.eye(3), np.array([3.0, 4, 5]))])))
    assert said(cloud, "2 of 2,000 rows lie exactly at the scanner's own place")


def test_ptx_cut_or_broken_is_an_error(write, make, wall):
    whole = make.ptx([(wall, np.eye(3), np.zeros(3))])
    with pytest.raises(ReadError, match="scan 1 promises 2,000 points, the file holds 1,"):
        capture.read(write("a.ptx", whole[:-3000]))
    with pytest.raises(ReadError, match="no turn and shift"):
        capture.read(write("a.ptx", whole.replace(b"1.0 0.0 0.0 0", b"1.0 0.5 0.0 0", 1)))
    with pytest.raises(ReadError, match="header of scan 2"):
        capture.read(write("a.ptx", whole + b"12\n"))


# ---- LAS and LAZ ----


@pytest.mark.parametrize("suffix", ["las", "laz"])
def test_las_gives_the_points_written_with_z_up_and_its_step(tmp_path, make, wall, suffix):
    cloud = capture.read(make.las(tmp_path / f"a.{suffix}", wall))
    assert_allclose(all_points(cloud), wall, atol=0.51e-4)
    assert_array_equal(cloud.up, [0, 0, 1])
    assert cloud.up_from == note("capture.up-by-format", format="LAS", axis="Z")
    assert_allclose(cloud.u_step, 1e-4 / np.sqrt(12), rtol=1e-9)


def test_las_of_the_library_s_default_scale_says_that_10_mm_is_too_coarse(tmp_path, make):
    cloud = capture.read(make.las(tmp_path / "a.las", make.wall(20_000), scale=0.01))
    assert said(cloud, "10 mm")
    assert_allclose(cloud.u_step, 0.01 / np.sqrt(12))


@pytest.mark.parametrize("suffix", ["las", "laz"])
def test_las_cut_anywhere_is_an_error(tmp_path, make, wall, suffix):
    whole = make.las(tmp_path / f"a.{suffix}", wall).read_bytes()
    for cut in (100, 300, len(whole) // 2, len(whole) - 5):
        (tmp_path / f"b.{suffix}").write_bytes(whole[:cut])
        with pytest.raises(ReadError, match="cut off|damaged"):
            capture.read(tmp_path / f"b.{suffix}")


def test_las_withheld_and_noise_points_are_counted_and_left_out(tmp_path, make, wall):
    def edit(las):
        las.classification[:7] = 7
        las.withheld[10:13] = 1

    cloud = capture.read(make.las(tmp_path / "a.las", wall, edit=edit))
    assert said(cloud, "10 of 2,000 rows are marked as noise or withheld")
    assert cloud.count == 1990


def test_las_of_noise_alone_says_how_many_were_left_out(tmp_path, make, wall):
    def edit(las):
        las.classification[:120] = 7

    with pytest.raises(TooFewPoints, match=r"holds 30 points \(120 more are marked as no returns\)"):
        capture.read(make.las(tmp_path / "a.las", wall[:150], edit=edit))


FEET_WKT = (
    'PROJCS["site",GEOGCS["g",UNIT["degree",0.0174532925199433]],UNIT["US survey foot",0.304800609601219],'
    'AXIS["E",EAST]]'
)


def test_las_feet_from_its_own_reference_system_are_honoured(tmp_path, make, wall):
    laspy = pytest.importorskip("laspy")
    record = laspy.vlrs.known.WktCoordinateSystemVlr(FEET_WKT)
    cloud = capture.read(make.las(tmp_path / "a.las", wall / 0.3048, records=[record]))
    assert cloud.origin.file_unit == "ft"
    assert_allclose(all_points(cloud), wall, atol=1e-4)


@pytest.mark.parametrize(("code", "unit"), [(9001, "m"), (9002, "ft"), (9003, "ft")])
def test_las_units_of_geotiff_keys(tmp_path, make, wall, code, unit):
    laspy = pytest.importorskip("laspy")
    record = laspy.vlrs.known.GeoKeyDirectoryVlr()
    record.parse_record_data(struct.pack("<12H", 1, 1, 0, 2, 1024, 0, 1, 1, 3076, 0, 1, code))
    factor = {"m": 1, "ft": 0.3048}[unit]
    cloud = capture.read(make.las(tmp_path / "a.las", wall / factor, records=[record], version="1.2", form=1))
    assert cloud.origin.file_unit == unit


def test_las_in_degrees_or_of_mixed_units_is_refused(tmp_path, make, wall):
    laspy = pytest.importorskip("laspy")
    for text, found in (
        ('GEOGCS["g",DATUM["d",SPHEROID["s",6378137,298]],UNIT["degree",0.0174532925199433]]', "degrees"),
        (f'COMPD_CS["c",{FEET_WKT},VERT_CS["h",UNIT["metre",1.0]]]', "ft and m"),
        ('PROJCS["p",UNIT["link",0.201168]]', "unit link"),
    ):
        record = laspy.vlrs.known.WktCoordinateSystemVlr(text)
        with pytest.raises(UnitsUnknown, match=found):
            capture.read(make.las(tmp_path / "a.las", wall, records=[record]))


def test_units_of_well_known_texts():
    assert wkt_units(FEET_WKT) == ({"ft"}, False)
    iso = 'PROJCRS["p",BASEGEOGCRS["b"],CS[Cartesian,2],LENGTHUNIT["metre",1]]'
    assert wkt_units(iso) == ({"m"}, False)
    assert wkt_units("") == (set(), False)


# ---- E57 ----


def test_e57_gives_the_points_written_in_metres_with_z_up(tmp_path, make, wall):
    cloud = capture.read(make.e57(tmp_path / "a.e57", [{"points": wall}]))
    assert_array_equal(all_points(cloud), wall)
    assert cloud.origin.file_unit == "m"
    assert cloud.origin.warnings == ()
    assert_array_equal(cloud.up, [0, 0, 1])
    assert cloud.stands is None


@pytest.mark.parametrize("order", ["wxyz", "xyzw", "zwyx"])
def test_e57_pose_is_read_by_name_whatever_its_order(tmp_path, make, wall, order):
    # a quarter turn about z sends y to -x: read by place, x, y, z, w would turn about another axis
    half, place = np.sqrt(0.5), np.array([1.0, 2.0, 3.0])
    scan = {"points": wall, "rotation": (half, 0, 0, half), "translation": place, "order": order}
    cloud = capture.read(make.e57(tmp_path / "a.e57", [scan]))
    expected = np.stack([-wall[:, 1], wall[:, 0], wall[:, 2]], axis=1) + place
    assert_allclose(all_points(cloud), expected, atol=1e-12)
    assert_allclose(cloud.stands, [place])


@pytest.mark.parametrize(
    ("began", "said"),
    [
        # second 1,000,000,000 of GPS was 14 September 2011, 01:46:25 UTC (11,574 days 1:46:40 less 15 leap seconds)
        (((0, 1e9),), "2011-09-14 01:46 UTC"),
        (((0, 1e9), (5, 999_996_400)), "2011-09-14 00:46 UTC"),
        (((0, 1e9), (5, None)), ""),
        (((0, 0.0),), ""),
        (((0, -5.0),), ""),
        (((0, 1e300),), ""),
    ],
)
def test_e57_says_when_it_was_captured(tmp_path, make, wall, began, said):
    scans = [{"points": wall - [x, 0, 0], "translation": (x, 0, 0), "began": at} for x, at in began]
    assert capture.read(make.e57(tmp_path / "a.e57", scans)).origin.captured == said


def test_e57_quaternions_are_normalised_and_a_zero_one_refused(tmp_path, make, wall):
    scan = {"points": wall, "rotation": (2.0, 0, 0, 0), "translation": (0, 0, 1)}
    assert_allclose(all_points(capture.read(make.e57(tmp_path / "a.e57", [scan]))), wall + [0, 0, 1], atol=1e-12)
    with pytest.raises(ReadError, match="pose of scan 1"):
        capture.read(make.e57(tmp_path / "b.e57", [scan | {"rotation": (0, 0, 0, 0)}]))


def test_e57_scans_come_together_and_invalid_points_are_counted(tmp_path, make, wall):
    invalid = np.zeros(1000)
    invalid[:40] = 2
    scans = [
        {"points": wall[:1000], "invalid": invalid, "translation": (0, 0, 0)},
        {"points": wall[1000:] - [5, 0, 0], "translation": (5, 0, 0)},
    ]
    cloud = capture.read(make.e57(tmp_path / "a.e57", scans))
    assert said(cloud, "40 of 2,000 rows are marked invalid")
    assert_allclose(all_points(cloud), wall[40:], atol=1e-12)
    assert_allclose(cloud.stands, [[0, 0, 0], [5, 0, 0]])


def test_e57_with_a_pose_that_says_nothing_tells_no_place_of_the_scanner(tmp_path, make, wall):
    scan = {"points": wall, "rotation": (1, 0, 0, 0), "translation": (0, 0, 0)}
    assert capture.read(make.e57(tmp_path / "a.e57", [scan])).stands is None
    assert capture.read(make.e57(tmp_path / "b.e57", [scan, scan | {"translation": (0, 0, 1)}])).stands.shape == (2, 3)


def test_e57_spherical_scans_are_turned_into_places(tmp_path, make, wall):
    reach = np.linalg.norm(wall, axis=1)
    polar = np.stack([reach, np.arctan2(wall[:, 1], wall[:, 0]), np.arcsin(wall[:, 2] / reach)], axis=1)
    names = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
    cloud = capture.read(make.e57(tmp_path / "a.e57", [{"points": polar, "names": names}]))
    assert_allclose(all_points(cloud), wall, atol=1e-12)


def test_e57_without_points_is_an_error(tmp_path, make, wall):
    for scans in ([], [{"points": wall[:0]}]):
        with pytest.raises(TooFewPoints, match="without points"):
            capture.read(make.e57(tmp_path / "a.e57", scans))


def test_e57_of_millimetres_taken_for_metres_is_refused(tmp_path, make, wall):
    with pytest.raises(UnitsUnknown, match=r"in mm it would be 4\.00 m x 2\.60 m"):
        capture.read(make.e57(tmp_path / "a.e57", [{"points": wall * 1000}]))


def test_e57_cut_or_changed_is_an_error(tmp_path, make, wall):
    whole = make.e57(tmp_path / "a.e57", [{"points": wall}]).read_bytes()
    path = tmp_path / "b.e57"
    for cut in (20, 1000, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:cut])
        with pytest.raises(ReadError, match="cut off"):
            capture.read(path)
    changed = bytearray(whole)
    changed[5000] ^= 1
    path.write_bytes(bytes(changed))
    with pytest.raises(ReadError, match="damaged"):
        capture.read(path)


def test_a_missing_optional_library_gives_the_command_that_installs_it(tmp_path, make, wall, monkeypatch):
    import sys

    path = make.las(tmp_path / "a.las", wall)
    monkeypatch.setitem(sys.modules, "laspy", None)
    with pytest.raises(ReadError, match=r"pip install 'flatscan\[las\]'"):
        capture.read(path)


# ---- poses ----


def test_quaternions_against_scipy():
    from scipy.spatial.transform import Rotation

    for w, x, y, z in np.random.default_rng(4).normal(size=(20, 4)):
        assert_allclose(rotation_matrix(w, x, y, z), Rotation.from_quat([x, y, z, w]).as_matrix(), atol=1e-14)


def test_a_pose_is_a_rotation_then_a_shift():
    pose = Pose(rotation_matrix(np.sqrt(0.5), 0, 0, np.sqrt(0.5)), np.array([0, 0, 5.0]))
    assert_allclose(pose(np.array([[1.0, 0, 0]])), [[0, 1, 5]], atol=1e-15)


# ---- real files, where they are ----


def test_a_room_whose_rows_repeat_two_to_four_times(cloud_file):
    # 112 586 points of which 56 159 are distinct (README beside the file)
    cloud = capture.read(cloud_file("room_scan1.pcd"))
    assert cloud.count == 56_159
    assert said(cloud, "56,427 of 112,586 rows repeat")


def test_a_depth_camera_with_steps_of_some_centimetres(cloud_file):
    # 52 744 NaN, steps of 74 mm at 5 m (README beside the file); its VIEWPOINT turns camera axes, so that Z is back
    cloud = capture.read(cloud_file("office1.pcd"))
    assert cloud.count == 307_200 - 52_744
    assert said(cloud, "52,744 of 307,200 rows hold no number")
    assert said(cloud, "steps (z ")
    assert cloud.sample[:, 2].max() < 0


def test_a_terrestrial_scan_in_e57(cloud_file):
    assert capture.read(cloud_file("pumpAVisualReferenceImage.e57")).count == 155_201


def test_a_patch_of_ground_at_map_coordinates(cloud_file):
    # 2.24 x 1.97 m at E 1 423 215, N 4 189 097, 10 mm scale (README beside the file)
    cloud = capture.read(cloud_file("plane.laz"))
    assert_allclose(cloud.shift[:2], [1_423_216, 4_189_098], atol=2)
    assert_allclose(np.ptp(cloud.sample[:, :2], axis=0), [2.24, 1.97], atol=0.02)
    assert said(cloud, "10 mm")


def test_a_building_that_could_be_in_feet_is_asked_about_and_read_when_told(cloud_file):
    with pytest.raises(UnitsUnknown, match=r"if in m or 7\.8"):
        capture.read(cloud_file("indoor.laz"))
    cloud = capture.read(cloud_file("indoor.laz"), file_unit="m")
    assert cloud.origin.points < 808_042
    assert said(cloud, "10 mm")


@pytest.mark.parametrize("name", ["pdal_crlf_test.txt", "pdal_utm17_1.txt", "pdal_utm17_2.txt", "pdal_utm17_comma.pcd"])
def test_four_ways_to_type_the_same_ten_points(cloud_file, name):
    from flatscan.capture.registry import pick

    path = cloud_file(f"formats/{name}")
    points = np.concatenate([block.points for block in pick(path)[0].open(path).blocks()])
    assert points.shape == (10, 3)
    # the PCD keeps its numbers as text, so nothing is lost to its 32-bit fields
    assert_allclose(points[0], [289814.15, 4320978.61, 170.76])


def test_a_ply_without_z_is_refused(cloud_file):
    with pytest.raises(ReadError, match="no x, y and z"):
        capture.read(cloud_file("formats/pdal_sized_dims.ply"))
