"""Meshes: points drawn evenly by area, the same every time; faces and indices checked; what a drawn model is."""

import base64
import json

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from flatscan import capture
from flatscan.capture import mesh as mesh_reader
from flatscan.capture.mesh import Mesh, fans, mesh_source
from flatscan.core.errors import ReadError, UnitsUnknown
from flatscan.report.say import say


def all_points(cloud):
    return np.concatenate(list(cloud.chunks())) + cloud.shift


def said(cloud, words):
    return any(words in say(it) for it in cloud.origin.warnings)


POINTS = 60_000


@pytest.fixture(autouse=True)
def fewer_points(monkeypatch):
    monkeypatch.setattr(mesh_reader, "POINTS", POINTS)


@pytest.fixture
def sheet(make):
    return make.sheet()


def off_the_sheet(points):
    """Distance in y from the surface the sheet's corners lie on."""
    return points[:, 1] - 2 - 0.003 * np.sin(3 * points[:, 0] + 2 * points[:, 2])


WRITERS = {
    "binary.ply": lambda make, sheet: make.ply_mesh(*sheet),
    "big.ply": lambda make, sheet: make.ply_mesh(*sheet, ">"),
    "text.ply": lambda make, sheet: make.ply_mesh(*sheet, ""),
    "flags.ply": lambda make, sheet: make.ply_mesh(*sheet, face_extra=True),
    "textflags.ply": lambda make, sheet: make.ply_mesh(*sheet, "", face_extra=True),
    "a.obj": lambda make, sheet: make.obj(*sheet),
    "binary.stl": lambda make, sheet: make.stl(*sheet),
    "text.stl": lambda make, sheet: make.stl_text(*sheet),
    "a.glb": lambda make, sheet: make.glb(*make.gltf(*sheet)),
}


@pytest.mark.parametrize("name", WRITERS)
def test_every_format_of_mesh_gives_points_on_the_same_surface(write, make, sheet, name):
    cloud = capture.read(write(name, WRITERS[name](make, sheet)))
    assert cloud.count == POINTS
    # 32-bit corners are good to 1e-7 of their size; a 100 mm chord of this surface sags 0.05 mm at most
    assert_allclose(off_the_sheet(cloud.sample + cloud.shift), 0, atol=1e-4)
    assert_allclose(np.quantile(cloud.sample[:, 0], [0.1, 0.5, 0.9]), [0.4, 2.0, 3.6], atol=0.01)
    # the triangles run anticlockwise seen from the room, which lies toward -y
    assert_allclose(np.median(cloud.sample_normals[:, 1]), -1, atol=1e-3)


def test_the_points_are_even_by_area_and_the_same_every_time(write, make):
    # one wall in 2 big triangles and 3200 small ones: the number of triangles must not matter
    left, right = make.sheet(2.0, 2.6, (1, 1), 0.0), make.sheet(2.0, 2.6, (40, 40), 0.0)
    corners = np.concatenate([left[0], right[0] + [2, 0, 0]])
    triangles = np.concatenate([left[1], right[1] + len(left[0])])
    cloud = capture.read(write("a.stl", make.stl(corners, triangles)))
    points = all_points(cloud)
    count, _, _ = np.histogram2d(points[:, 0], points[:, 2], bins=(16, 13), range=((0, 4), (0, 2.6)))
    # a draw of 288 a cell has an sd of 17 at most (Poisson); five of them
    assert_allclose(count, POINTS / 208, atol=85)
    assert_array_equal(points, all_points(cloud))
    assert_array_equal(points, all_points(capture.read(write("b.stl", make.stl(corners, triangles)))))


def test_mesh_scatter_is_not_its_error(write, make, sheet):
    cloud = capture.read(write("a.glb", make.glb(*make.gltf(*sheet))))
    # 4.0 x 2.6 m of dots 70 mm apart are 2122 independent returns (methods/uncertainty 3)
    assert cloud.independent_share == pytest.approx(4.0 * 2.6 / 0.07**2 / POINTS, rel=1e-3)


