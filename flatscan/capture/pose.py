"""Where a scanner or a node of a scene stands: turned and moved points and blocks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from flatscan.capture.source import Block, Normals
from flatscan.core.geometry import Array


@dataclass(frozen=True, eq=False)
class Pose:
    """p' = ``rotation`` (3, 3) p + ``translation`` (3,)."""

    rotation: Array
    translation: Array

    @property
    def is_default(self) -> bool:
        """Whether it says nothing: no turn, and the scanner at the origin."""
        return bool(np.array_equal(self.rotation, np.eye(3)) and not self.translation.any())

    def __call__(self, points: Array) -> Array:
        """Points (n, 3) in the common axes."""
        with np.errstate(all="ignore"):
            # row by row sums of three products, not a library's: the same digits on any machine and block size
            turned = sum(points[:, [axis]] * self.rotation[:, axis] for axis in range(3))
        return np.asarray(turned + self.translation)

    def blocks(self, inner: Callable[[], Iterator[Block]]) -> Callable[[], Iterator[Block]]:
        """The same blocks in the common axes."""
        return _Posed(self, inner)


@dataclass(frozen=True, eq=False)
class _Posed:
    pose: Pose
    inner: Callable[[], Iterator[Block]]

    def __call__(self) -> Iterator[Block]:
        turn = Pose(self.pose.rotation, np.zeros(3))
        for block in self.inner():
            yield block._replace(points=self.pose(block.points), normals=_turned(turn, block.normals))


def _turned(turn: Pose, normals: Normals | None) -> Normals | None:
    return None if normals is None else lambda rows: turn(normals(rows))


def rotation_matrix(w: float, x: float, y: float, z: float) -> Array:
    """Rotation (3, 3) of a quaternion, normalised first; the zero quaternion raises `ValueError`.

    Standard form with the scalar part w (for example ASTM E2807-11, section on rigid body transforms).
    """
    size = float(np.linalg.norm((w, x, y, z)))
    if not np.isfinite(size) or size < 1e-9:
        raise ValueError("a quaternion of length zero or not finite")
    w, x, y, z = (part / size for part in (w, x, y, z))
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )
