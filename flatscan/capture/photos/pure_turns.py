"""Whether a camera moved at all between photos: views of a plane from one place differ by a turn alone.

Hartley and Zisserman, Multiple View Geometry, 2nd edition, 2004, section 13.1: the homography of a plane is
K (R - t n^T / d) K^-1; without t what is left is a rotation, whose three singular values are alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.capture.photos.matching import library
from flatscan.capture.photos.photo_features import Features
from flatscan.core.geometry import Array

# photos are from one place where the camera moved by less of its distance, and it stood where it turned by less [rad]
_MOVED, _TURNED = 0.03, 0.05
_MOST_PAIRS, _FEWEST_MATCHES = 60, 30
_FOCALS = np.linspace(0.7, 1.4, 15)


@dataclass(frozen=True)
class OnePlace:
    """All photos are from one place: whether the camera was ``turned``, and how far it ``moved`` by its distance."""

    turned: bool
    moved: float


def one_place(database: Path, features: Sequence[Features], middle: Array, focal: float) -> OnePlace | None:
    """What tells that all photos are from one place, None where they are not; ``middle`` (2,) and ``focal`` [pixels].

    The focal length may be off: the one that makes the pairs look most like turns is taken.
    """
    import cv2

    flats = []
    for first, second, rows in _strongest(database):
        a, b = features[first].at[rows[:, 0]] - middle, features[second].at[rows[:, 1]] - middle
        found, kept = cv2.findHomography(a, b, cv2.RANSAC, 3.0)
        if found is not None and np.asarray(kept).sum() >= _FEWEST_MATCHES:
            flats.append(np.asarray(found, np.float64))
    if not flats:
        return None
    best = None
    for factor in _FOCALS:
        size = np.diag([focal * factor, focal * factor, 1.0])
        plain = np.array([np.linalg.inv(size) @ flat @ size for flat in flats])
        plain = plain / np.cbrt(np.linalg.det(plain))[:, None, None]
        values = np.linalg.svd(plain, compute_uv=False)
        moved = float(np.percentile(values[:, 0] - values[:, 2], 90))
        turn = float(np.median(np.arccos(np.clip((np.trace(plain, axis1=1, axis2=2) - 1) / 2, -1, 1))))
        if best is None or moved < best.moved:
            best = OnePlace(turn > _TURNED, moved)
    return best if best is not None and best.moved < _MOVED else None


def _strongest(database: Path) -> list[tuple[int, int, Array]]:
    """Pairs of photos with most matches, and the rows of their features (n, 2)."""
    pycolmap = library()
    store = pycolmap.Database.open(str(database))
    try:
        numbers, found = store.read_two_view_geometries()
        pairs = [
            (*pycolmap.pair_id_to_image_pair(number), one.inlier_matches)
            for number, one in zip(numbers, found, strict=True)
        ]
    finally:
        store.close()
    pairs = [(a - 1, b - 1, np.asarray(rows, np.int64)) for a, b, rows in pairs if len(rows) >= _FEWEST_MATCHES]
    return sorted(pairs, key=lambda pair: -len(pair[2]))[:_MOST_PAIRS]