def test_a_drawn_box_says_that_it_is_no_measurement(write, make):
    drawn = capture.read(write("a.obj", make.obj(*make.sheet(cells=(1, 1), relief=0.0))))
    assert said(drawn, "drawn, not measured")
    assert not said(capture.read(write("b.obj", make.obj(*make.sheet()))), "drawn, not measured")


@pytest.mark.parametrize("order", ["<", ">", ""])
def test_polygons_become_fans(write, make, sheet, order):
    corners = np.array([[0, 0, 0], [4, 0, 0], [5, 0, 1], [4, 0, 2.6], [0, 0, 2.6]], float)
    data = make.ply_mesh(corners, None, order, polygons=[[0, 1, 2, 3, 4], [0, 1, 4]])
    cloud = capture.read(write("a.ply", data))
    # pentagon 4 x 2.6 + 1.3 = 11.7 m2 and the triangle 5.2 m2 over it
    assert cloud.independent_share == pytest.approx((11.7 + 5.2) / 0.07**2 / POINTS)


def test_fans_by_head():
    assert_array_equal(
        fans(np.array([4, 2, 3]), np.array([10, 11, 12, 13, 5, 6, 7, 8, 9])), [[10, 11, 12], [10, 12, 13], [7, 8, 9]]
    )


def test_obj_counts_back_from_the_end_and_carries_lines_on(write, make):
    text = "v 0 0 0\nv 4 0 0\nv 4 0 2.6\nv 0 0 2.6\nf -4 -3 \\\n-2\nf 1//2 3//1 4//1\n"
    assert capture.read(write("a.obj", text)).independent_share == pytest.approx(10.4 / 0.07**2 / POINTS)


@pytest.mark.parametrize("suffix", ["ply", "stl", "obj", "glb"])
def test_a_mesh_without_faces_is_an_error(write, make, sheet, suffix):
    none = sheet[0], np.empty((0, 3), np.int64)
    data = {"stl": make.stl, "obj": make.obj, "glb": lambda *m: make.glb(*make.gltf(*m))}.get(suffix)
    if data is None:
        # a PLY without faces is a cloud of points
        assert capture.read(write("a.ply", make.ply_mesh(*none))).origin.reader == "PLY, binary"
        return
    with pytest.raises(ReadError, match="without faces"):
        capture.read(write(f"a.{suffix}", data(*none)))


def test_faces_that_name_corners_that_are_not_there_are_an_error(write, make, sheet):
    wrong = sheet[0][:-1], sheet[1]
    for name, data in (
        ("a.ply", make.ply_mesh(*wrong)),
        ("b.ply", make.ply_mesh(*wrong, "")),
        ("a.obj", make.obj(*wrong)),
        ("a.glb", make.glb(*make.gltf(*wrong))),
    ):
        with pytest.raises(ReadError, match="a face names corner 1106"):
            capture.read(write(name, data))
    with pytest.raises(ReadError, match="before the first"):
        capture.read(write("c.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 0\n"))


@pytest.mark.parametrize("name", WRITERS)
def test_a_mesh_cut_anywhere_is_an_error_or_said(write, make, sheet, name):
    whole = WRITERS[name](make, sheet)
    whole = whole.encode() if isinstance(whole, str) else whole
    for share in (0.02, 0.3, 0.7, 0.999):
        cut = whole[: int(share * len(whole))]
        # an OBJ has no counts: cut between two faces it is a smaller mesh, and nothing in it can tell
        if name == "a.obj" and share > 0.5:
            continue
        with pytest.raises(ReadError):
            capture.read(write(name, cut))


def test_stl_says_what_it_promises_and_holds(write, make, sheet):
    with pytest.raises(ReadError, match="promises 2,085 facets, the file holds 2,080"):
        capture.read(write("a.stl", make.stl(*sheet, promised=2085)))
    assert said(capture.read(write("b.stl", make.stl(*sheet, promised=2070))), "500 bytes beyond the 2,070 facets")


