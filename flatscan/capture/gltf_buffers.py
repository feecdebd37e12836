"""Bytes and numbers of a glTF document: buffers, views on them, and accessors."""

from __future__ import annotations

import base64
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import unquote

import numpy as np

from flatscan.capture.source import cut_off, damaged
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array

# component types (glTF 2.0 specification, section 3.6.2.2)
_CODES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC3": 3}


def buffers(path: Path, document: dict[str, Any], packed: bytes | None) -> tuple[list[bytes], tuple[str, ...]]:
    """The document's buffers, each at least as long as it says, and sentences about those in files of their own."""
    store, notes = [], []
    for number, item in enumerate(document.get("buffers", [])):
        uri = item.get("uri")
        if uri is None:
            data = packed or b""
        elif uri.startswith("data:"):
            data = base64.b64decode(uri.partition(",")[2], validate=True)
        else:
            data = _beside(path, uri)
            notes.append(f"its numbers stand in '{unquote(uri)}' beside it, which the hash does not cover")
        if len(data) < item["byteLength"]:
            raise cut_off(path, f"buffer {number} holds {len(data):,} bytes", f"{item['byteLength']:,} bytes")
        store.append(data)
    return store, tuple(notes)


def _beside(path: Path, uri: str) -> bytes:
    """Bytes of a buffer's own file, which must lie in the document's folder."""
    name = PurePosixPath(unquote(uri))
    if name.is_absolute() or ".." in name.parts or ":" in uri or "\\" in uri:
        raise damaged(path, f"its buffer lies elsewhere ('{uri[:60]}')", "a file in the same folder")
    other = path.parent / name
    if not other.is_file():
        raise ReadError(path, f"its buffer '{name}' is not beside it", needed="the .bin file that came with it",
                        remedy="Copy both files into one folder, or export one .glb")  # fmt: skip
    return other.read_bytes()


def accessor(path: Path, document: dict[str, Any], store: list[bytes], number: int, kind: str) -> Array:
    """Numbers of one accessor as (n, k) float64; raises `ReadError` where they pass the end of their view."""
    item = document["accessors"][_index(number)]
    if item["type"] != kind or "sparse" in item or item["componentType"] not in _CODES:
        found = f"accessor {number} is {item['type']} of component {item['componentType']}"
        raise damaged(path, found, f"a plain {kind}, not sparse")
    code, width, count = np.dtype(_CODES[item["componentType"]]), _WIDTHS[kind], _index(item["count"])
    view = document["bufferViews"][_index(item["bufferView"])]
    size = code.itemsize * width
    stride = _index(view.get("byteStride", 0)) or size
    start = _index(view.get("byteOffset", 0)) + _index(item.get("byteOffset", 0))
    data = store[_index(view["buffer"])]
    end = start + stride * (count - 1) + size if count else start
    if stride < size or end > len(data) or end > _index(view.get("byteOffset", 0)) + _index(view["byteLength"]):
        raise cut_off(path, f"accessor {number} needs bytes {start:,} to {end:,} of its view", "a view that long")
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
