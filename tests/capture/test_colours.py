"""Colours of the sample, for pictures: every format that keeps them, whole, packed, in bytes, words or parts of one."""

import struct

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from flatscan import capture
from flatscan.capture.colours import as_bytes, unpacked


def painted(wall):
    """Red grows along x, green up z, blue is even."""
    red, green = wall[:, 0] / 4 * 255, wall[:, 2] / 2.6 * 255
    return np.column_stack([red, green, np.full(len(wall), 40)]).astype(np.uint8)


def rows(wall, colours, form):
    return "".join(form % (*point, *colour) for point, colour in zip(wall.tolist(), colours.tolist(), strict=True))


def ply(wall, colours, *, text):
    kind = "ascii" if text else "binary_little_endian"
    head = f"ply\nformat {kind} 1.0\nelement vertex {len(wall)}\n"
    head += "".join(f"property double {axis}\n" for axis in "xyz")
    head += "".join(f"property uchar {name}\n" for name in ("red", "green", "blue")) + "end_header\n"
    if text:
        return head + rows(wall, colours, "%.4f %.4f %.4f %d %d %d\n")
    body = (struct.pack("<dddBBB", *p, *c) for p, c in zip(wall.tolist(), colours.tolist(), strict=True))
    return head.encode() + b"".join(body)


def pcd(wall, colours, *, kind, text):
    packed = (colours.astype(np.uint32) << np.array([16, 8, 0], np.uint32)).sum(axis=1, dtype=np.uint32)
    head = (
        f"VERSION 0.7\nFIELDS x y z rgb\nSIZE 8 8 8 4\nTYPE F F F {kind}\nCOUNT 1 1 1 1\nWIDTH {len(wall)}\nHEIGHT 1\n"
        f"VIEWPOINT 0 0 0 1 0 0 0\nPOINTS {len(wall)}\nDATA {'ascii' if text else 'binary'}\n"
    )
    if text:
        return head + "".join(
            f"{x:.4f} {y:.4f} {z:.4f} {c}\n" for (x, y, z), c in zip(wall.tolist(), packed, strict=True)
        )
    table = np.zeros(len(wall), [("x", "<f8"), ("y", "<f8"), ("z", "<f8"), ("rgb", "<u4")])
    table["x"], table["y"], table["z"], table["rgb"] = *wall.T, packed
    return head.encode() + table.tobytes()


FILES = {
    "a.ply": lambda wall, c: ply(wall, c, text=False),
    "b.ply": lambda wall, c: ply(wall, c, text=True),
    "c.xyz": lambda wall, c: rows(wall, c, "%.4f %.4f %.4f %d %d %d\n"),
    "d.csv": lambda wall, c: "x,y,z,intensity,Red,Green,Blue\n" + rows(wall, c, "%.4f,%.4f,%.4f,0.5,%d,%d,%d\n"),
    "e.pts": lambda wall, c: f"{len(wall)}\n" + rows(wall, c, "%.4f %.4f %.4f -500 %d %d %d\n"),
    "f.pcd": lambda wall, c: pcd(wall, c, kind="F", text=False),
    "g.pcd": lambda wall, c: pcd(wall, c, kind="U", text=False),
    "h.pcd": lambda wall, c: pcd(wall, c, kind="U", text=True),
}


@pytest.mark.parametrize("name", FILES)
def test_each_format_gives_the_colour_of_each_point_of_the_sample(write, wall, name):
    path = write(name, FILES[name](wall, painted(wall)))
    cloud = capture.read(path, colours=True)
    assert cloud.sample_colours.dtype == np.uint8
    # positions of text files are rounded to 0.1 mm, which may move a colour by one step
    difference = np.abs(cloud.sample_colours.astype(int) - painted(cloud.sample + cloud.shift))
    assert difference.max() <= 1
    assert (difference > 0).mean() < 0.02
    assert capture.read(path).sample_colours is None


def test_las_words_and_e57_fields(tmp_path, wall):
    colours = painted(wall)
    laspy = pytest.importorskip("laspy")
    header = laspy.LasHeader(point_format=2, version="1.2")
    header.scales = [1e-4] * 3
    las = laspy.LasData(header)
    las.x, las.y, las.z = wall.T
    las.red, las.green, las.blue = (colours.astype(np.uint16) * 257).T
    # what is marked as noise goes with its colour
    las.classification = np.where(np.arange(len(wall)) % 5 == 0, 7, 0).astype(np.uint8)
    las.write(str(tmp_path / "a.las"))
    pye57 = pytest.importorskip("pye57")
    book = pye57.E57(str(tmp_path / "a.e57"), mode="w")
    fields = dict(zip(("cartesianX", "cartesianY", "cartesianZ", "colorRed", "colorGreen", "colorBlue"),
                      (*wall.T, *colours.T), strict=True))  # fmt: skip
    book.write_scan_raw(fields)
    book.close()
    for name in ("a.las", "a.e57"):
        cloud = capture.read(tmp_path / name, colours=True)
        difference = np.abs(cloud.sample_colours.astype(int) - painted(cloud.sample + cloud.shift))
        assert difference.max() <= 1
    assert capture.read(tmp_path / "a.e57").sample_colours is None


def test_colours_stay_with_their_points_through_a_crop(write, wall):
    path = write("a.ply", ply(wall, painted(wall), text=False))
    cloud = capture.read(path, colours=True, crop=(1.0, 0.0, 0.0, 2.0, 3.0, 3.0))
    assert_array_equal(cloud.sample_colours, painted(cloud.sample + cloud.shift))


def test_numbers_of_every_kind_become_bytes():
    assert_array_equal(as_bytes(np.array([[0.0, 0.5, 1.0]])), [[0, 127, 255]])
    assert_array_equal(as_bytes(np.array([[0, 128, 65535]], np.uint16)), [[0, 0, 255]])
    assert_array_equal(as_bytes(np.array([[1, 1, 0]], np.uint8)), [[1, 1, 0]])
    assert_array_equal(as_bytes(np.array([[np.nan, 3.0, -1.0]])), [[0, 3, 0]])


def test_a_packed_float_is_its_bits():
    """PCL's own example: 4.2108e+06 is 0x4a808000, dark yellow."""
    as_float = np.array([0x4A808000], np.uint32).view(np.float32)
    assert_allclose(float(as_float[0]), 4.2108e6, rtol=1e-3)
    assert_array_equal(unpacked(as_float), [[128, 128, 0]])
    assert_array_equal(unpacked(np.array([0x0A0B0C], np.uint32)), [[10, 11, 12]])


def test_a_row_without_numbers_where_colours_should_be_is_still_a_point(write, wall):
    text = "x y z red green blue\n" + "".join(f"{x:.4f} {y:.4f} {z:.4f} - - -\n" for x, y, z in wall.tolist())
    cloud = capture.read(write("a.xyz", text), colours=True)
    assert cloud.count == len(wall)
    assert_array_equal(cloud.sample_colours, np.zeros((len(wall), 3)))
