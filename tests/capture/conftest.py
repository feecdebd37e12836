"""Builders of small files; a wall of known shape and the ways to write it."""

import json
import os
import struct
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest


def wall_points(count=2000, seed=1, width=4.0, height=2.6):
    """A wall in the xz plane, 3 mm rough, at y = 2 m."""
    rng = np.random.default_rng(seed)
    x, z = rng.uniform(0, width, count), rng.uniform(0, height, count)
    return np.stack([x, 2 + rng.normal(0, 0.003, count), z], axis=1)


def ply_bytes(points, *, order="<", code="f4", names=("x", "y", "z"), extra=(), promised=None, after=b""):
    """A PLY of ``points`` (n, k): ``names`` in any order, ``extra`` (name, ply type, numpy code) behind them."""
    word = {"f4": "float", "f8": "double", "i4": "int"}[code]
    count = len(points) if promised is None else promised
    form = {"<": "binary_little_endian", ">": "binary_big_endian", "": "ascii"}[order]
    lines = ["ply", f"format {form} 1.0", "comment a wall of our own", f"element vertex {count}"]
    lines += [f"property {word} {name}" for name in names]
    lines += [f"property {kind} {name}" for name, kind, _ in extra]
    head = "\n".join([*lines, "end_header"]).encode() + b"\n"
    if order == "":
        tail = " 0" * len(extra)
        return head + "".join(" ".join(map(repr, row)) + tail + "\n" for row in points.tolist()).encode() + after
    record = np.dtype([(name, order + code) for name in names] + [(name, order + kind) for name, _, kind in extra])
    rows = np.zeros(len(points), record)
    for axis, name in enumerate(names):
        rows[name] = points[:, axis]
    return head + rows.tobytes() + after


@pytest.fixture
def wall():
    return wall_points()


@pytest.fixture
def write(tmp_path):
    """Write bytes or text to a named file and return its path."""

    def writer(name, data):
        path = tmp_path / name
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        return path

    return writer


@pytest.fixture
def ply():
    return ply_bytes


@pytest.fixture
def make_wall():
    return wall_points


GRID = """units, mm
sense, big = hollow
width, 4.2 m
height, 2.7 m
control, 80, 80.5
wall, north bedroom

, 0.1, 1.1, 2.1
2.6, 80, 74, -
0.1, 80, 79, 81
"""


@pytest.fixture
def grid():
    return GRID


def lzf_literals(data):
    """LZF stream of literal runs alone: valid, if not short (LibLZF)."""
    parts = [data[i : i + 32] for i in range(0, len(data), 32)]
    return b"".join(bytes([len(part) - 1]) + part for part in parts)


def pcd_bytes(
    points, data="binary", *, code="f8", view="0 0 0 1 0 0 0", names="x y z", promised=None, pack=lzf_literals
):
    """A PCD of ``points`` (n, 3) with an intensity field between y and z."""
    count = len(points) if promised is None else promised
    x, y, z = names.split()
    size = int(code[1])
    head = (
        f"# .PCD v0.7 - Point Cloud Data file format\nVERSION 0.7\nFIELDS {x} {y} intensity {z}\n"
        f"SIZE {size} {size} 2 {size}\nTYPE F F U F\nCOUNT 1 1 1 1\nWIDTH {count}\nHEIGHT 1\n"
        f"VIEWPOINT {view}\nPOINTS {count}\nDATA {data}\n"
    ).encode()
    if data == "ascii":
        return head + "".join(f"{a!r} {b!r} 7 {c!r}\n" for a, b, c in points.tolist()).encode()
    rows = np.zeros(len(points), [("x", "<" + code), ("y", "<" + code), ("i", "<u2"), ("z", "<" + code)])
    for axis, name in enumerate("xyz"):
        rows[name] = points[:, axis]
    if data == "binary":
        return head + rows.tobytes()
    full = b"".join(rows[name].tobytes() for name in rows.dtype.names)
    packed = pack(full)
    return head + struct.pack("<II", len(packed), len(full)) + packed


