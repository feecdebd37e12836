"""Builders of small files; a wall of known shape and the ways to write it."""

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
