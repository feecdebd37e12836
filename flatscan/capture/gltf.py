"""glTF 2.0 meshes, one file (GLB) or JSON with its buffers: metres and Y up by specification."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.gltf_buffers import accessor, buffers
from flatscan.capture.mesh import Mesh, Triangles, fans, mesh_source
from flatscan.capture.pose import Pose, rotation_matrix
from flatscan.capture.registry import Format
from flatscan.capture.source import PointSource, cut_off, damaged
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array

_MAGIC, _JSON, _BIN = b"glTF", b"JSON", b"BIN\x00"
_TRIANGLES, _STRIP, _FAN = 4, 5, 6
_COMPRESSED = ("KHR_draco_mesh_compression", "EXT_meshopt_compression")
_MOST_NODES = 100_000


def open_gltf(path: Path) -> PointSource:
    """A GLB or glTF file as points on its meshes; raises `ReadError` where lengths and indices disagree."""
    document, packed = _document(path)
    try:
        mesh = _mesh(path, document, packed)
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError) as reason:
        found = f"its JSON contradicts itself ({type(reason).__name__}: {str(reason)[:80]})"
        raise damaged(path, found, "a glTF 2.0 document") from None
    return mesh_source(path, mesh)


def _document(path: Path) -> tuple[dict[str, Any], bytes | None]:
    """The JSON of the file and the binary chunk of a GLB."""
    data = path.read_bytes()
    packed = None
    if data[:4] == _MAGIC:
        text, packed = _chunks(path, data)
    else:
        text = data
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as reason:
        raise damaged(path, f"its JSON cannot be read ({str(reason)[:80]})", "a glTF 2.0 document") from None
    if not isinstance(document, dict) or str(document.get("asset", {}).get("version", "")).split(".")[0] != "2":
        raise damaged(path, "no asset of version 2 in its JSON", "glTF 2.0")
    return document, packed


def _chunks(path: Path, data: bytes) -> tuple[bytes, bytes | None]:
    """JSON and binary chunk (glTF 2.0 specification, section 4.4)."""
    length = int.from_bytes(data[8:12], "little")
    if len(data) < 20 or int.from_bytes(data[4:8], "little") != 2:
        raise damaged(path, f"a GLB of {len(data)} bytes, version {int.from_bytes(data[4:8], 'little')}", "version 2")
    if length != len(data):
        raise cut_off(path, f"its header gives {length:,} bytes, the file holds {len(data):,}", f"{length:,} bytes")
    found: dict[bytes, bytes] = {}
    at = 12
    while at + 8 <= length:
        size, kind = int.from_bytes(data[at : at + 4], "little"), data[at + 4 : at + 8]
        if at + 8 + size > length:
            raise damaged(path, f"a chunk of {size:,} bytes at byte {at:,} passes the end", "chunks inside the file")
        found.setdefault(kind, data[at + 8 : at + 8 + size])
        at += 8 + size
    if _JSON not in found:
        raise damaged(path, "no JSON chunk", "a GLB with its JSON first")
    return found[_JSON], found.get(_BIN)


def _mesh(path: Path, document: dict[str, Any], packed: bytes | None) -> Mesh:
    used = set(document.get("extensionsRequired", [])) & set(_COMPRESSED)
    if used:
        found = f"its mesh is compressed by {', '.join(sorted(used))}"
        raise ReadError(path, found, needed="a glTF without compression",
                        remedy="Export it without mesh compression")  # fmt: skip
    store, notes = buffers(path, document, packed)
    corners: list[Array] = []
    triangles: list[Triangles] = []
    done = 0
    for number, place in _placed_meshes(path, document):
        for part in document["meshes"][number]["primitives"]:
            points, faces = _primitive(path, document, store, part)
            with np.errstate(all="ignore"):
                corners.append(Pose(place[:3, :3], place[:3, 3])(points))
            triangles.append(faces + done)
            done += len(points)
    return Mesh(
        np.concatenate([np.empty((0, 3)), *corners]), np.concatenate([np.empty((0, 3), np.int64), *triangles]),
        "glTF mesh", unit="m", unit_from="the glTF specification", up=np.array([0.0, 1.0, 0.0]),
        up_from="the glTF specification (Y up)", warnings=notes,
    )  # fmt: skip


def _placed_meshes(path: Path, document: dict[str, Any]) -> list[tuple[int, Array]]:
    """Each mesh of the scene with its transform (4, 4); every mesh once where the file has no scene."""
    nodes, scenes = document.get("nodes", []), document.get("scenes", [])
    if not scenes:
        return [(number, np.eye(4)) for number in range(len(document.get("meshes", [])))]
    open_nodes = [(number, np.eye(4)) for number in scenes[document.get("scene", 0)].get("nodes", [])]
    placed: list[tuple[int, Array]] = []
    seen: set[int] = set()
    while open_nodes:
        number, above = open_nodes.pop()
        if number in seen or len(seen) > _MOST_NODES or not 0 <= number < len(nodes):
            raise damaged(path, f"node {number} is named twice or is not there", "nodes that form a tree")
        seen.add(number)
        node = nodes[number]
        place = above @ _transform(node)
        if "mesh" in node:
            placed.append((node["mesh"], place))
        open_nodes += [(child, place) for child in node.get("children", [])]
    return placed


def _transform(node: dict[str, Any]) -> Array:
    """Matrix of a node: its own, column after column, or translation x rotation x scale (specification, 3.5.3)."""
    if "matrix" in node:
        return np.array(node["matrix"], dtype=np.float64).reshape(4, 4).T
    x, y, z, w = node.get("rotation", (0.0, 0.0, 0.0, 1.0))
    place = np.eye(4)
    place[:3, :3] = rotation_matrix(w, x, y, z) * np.array(node.get("scale", (1.0, 1.0, 1.0)), dtype=np.float64)
    place[:3, 3] = node.get("translation", (0.0, 0.0, 0.0))
    return place


def _primitive(
    path: Path, document: dict[str, Any], store: list[bytes], part: dict[str, Any]
) -> tuple[Array, Triangles]:
    mode = part.get("mode", _TRIANGLES)
    if mode not in (_TRIANGLES, _STRIP, _FAN):
        return np.empty((0, 3)), np.empty((0, 3), np.int64)
    points = accessor(path, document, store, part["attributes"]["POSITION"], "VEC3")
    if "indices" in part:
        order = accessor(path, document, store, part["indices"], "SCALAR")[:, 0].astype(np.int64)
    else:
        order = np.arange(len(points))
    if len(order) and (order.max() >= len(points) or order.min() < 0):
        raise damaged(path, f"a face names corner {order.max()} of {len(points)}", "corners that are there")
    if mode == _TRIANGLES:
        if len(order) % 3:
            raise damaged(path, f"{len(order):,} corners of triangles", "a multiple of three")
        return points, order.reshape(-1, 3)
    if mode == _FAN:
        return points, fans(np.array([len(order)]), order)
    strip = np.stack([order[:-2], order[1:-1], order[2:]], axis=1) if len(order) > 2 else np.empty((0, 3), np.int64)
    # every other triangle of a strip runs the other way round
    strip[1::2, [0, 1]] = strip[1::2, [1, 0]]
    return points, strip


def _is_gltf(head: bytes) -> bool:
    return head[:4] == _MAGIC or (head.lstrip()[:1] == b"{" and b'"asset"' in head and b'"version"' in head)


FORMAT = Format("glTF", (".glb", ".gltf"), "points", _is_gltf, open_gltf)