def ptx_bytes(scans):
    """A PTX of scans (points (n, 3), rotation (3, 3), place (3,)); points are in the scanner's own axes."""
    lines = []
    for points, rotation, place in scans:
        lines += [str(len(points)), "1", " ".join(map(str, place)), *(" ".join(map(str, axis)) for axis in rotation.T)]
        lines += [" ".join(map(str, [*axis, 0])) for axis in rotation.T] + [" ".join(map(str, [*place, 1]))]
        lines += [f"{a!r} {b!r} {c!r} 0.5" for a, b, c in points.tolist()]
    return ("\n".join(lines) + "\n").encode()


def las_file(path, points, *, scale=1e-4, records=(), edit=None, version="1.4", form=6):
    """A LAS or LAZ (after its suffix) of ``points`` (n, 3)."""
    laspy = pytest.importorskip("laspy")
    header = laspy.LasHeader(point_format=form, version=version)
    header.scales, header.offsets = np.full(3, scale), np.floor(points.min(axis=0))
    for record in records:
        header.vlrs.append(record)
    las = laspy.LasData(header)
    las.x, las.y, las.z = points.T
    if edit:
        edit(las)
    las.write(str(path))
    return path


def e57_file(path, scans):
    """An E57 of scans, each a dict of points (n, 3) and optional rotation (w, x, y, z), translation, order, invalid."""
    pye57 = pytest.importorskip("pye57")
    lib = pye57.libe57
    book = pye57.E57(str(path), mode="w")
    image = book.image_file
    for scan in scans:
        node = lib.StructureNode(image)
        node.set("guid", lib.StringNode(image, "{0}"))
        if "rotation" in scan or "translation" in scan:
            pose = lib.StructureNode(image)
            turn = dict(zip("wxyz", scan.get("rotation", (1, 0, 0, 0)), strict=True))
            rotation = lib.StructureNode(image)
            for name in scan.get("order", "wxyz"):
                rotation.set(name, lib.FloatNode(image, float(turn[name])))
            place = lib.StructureNode(image)
            for name, value in zip("xyz", scan.get("translation", (0, 0, 0)), strict=True):
                place.set(name, lib.FloatNode(image, float(value)))
            pose.set("rotation", rotation)
            pose.set("translation", place)
            node.set("pose", pose)
        if scan.get("began") is not None:
            start = lib.StructureNode(image)
            start.set("dateTimeValue", lib.FloatNode(image, float(scan["began"])))
            node.set("acquisitionStart", start)
        _fill_scan(lib, book, image, node, scan)
    book.close()
    return path


def _fill_scan(lib, book, image, node, scan):
    names = scan.get("names", ("cartesianX", "cartesianY", "cartesianZ"))
    precision = lib.FloatPrecision.E57_SINGLE if scan.get("single") else lib.FloatPrecision.E57_DOUBLE
    prototype = lib.StructureNode(image)
    data = {name: np.ascontiguousarray(scan["points"][:, axis]) for axis, name in enumerate(names)}
    for name in names:
        prototype.set(name, lib.FloatNode(image, 0.0, precision, -1e6, 1e6))
    if "invalid" in scan:
        state = "cartesianInvalidState" if names[0].startswith("c") else "sphericalInvalidState"
        prototype.set(state, lib.IntegerNode(image, 0, 0, 2))
        data[state] = scan["invalid"].astype(np.int8)
    codecs = lib.VectorNode(image, True)
    points = lib.CompressedVectorNode(image, prototype, codecs)
    node.set("points", points)
    book.data3d.append(node)
    buffers = lib.VectorSourceDestBuffer()
    for name, values in data.items():
        buffers.append(lib.SourceDestBuffer(image, name, values, len(values), True, True))
    if len(scan["points"]):
        writer = points.writer(buffers)
        writer.write(len(scan["points"]))
        writer.close()


