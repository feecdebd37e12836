"""A building of known truth with any number of points, made block by block so that memory does not grow with it.

Rooms stand in a grid on each storey, parted by 120 mm partitions with doors in them. Every wall has a belly of its own,
a formula in the wall's coordinates, so each wall's true shape can be had to any accuracy.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

PARTITION, SLAB = 0.12, 0.30
DOOR = (0.9, 2.05)


@dataclass(frozen=True)
class Building:
    """``across`` x ``deep`` rooms of ``room`` (width, depth, height) [m] on each of ``storeys`` storeys."""

    across: int = 2
    deep: int = 2
    storeys: int = 1
    room: tuple[float, float, float] = (4.0, 3.2, 2.6)
    noise: float = 0.001
    belly: float = 0.004
    yaw: float = 0.0
    at: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def rooms(self) -> int:
        return self.across * self.deep * self.storeys

    @property
    def area(self) -> float:
        """Area of all surfaces, doors not taken off [m2]."""
        return self.rooms * sum(wide * high for _, _, _, wide, high in self._faces())

    def _faces(self) -> list[tuple[np.ndarray, np.ndarray, np.ndarray, float, float]]:
        """Origin, along, up (each (3,)), width and height of a room's floor, ceiling and four walls."""
        w, d, h = self.room
        x, y, z = np.eye(3)
        return [
            (np.zeros(3), x, y, w, d),
            (h * z, x, y, w, d),
            (w * x, -x, z, w, h),
            (d * y, x, z, w, h),
            (np.zeros(3), y, z, d, h),
            (w * x + d * y, -y, z, d, h),
        ]

    def blocks(self, points: int, seed: int = 1, size: int = 1_000_000) -> Iterator[np.ndarray]:
        """All points (n, 3) in file coordinates, evenly over all surfaces, in blocks of mixed rooms."""
        faces = self._faces()
        area = np.array([wide * high for *_, wide, high in faces])
        # 32-bit counters: one stream of the generator for each block, so any block can be made by itself
        for number, start in enumerate(range(0, points, size)):
            rng = np.random.default_rng([seed, number])
            count = min(size, points - start)
            face = rng.choice(len(faces), count, p=area / area.sum())
            room = rng.integers(0, self.rooms, count)
            yield self._place(self._on_faces(faces, face, rng), room)

    def _on_faces(self, faces: list, face: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        made = np.empty((len(face), 3))
        for number, (at, along, up, wide, high) in enumerate(faces):
            mine = np.flatnonzero(face == number)
            u, v = rng.random(len(mine)) * wide, rng.random(len(mine)) * high
            off = rng.normal(0, self.noise, len(mine))
            if number >= 2:
                off += self.belly * (1 - (2 * u / wide - 1) ** 2)
                # a door is a hole in the wall below its head: its points move to the wall above it
                door = (np.abs(u - wide / 2) < DOOR[0] / 2) & (v < DOOR[1])
                v = np.where(door, DOOR[1] + (v / DOOR[1]) * (high - DOOR[1]), v)
            out = np.cross(along, up)
            # floors and ceilings face the room too
            out = -out if number == 1 else out
            made[mine] = at + u[:, None] * along + v[:, None] * up + off[:, None] * out
        return made

    def _place(self, points: np.ndarray, room: np.ndarray) -> np.ndarray:
        w, d, h = self.room
        column, row = room % self.across, room // self.across % self.deep
        storey = room // (self.across * self.deep)
        points = points + np.stack([column * (w + PARTITION), row * (d + PARTITION), storey * (h + SLAB)], axis=1)
        c, s = np.cos(self.yaw), np.sin(self.yaw)
        turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        return points @ turn.T + np.array(self.at)


def write_ply(path: Path, building: Building, points: int, seed: int = 1) -> None:
    """Binary PLY of doubles."""
    header = f"ply\nformat binary_little_endian 1.0\nelement vertex {points}\n"
    header += "".join(f"property double {axis}\n" for axis in "xyz") + "end_header\n"
    with path.open("wb") as stream:
        stream.write(header.encode())
        for block in building.blocks(points, seed):
            stream.write(block.astype("<f8").tobytes())


def write_las(path: Path, building: Building, points: int, seed: int = 1) -> None:
    """LAS 1.4, 0.1 mm steps."""
    import laspy

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, 1e-4), np.floor(np.array(building.at))
    with laspy.open(path, mode="w", header=header) as writer:
        for block in building.blocks(points, seed):
            record = laspy.ScaleAwarePointRecord.zeros(len(block), header=header)
            record.x, record.y, record.z = block.T
            writer.write_points(record)
