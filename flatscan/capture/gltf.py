"""glTF 2.0 meshes, one file (GLB) or JSON with its buffers: metres and Y up by specification."""

from __future__ import annotations

import base64
import json
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np

from flatscan.capture.mesh import Mesh, Triangles, fans, mesh_source
from flatscan.capture.pose import Pose, rotation_matrix
from flatscan.capture.registry import Format
from flatscan.capture.source import PointSource, cut_off, damaged
from flatscan.core.beside import beside
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note

# component types (glTF 2.0 specification, section 3.6.2.2)
_CODES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC3": 3}


def buffers(path: Path, document: dict[str, Any], packed: bytes | None) -> tuple[list[bytes], tuple[Note, ...]]:
    """The document's buffers, each at least as long as it says, and notes on those in files of their own."""
    store, notes = [], []
    for number, item in enumerate(document.get("buffers", [])):
        uri = item.get("uri")
        if uri is None:
            data = packed or b""
        elif uri.startswith("data:"):
            data = base64.b64decode(uri.partition(",")[2], validate=True)
        else:
            data = beside(path, unquote(uri)).read_bytes()
            notes.append(note("capture.buffer-beside", file=unquote(uri)))
        if len(data) < item["byteLength"]:
            found, needed = "buffer {number} holds {held:count} bytes", "{promised:count} bytes"
            raise cut_off(path, found, needed, number=number, held=len(data), promised=item["byteLength"])
        store.append(data)
    return store, tuple(notes)


def accessor(path: Path, document: dict[str, Any], store: list[bytes], number: int, kind: str) -> Array:
    """Numbers of one accessor as (n, k) float64; raises `ReadError` where they pass the end of their view."""
    item = document["accessors"][_index(number)]
    if item["type"] != kind or "sparse" in item or item["componentType"] not in _CODES:
        raise damaged(
            path,
            "accessor {number} is {type} of component {component}",
            "a plain {kind}, not sparse",
            number=number,
            type=str(item["type"]),
            component=str(item["componentType"]),
            kind=kind,
        )
    code, width, count = np.dtype(_CODES[item["componentType"]]), _WIDTHS[kind], _index(item["count"])
    view = document["bufferViews"][_index(item["bufferView"])]
    size = code.itemsize * width
    stride = _index(view.get("byteStride", 0)) or size
    start = _index(view.get("byteOffset", 0)) + _index(item.get("byteOffset", 0))
    data = store[_index(view["buffer"])]
    end = start + stride * (count - 1) + size if count else start
    if stride < size or end > len(data) or end > _index(view.get("byteOffset", 0)) + _index(view["byteLength"]):
        found = "accessor {number} needs bytes {start:count} to {end:count} of its view"
        raise cut_off(path, found, "a view that long", number=number, start=start, end=end)
    if count == 0:
        return np.empty((0, width))
    raw = np.frombuffer(data, np.uint8, end - start, start)
    rows = np.lib.stride_tricks.as_strided(raw, (count, size), (stride, 1), writeable=False)
    with np.errstate(invalid="ignore"):
        values = np.ascontiguousarray(rows).view(code).astype(np.float64)
    if item.get("normalized") and code.kind in "iu":
        # specification, section 3.11: integers stand for parts of their largest
        values = np.maximum(values / np.iinfo(code).max, -1.0)
    return values


def _index(value: object) -> int:
    """A whole number, not negative; anything else raises `ValueError`."""
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError(f"{value!r} where a whole number should be")
    return value


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
        found, text = "its JSON contradicts itself ({kind}: {text})", str(reason)[:80]
        raise damaged(path, found, "a glTF 2.0 document", kind=type(reason).__name__, text=text) from None
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
        found = "its JSON cannot be read ({reason})"
        raise damaged(path, found, "a glTF 2.0 document", reason=str(reason)[:80]) from None
    if not isinstance(document, dict) or str(document.get("asset", {}).get("version", "")).split(".")[0] != "2":
        raise damaged(path, "no asset of version 2 in its JSON", "glTF 2.0")
    return document, packed