def test_corners_that_are_not_numbers_are_counted(write, make, sheet):
    corners = sheet[0].copy()
    corners[0] = np.nan
    assert said(capture.read(write("a.stl", make.stl(corners, sheet[1]))), "2 of 2,080 faces have corners")
    with pytest.raises(ReadError, match="none of its 2,080 faces has an area"):
        capture.read(write("b.stl", make.stl(np.full_like(corners, np.nan), sheet[1])))


def test_a_mesh_in_millimetres_is_recognised_and_in_feet_asked_about(write, make, sheet):
    assert capture.read(write("a.obj", make.obj(sheet[0] * 1000, sheet[1]))).origin.file_unit == "mm"
    with pytest.raises(UnitsUnknown):
        capture.read(write("b.obj", make.obj(sheet[0] / 0.3048, sheet[1])))


# ---- glTF ----


def test_gltf_is_metres_and_y_up_by_its_specification(write, make, sheet):
    cloud = capture.read(write("a.glb", make.glb(*make.gltf(*sheet))))
    assert cloud.origin.file_unit == "m"
    assert cloud.origin.warnings == ()
    assert_array_equal(cloud.up, [0, 1, 0])


def test_gltf_transforms_of_nodes_are_applied(write, make, sheet):
    # a quarter turn about x: z becomes -y, then moved; once as rotation and translation, once as a matrix
    half = float(np.sqrt(0.5))
    turned = make.gltf(*sheet, rotation=[half, 0, 0, half], translation=[0, 5, 0], scale=[1, 1, 2])
    matrix = [1, 0, 0, 0, 0, 0, 1, 0, 0, -2, 0, 0, 0, 5, 0, 1]
    first = all_points(capture.read(write("a.glb", make.glb(*turned))))
    second = all_points(capture.read(write("b.glb", make.glb(*make.gltf(*sheet, matrix=matrix)))))
    assert_allclose(first, second, atol=1e-9)
    plain = all_points(capture.read(write("c.glb", make.glb(*make.gltf(*sheet)))))
    assert_allclose(np.quantile(first[:, 1], [0, 1]), [5 - 2 * 2.6, 5], atol=2e-2)
    assert_allclose(np.median(first[:, 2]), np.median(plain[:, 1]), atol=1e-3)


def test_gltf_with_its_buffer_beside_it_or_inside(write, make, sheet):
    document, packed = make.gltf(*sheet)
    inside = json.loads(json.dumps(document))
    inside["buffers"][0]["uri"] = "data:application/octet-stream;base64," + base64.b64encode(packed).decode()
    beside = json.loads(json.dumps(document))
    beside["buffers"][0]["uri"] = "wall%201.bin"
    path = write("beside.gltf", json.dumps(beside))
    with pytest.raises(ReadError, match="'wall 1.bin', which is not beside it"):
        capture.read(path)
    write("wall 1.bin", packed)
    cloud = capture.read(path)
    assert said(cloud, "'wall 1.bin' beside it, which the hash does not cover")
    assert_array_equal(all_points(cloud), all_points(capture.read(write("inside.gltf", json.dumps(inside)))))


@pytest.mark.parametrize("uri", ["../secret.bin", "/etc/passwd", "file:///etc/passwd", "http://a/b", "..\\b"])
def test_gltf_reads_nothing_outside_its_folder(write, make, sheet, uri):
    document, _ = make.gltf(*sheet)
    document["buffers"][0]["uri"] = uri
    with pytest.raises(ReadError, match="lies elsewhere"):
        capture.read(write("a.gltf", json.dumps(document)))


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (lambda d: d["accessors"][0].update(count=10**12), "accessor 0 needs bytes"),
        (lambda d: d["accessors"][0].update(count=-1), "contradicts itself"),
        (lambda d: d["accessors"][0].update(sparse={}), "not sparse"),
        (lambda d: d["accessors"][1].update(count=7), "multiple of three"),
        (lambda d: d["bufferViews"][0].update(buffer=3), "contradicts itself"),
        (lambda d: d["buffers"][0].update(byteLength=10**9), "buffer 0 holds"),
        (lambda d: d["nodes"][0].update(children=[0]), "forms? a tree|named twice"),
        (lambda d: d["nodes"][0].update(rotation=[0, 0, 0, 0]), "quaternion"),
        (lambda d: d["asset"].update(version="1.0"), "no asset of version 2"),
        (lambda d: d.update(extensionsRequired=["KHR_draco_mesh_compression"]), "compressed by KHR_draco"),
        (lambda d: d.update(scenes=[]) or d.update(meshes=[]), "without faces"),
        (lambda d: d["meshes"][0]["primitives"][0].update(mode=0), "without faces"),
    ],
)
def test_gltf_that_contradicts_itself_is_an_error(write, make, sheet, change, found):
    document, packed = make.gltf(*sheet)
    change(document)
    with pytest.raises(ReadError, match=found):
        capture.read(write("a.glb", make.glb(document, packed)))


