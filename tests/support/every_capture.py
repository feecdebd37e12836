"""A small wall captured in every way that there is a reader for: one builder for each format, and for folders."""

import importlib.util
import json
from pathlib import Path

import numpy as np
from line_scene import Scene
from sweep_model import SweepScene

from flatscan.jobs import Capturing

TESTS = Path(__file__).parents[1]


def _module(path):
    """The builders of another room's tests, which are no package."""
    spec = importlib.util.spec_from_file_location(path.stem + "_of_captures", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


files = _module(TESTS / "capture" / "conftest.py")
depths = _module(TESTS / "capture" / "test_depth.py")
# in the xz plane at y = 2 m, seen from the origin's side
BEFORE_IT = Capturing(up="z", seen_from=(1.0, 0.0, 0.8), file_unit="m", cell=0.1)


def points(seed=1, warp=0.0):
    rng = np.random.default_rng(seed)
    x, z = rng.uniform(0, 2.0, 5000), rng.uniform(0, 1.6, 5000)
    return np.stack([x, 2 + 0.002 * np.sin(3 * x) + warp * np.cos(4 * z) + rng.normal(0, 0.0005, x.size), z], axis=1)


def _mesh():
    return files.sheet_mesh(1.2, 1.0, (12, 10))


def _written(folder, name, data):
    path = folder / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return path


def _ptx(folder):
    return _written(folder, "wall.ptx", files.ptx_bytes([(points(), np.eye(3), (0, 0, 0))]))


def _gltf(folder):
    corners, triangles = _mesh()
    turned = corners[:, [0, 2, 1]] * [1, 1, -1]
    document, packed = files.gltf_document(turned, triangles)
    document["buffers"][0]["uri"] = "mesh%20of%20it.bin"
    _written(folder, "mesh of it.bin", packed)
    return _written(folder, "wall.gltf", json.dumps(document))


def _depth_photo(folder):
    """With its confidence map in the folder next to it, as phones write them."""
    inner, sure = folder / "depth", folder / "confidence"
    inner.mkdir()
    sure.mkdir()
    depth = depths.depth_of((np.array([0, 0, 1.0]), 1.5))
    depths.save(inner / "wall.png", depth + np.random.default_rng(3).normal(0, 5e-4, depth.shape), 10_000)
    (inner / "wall.json").write_text(depths.camera_text(depth_scale=10_000))
    depths.save(sure / "wall.png", np.full(depth.shape, 2.0), 1)
    return inner / "wall.png"


def _frames(folder):
    room = folder / "room"
    (room / "depth").mkdir(parents=True)
    (room / "confidence").mkdir()
    poses = [depths.turned(0.1 * i, (0.3 * i - 0.3, 0, 0)) for i in range(3)]
    for i, pose in enumerate(poses):
        depth = depths.depth_of((np.array([0, 0, 1.0]), 1.6), pose)
        depths.save(room / "depth" / f"{i:04d}.png", depth, 20_000)
        depths.save(room / "confidence" / f"{i:04d}.png", np.full(depth.shape, 2.0), 1)
    (room / "intrinsic.json").write_text(depths.camera_text(depth_scale=20_000))
    (room / "poses.json").write_text(json.dumps([pose.tolist() for pose in poses]))
    return room


def _lines(folder):
    """Two lines, their pictures in a folder below."""
    shots = folder / "shots"
    shots.mkdir()
    text = ""
    for number, at in ((1, 1.8), (2, 2.4)):
        scene = Scene(width=1200, height=900, focal=873.6, size=0.25, at=at, pivot=(at - 1.2, 1.1, 0.45), seed=number)
        scene.pictures(shots, name=str(number))
        text += f'[[line]]\non = "shots/on{number}.png"\noff = "shots/off{number}.png"\nat = "{at} m"\n'
        text += f'pivot = ["{at - 1.2} m", "1.1 m", "0.45 m"]\n'
    path = scene.setup(folder)
    path.write_text(path.read_text().split("[[line]]")[0] + text)
    return path


def _sweep(folder):
    """A video in a folder below; drawn once."""
    shots = folder / "shots"
    shots.mkdir()
    if not _DRAWN:
        scene = SweepScene(size=(480, 270), focal=405.0, lines=24, scale=0.5, target=0.18)
        _DRAWN[scene] = scene.video(shots / "sweep.avi").read_bytes()
    ((scene, film),) = _DRAWN.items()
    (shots / "sweep.avi").write_bytes(film)
    return scene.setup(folder, video="shots/sweep.avi")


_DRAWN = {}
# by the name of the format; how each is read
EVERY = {
    "PLY": (lambda to: _written(to, "wall.ply", files.ply_bytes(points(), code="f8")), BEFORE_IT),
    "PCD": (lambda to: _written(to, "wall.pcd", files.pcd_bytes(points())), BEFORE_IT),
    "LAS": (lambda to: files.las_file(to / "wall.las", points()), BEFORE_IT),
    "E57": (lambda to: files.e57_file(to / "wall.e57", [{"points": points()}]), BEFORE_IT),
    "glTF": (_gltf, Capturing(seen_from=(1.0, 0.8, 0.0), cell=0.1)),
    "STL": (lambda to: _written(to, "wall.stl", files.stl_bytes(*_mesh())), BEFORE_IT),
    "OBJ": (lambda to: _written(to, "wall.obj", files.obj_text(*_mesh())), BEFORE_IT),
    "depth photo": (_depth_photo, Capturing(cell=0.1)),
    "laser line photos": (_lines, Capturing()),
    "swept laser lines": (_sweep, Capturing(cell=0.05)),
    "PTX": (_ptx, BEFORE_IT),
    "laser grid": (lambda to: _written(to, "readings.csv", files.GRID), Capturing()),
    "text": (
        lambda to: _written(to, "wall.xyz", "".join(f"{x!r} {y!r} {z!r}\n" for x, y, z in points().tolist())),
        BEFORE_IT,
    ),
    "depth frames": (_frames, Capturing(up="y", seen_from=(0.0, 0.0, 0.0), cell=0.1)),
}