def _chunks(path: Path, data: bytes) -> tuple[bytes, bytes | None]:
    """JSON and binary chunk (glTF 2.0 specification, section 4.4)."""
    version, length, held = int.from_bytes(data[4:8], "little"), int.from_bytes(data[8:12], "little"), len(data)
    if held < 20 or version != 2:
        raise damaged(path, "a GLB of {held} bytes, version {version}", "version 2", held=held, version=version)
    if length != held:
        found = "its header gives {length:count} bytes, the file holds {held:count}"
        raise cut_off(path, found, "{length:count} bytes", length=length, held=held)
    chunks: dict[bytes, bytes] = {}
    at = 12
    while at + 8 <= length:
        size, kind = int.from_bytes(data[at : at + 4], "little"), data[at + 4 : at + 8]
        if at + 8 + size > length:
            found = "a chunk of {size:count} bytes at byte {at:count} passes the end"
            raise damaged(path, found, "chunks inside the file", size=size, at=at)
        chunks.setdefault(kind, data[at + 8 : at + 8 + size])
        at += 8 + size
    if _JSON not in chunks:
        raise damaged(path, "no JSON chunk", "a GLB with its JSON first")
    return chunks[_JSON], chunks.get(_BIN)


def _mesh(path: Path, document: dict[str, Any], packed: bytes | None) -> Mesh:
    used = set(document.get("extensionsRequired", [])) & set(_COMPRESSED)
    if used:
        raise ReadError(
            path,
            "its mesh is compressed by {extensions}",
            needed="a glTF without compression",
            remedy="Export it without mesh compression",
            extensions=tuple(sorted(used)),
        )
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
        np.concatenate([np.empty((0, 3)), *corners]),
        np.concatenate([np.empty((0, 3), np.int64), *triangles]),
        "glTF mesh",
        unit="m",
        unit_from=note("capture.unit-by-format", format="glTF"),
        up=np.array([0.0, 1.0, 0.0]),
        up_from=note("capture.up-by-format", format="glTF", axis="Y"),
        warnings=notes,
    )


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
            found = "node {number} is named twice or is not there"
            raise damaged(path, found, "nodes that form a tree", number=str(number))
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
        found = "a face names corner {corner} of {corners}"
        raise damaged(path, found, "corners that are there", corner=int(order.max()), corners=len(points))
    if mode == _TRIANGLES:
        if len(order) % 3:
            raise damaged(path, "{count:count} corners of triangles", "a multiple of three", count=len(order))
        return points, order.reshape(-1, 3)
    if mode == _FAN:
        return points, fans(np.array([len(order)]), order)
    strip = np.stack([order[:-2], order[1:-1], order[2:]], axis=1) if len(order) > 2 else np.empty((0, 3), np.int64)
    # every other triangle of a strip runs the other way round
    strip[1::2, [0, 1]] = strip[1::2, [1, 0]]
    return points, strip


def _is_gltf(head: bytes) -> bool:
    return head[:4] == _MAGIC or (head.lstrip()[:1] == b"{" and b'"asset"' in head and b'"version"' in head)


def _others(path: Path) -> tuple[Path, ...]:
    """Buffers in files of their own."""
    document, _ = _document(path)
    try:
        named = [item["uri"] for item in document.get("buffers", []) if "uri" in item]
        return tuple(dict.fromkeys(beside(path, unquote(uri)) for uri in named if not uri.startswith("data:")))
    except (KeyError, TypeError, AttributeError) as reason:
        found, text = "its JSON contradicts itself ({kind}: {text})", str(reason)[:80]
        raise damaged(path, found, "a glTF 2.0 document", kind=type(reason).__name__, text=text) from None


FORMAT = Format("glTF", (".glb", ".gltf"), "points", _is_gltf, open_gltf, _others)