def test_gltf_strips_and_fans_cover_what_triangles_do(write, make):
    corners = np.array([[0, 0, 0], [4, 0, 0], [0, 2.6, 0], [4, 2.6, 0]], float)
    for mode, order in ((5, [0, 1, 2, 3]), (6, [0, 1, 3, 2])):
        document, packed = make.gltf(corners, np.array(order))
        document["meshes"][0]["primitives"][0]["mode"] = mode
        cloud = capture.read(write("a.glb", make.glb(document, packed)))
        assert cloud.independent_share == pytest.approx(10.4 / 0.07**2 / POINTS, rel=1e-6)
        assert_allclose(cloud.sample_normals, np.tile([0, 0, 1.0], (len(cloud.sample), 1)), atol=1e-12)


def test_integer_corners_of_the_quantisation_extension_are_scaled(write, make):
    corners, triangles = make.sheet(relief=0.0)
    document, _ = make.gltf(corners, triangles)
    packed = np.round(corners * [8000, 0, 8000]).astype("<u2")
    rows = np.zeros((len(packed), 4), "<u2")
    rows[:, :3] = packed
    data = rows.tobytes() + triangles.astype("<u4").tobytes()
    document["accessors"][0].update(componentType=5123, normalized=True)
    document["bufferViews"][0].update(byteLength=rows.nbytes, byteStride=8)
    document["bufferViews"][1].update(byteOffset=rows.nbytes)
    document["buffers"][0]["byteLength"] = len(data)
    document["nodes"][0]["scale"] = [65535 / 8000] * 3
    cloud = capture.read(write("a.glb", make.glb(document, data)))
    assert_allclose(np.ptp(cloud.sample, axis=0), [4, 0, 2.6], atol=1e-3)


def test_a_mesh_is_the_same_through_another_library(write, make, sheet, tmp_path):
    o3d = pytest.importorskip("open3d")
    mesh = o3d.geometry.TriangleMesh(o3d.utility.Vector3dVector(sheet[0]), o3d.utility.Vector3iVector(sheet[1]))
    path = tmp_path / "a.ply"
    o3d.io.write_triangle_mesh(str(path), mesh)
    cloud = capture.read(path)
    assert cloud.independent_share == pytest.approx(mesh.get_surface_area() / 0.07**2 / POINTS, rel=1e-9)


def test_corners_rounded_to_2_mm_have_that_step_and_a_raster_of_100_mm_has_none(write, make, sheet):
    corners = np.round(sheet[0] / 0.002) * 0.002
    step = capture.read(write("a.obj", make.obj(corners, sheet[1]))).u_step * np.sqrt(12)
    assert_allclose(step[1], 0.002, rtol=1e-6)
    assert capture.read(write("b.obj", make.obj(*sheet))).u_step[0] == 0


def test_the_area_of_a_mesh_by_head(tmp_path):
    corners = np.array([[0, 0, 0], [3, 0, 0], [0, 4, 0]], float)
    assert mesh_source(tmp_path, Mesh(corners, np.array([[0, 1, 2]]), "test")).mesh_area == 6.0