def sheet_mesh(width=4.0, height=2.6, cells=(40, 26), relief=0.003):
    """A wall's mesh in the xz plane at y = 2 m: corners (n, 3) and triangles (m, 3) facing -y."""
    u, v = np.meshgrid(np.linspace(0, width, cells[0] + 1), np.linspace(0, height, cells[1] + 1), indexing="ij")
    corners = np.stack([u.ravel(), 2 + relief * np.sin(3 * u + 2 * v).ravel(), v.ravel()], axis=1)
    at = np.arange(u.size).reshape(u.shape)
    a, b, c, d = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
    return corners, np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])


def stl_bytes(corners, triangles, *, promised=None):
    rows = np.zeros(len(triangles), [("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")])
    rows["c"] = corners[triangles]
    return b"\0" * 80 + struct.pack("<I", len(rows) if promised is None else promised) + rows.tobytes()


def stl_text(corners, triangles):
    lines = ["solid wall"]
    for face in corners[triangles]:
        lines += ["facet normal 0 0 0", "outer loop", *(f"vertex {a!r} {b!r} {c!r}" for a, b, c in face.tolist())]
        lines += ["endloop", "endfacet"]
    return "\n".join([*lines, "endsolid wall"]) + "\n"


def obj_text(corners, triangles):
    lines = [f"v {a!r} {b!r} {c!r}" for a, b, c in corners.tolist()]
    return "\n".join([*lines, *(f"f {a}/1 {b}/1 {c}/1" for a, b, c in (triangles + 1).tolist())]) + "\n"


def gltf_document(corners, triangles, **node):
    """A glTF document and its buffer."""
    points, order = corners.astype("<f4").tobytes(), triangles.astype("<u4").tobytes()
    document = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, **node}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "buffers": [{"byteLength": len(points) + len(order)}],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(points)},
            {"buffer": 0, "byteOffset": len(points), "byteLength": len(order)},
        ],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(corners), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": triangles.size, "type": "SCALAR"},
        ],
    }
    return document, points + order


def glb_bytes(document, packed):
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(packed), b"BIN\0") + packed
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks


def ply_mesh(corners, triangles, order="<", *, polygons=None, face_extra=False):
    """A PLY with faces; ``polygons`` (lists of corners) replace the triangles."""
    faces = triangles.tolist() if polygons is None else polygons
    form = {"<": "binary_little_endian", ">": "binary_big_endian", "": "ascii"}[order]
    head = f"ply\nformat {form} 1.0\nelement vertex {len(corners)}\n"
    head += "".join(f"property double {axis}\n" for axis in "xyz") + f"element face {len(faces)}\n"
    head += "property uchar flag\n" if face_extra else ""
    head += "property list uchar int vertex_indices\nend_header\n"
    if order == "":
        flag = "1 " if face_extra else ""
        rows = [" ".join(map(repr, row)) for row in corners.tolist()]
        rows += [flag + " ".join(map(str, [len(face), *face])) for face in faces]
        return (head + "\n".join(rows) + "\n").encode()
    flag = b"\1" if face_extra else b""
    body = corners.astype(order + "f8").tobytes()
    return (
        head.encode()
        + body
        + b"".join(flag + bytes([len(face)]) + np.array(face, order + "i4").tobytes() for face in faces)
    )


@pytest.fixture
def make():
    """All writers of test files by name."""
    return SimpleNamespace(
        lzf=lzf_literals,
        pcd=pcd_bytes,
        ptx=ptx_bytes,
        las=las_file,
        e57=e57_file,
        sheet=sheet_mesh,
        stl=stl_bytes,
        stl_text=stl_text,
        obj=obj_text,
        gltf=gltf_document,
        glb=glb_bytes,
        ply_mesh=ply_mesh,
        ply=ply_bytes,
        wall=wall_points,
    )


@pytest.fixture
def cloud_file():
    """A captured file by its name or a pattern of it, out of a folder that need not be there (skips without it)."""
    folder = Path(os.environ.get("FLATSCAN_CLOUDS") or Path(__file__).parents[3] / "shared" / "clouds")

    def find(name):
        found = sorted(folder.glob(name))
        if not found:
            pytest.skip(f"no {name} in {folder}")
        return found[0]

    return find
