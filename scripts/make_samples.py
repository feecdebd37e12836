"""Make the sample captures in sample_clouds/ from a stated truth: run it again and the same bytes come out.

Usage: .venv/bin/python scripts/make_samples.py [FOLDER]
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from room_model import Plan, Pose, Shape, build_room, build_wall

SEED = 20_261_125
# the drying-room wall of a mill that becomes a tea room: leans into the room, bellies, two nibs and a broad hollow
WALL = Shape(
    width=2.4, height=2.5, lean=0.0025, belly_along=0.003, belly_up=0.002,
    humps=((0.7, 1.75, 0.008, 0.07), (1.75, 0.95, 0.005, 0.09), (1.2, 0.45, -0.004, 0.30)),
)  # fmt: skip
ROOM = Plan(
    Shape(width=4.2, height=2.6, lean=-0.0015, belly_along=-0.004, humps=((3.3, 1.6, 0.007, 0.09),)),
    depth=3.4, openings=((1.5, 0.9, 1.2, 1.1, 0.25),), boxes=((0.0, 0.0, 0.3, 0.6, 0.9, 0.9),),
    skirting=(0.015, 0.1),
)  # fmt: skip
GRID_X = (0.1, 0.5, 0.9, 1.3, 1.7, 2.1, 2.3)
GRID_Y = (2.4, 1.8, 1.2, 0.6, 0.1)
LASER_OFF = 0.120
U_READING = 0.0006


def write_ply(path: Path, points: np.ndarray, comment: str) -> None:
    """Binary little-endian PLY of float32 points."""
    header = (
        f"ply\nformat binary_little_endian 1.0\ncomment {comment}\nelement vertex {len(points)}\n"
        "property float x\nproperty float y\nproperty float z\nend_header\n"
    )
    path.write_bytes(header.encode("ascii") + points.astype("<f4").tobytes())


def laser_grid(path: Path, shape: Shape) -> None:
    """Readings of the wall from a plumb laser plane, to whole millimetres as a rule is read, one station missed."""
    rng = np.random.default_rng(SEED + 1)
    lines = [
        "units, mm",
        "sense, big = hollow",
        f"width, {shape.width:g} m",
        f"height, {shape.height:g} m",
        "control, 118, 118.5",
        "wall, drying room north wall, read by the plasterer before quoting",
        "",
        ", " + ", ".join(f"{x:g}" for x in GRID_X),
    ]
    for y in GRID_Y:
        row = [LASER_OFF - shape.offset(x, y) + rng.normal(0, U_READING) for x in GRID_X]
        words = [f"{reading * 1000:.0f}" for reading in row]
        if y == GRID_Y[3]:
            words[5] = "-"
        lines.append(f"{y:g}, " + ", ".join(words))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    pose = Pose(yaw=np.radians(25.0))
    wall, wall_truth = build_wall(SEED, shape=WALL, pose=pose, points=150_000, noise=0.001)
    write_ply(folder / "wall.ply", wall, "drying room north wall, metres, up is z")
    room, room_truth = build_room(SEED, plan=ROOM, pose=Pose(yaw=np.radians(-10.0)), points=84_000, noise=0.0015)
    write_ply(folder / "room.ply", room, "tea room with window and settle, metres")
    laser_grid(folder / "laser_grid.csv", WALL)
    truth = {
        "seed": SEED,
        "wall.ply": wall_truth | {"noise_mm": 1.0},
        "room.ply": room_truth | {"noise_mm": 1.5},
        "laser_grid.csv": {
            "width_mm": WALL.width * 1000, "height_mm": WALL.height * 1000, "laser_off_foot_mm": LASER_OFF * 1000,
            "lean_mm_per_m": WALL.lean * 1000, "u_reading_mm": U_READING * 1000, "missing": [[2.1, 0.6]],
            "stations": len(GRID_X) * len(GRID_Y) - 1,
        },
    }  # fmt: skip
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    for path in sorted(folder.iterdir()):
        print(f"{path.name:16} {path.stat().st_size:9,d} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent.parent / "sample_clouds")
