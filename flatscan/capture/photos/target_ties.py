"""Printed targets among the ties: their corners triangulated from all photos that show them, and their middles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.capture.camera import Camera
from flatscan.capture.photos.bundle import Indices
from flatscan.capture.photos.photo_features import Features
from flatscan.capture.photos.ties import Sights, Ties, camera_of, seen_by
from flatscan.core.geometry import Array

# the edges of a target's square are known better than a feature's middle (methods/laser-line 4)
_CORNER_SD = 0.15
# a corner that misses by more than so many times what the best of its photos miss by is another target's [pixels]
_MOST_OFF = 6.0


@dataclass(frozen=True, eq=False)
class Marks:
    """Targets found in space: numbers (k,) and corners (k, 4, 3), from top left clockwise as printed."""

    numbers: Indices
    corners: Array

    def __len__(self) -> int:
        return len(self.numbers)

    @property
    def middles(self) -> Array:
        """Their middles (k, 3)."""
        middles: Array = self.corners.mean(axis=1)
        return middles

    @property
    def sides(self) -> Array:
        """Mean length (k,) of their sides."""
        sides: Array = np.linalg.norm(self.corners - np.roll(self.corners, 1, axis=1), axis=2).mean(axis=1)
        return sides

    def place(self, number: int) -> Array | None:
        """The middle (3,) of a target, None where it was not found."""
        at = np.flatnonzero(self.numbers == number)
        return None if not len(at) else np.asarray(self.middles[at[0]])


def with_targets(
    ties: Ties, sights: Sights, numbers: Sequence[int], features: Sequence[Features]
) -> tuple[Ties, Sights]:
    """The same with the corners of every target that two photos or more agree about; photo i is ``numbers[i]``."""
    cameras = [camera_of(ties.lenses[lens], 1, 1) for lens in ties.lens_of]
    wanted = sorted({number for i in numbers for number in features[i].targets})
    points, pixels = list[Array](), list[Array]()
    labels, photo, point = list[int](), list[int](), list[int]()
    for number in wanted:
        seen = [i for i, own in enumerate(numbers) if number in features[own].targets]
        corners = np.array([features[numbers[i]].targets[number] for i in seen])
        places = _triangulated(ties, cameras, seen, corners)
        if places is None:
            continue
        for corner in range(4):
            point += [len(ties.points) + len(points)] * len(seen)
            photo += seen
            pixels += list(corners[:, corner])
            points.append(places[corner])
            labels.append(4 * number + corner)
    if not points:
        return ties, sights
    many = len(photo)
    more = Sights(np.array(photo, np.int64), np.array(point, np.int64), np.array(pixels), np.zeros(many),
                  np.full(many, _CORNER_SD))  # fmt: skip
    joined = (np.concatenate([getattr(sights, name), getattr(more, name)]) for name in Sights.__dataclass_fields__)
    ties = replace(ties, points=np.vstack([ties.points, points]), labels=np.append(ties.labels, labels))
    return ties, Sights(*joined)


def _triangulated(ties: Ties, cameras: Sequence[Camera], seen: list[int], corners: Array) -> Array | None:
    """Places (4, 3) nearest to all rays through corners (k, 4, 2); None where photos do not agree about them."""
    if len(seen) < 2:
        return None
    places = np.empty((4, 3))
    for corner in range(4):
        matrix, right = np.zeros((3, 3)), np.zeros(3)
        for i, pixel in zip(seen, corners[:, corner], strict=True):
            ray = np.append(cameras[i].straight(pixel)[0], 1.0) @ ties.turns[i]
            across = np.eye(3) - np.outer(ray, ray) / (ray @ ray)
            matrix += across
            right += across @ ties.centres[i]
        if np.linalg.cond(matrix) > 1e6:
            return None
        places[corner] = np.linalg.solve(matrix, right)
    photo = np.repeat(np.array(seen, np.int64), 4)
    point = np.tile(np.arange(4, dtype=np.int64), len(seen))
    shown = Sights(photo, point, corners.reshape(-1, 2), np.zeros(len(photo)), np.ones(len(photo)))
    slopes = seen_by(replace(ties, points=places, labels=np.zeros(4, np.int64)), shown)
    off = np.hypot(*(slopes.pixels - shown.pixels).T)
    return places if slopes.before.all() and np.median(off) < _MOST_OFF else None


def marks_of(ties: Ties) -> Marks:
    """Targets all of whose corners are among the ties."""
    found = ties.labels[ties.labels >= 0]
    whole = [number for number in np.unique(found // 4) if (found // 4 == number).sum() == 4]
    places = {int(label): ties.points[i] for i, label in enumerate(ties.labels) if label >= 0}
    corners = np.array([[places[4 * number + corner] for corner in range(4)] for number in whole]).reshape(-1, 4, 3)
    return Marks(np.array(whole, np.int64), corners)
