"""What each photo shows by itself: distinct points with their descriptions, targets, sharpness; kept between runs.

Lowe, Distinctive Image Features from Scale-Invariant Keypoints, IJCV 60, 2004 (by OpenCV); the square root of
Arandjelović and Zisserman, CVPR 2012.
"""

from __future__ import annotations

import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.calibration.printed_marks import find_targets
from flatscan.capture.photos.photo_files import PhotoFile, sensor_picture
from flatscan.core.geometry import Array
from flatscan.core.kernels import user_cache_folder

# features are looked for on pictures no longer than this [pixels], so many at most, evenly over so many squares
LONGEST, MOST = 2600, 4200
_ACROSS, _DOWN = 16, 12
_CONTRAST, _EDGE = 0.015, 12.0
# raise it with everything above: what was kept by other rules is made anew
_RULES = "4"
_MOST_KEPT = 400
# coarse detail weaker than this [grey steps] is none: it is the sensor's own
_FAINT = 0.7


@dataclass(frozen=True, eq=False)
class Features:
    """Features of one photo: places (n, 2) on the sensor [pixels], sizes (n,) [pixels], descriptions (n, 128).

    ``targets`` are corners (4, 2) by number. ``detail`` is the scatter of the finest detail [grey steps], ``sharp`` the
    share of detail of two pixels in that of eight, 0 where there is none at all; ``enough`` is the share of squares
    that hold any feature.
    """

    at: Array
    size: Array
    described: NDArray[np.uint8]
    targets: dict[int, Array]
    detail: float
    sharp: float
    enough: float

    def __len__(self) -> int:
        return len(self.at)


def features_of(photo: PhotoFile) -> Features:
    """The features of a photo, from the user's cache where an earlier run left them; raises as `read_picture` does."""
    kept = _kept(photo)
    if kept is not None and kept.is_file():
        found = _read(kept)
        if found is not None:
            return found
    found = _find(sensor_picture(photo))
    if kept is not None:
        _keep(kept, found)
    return found


def _find(grey: NDArray[np.uint8]) -> Features:
    import cv2

    cv: Any = cv2
    high, wide = grey.shape
    factor = min(1.0, LONGEST / max(high, wide))
    small: Any = grey if factor == 1.0 else cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    # what is made of one picture must not depend on the number of processors
    sift = cv.SIFT_create(0, 3, _CONTRAST, _EDGE, 1.6, True)
    points = sift.detect(small, None)
    places = np.array([(*one.pt, one.size, one.response) for one in points]).reshape(-1, 4)
    chosen, enough = _evenly(places, small.shape)
    if len(chosen):
        points, described = sift.compute(small, [points[i] for i in chosen])
        places = np.array([(*one.pt, one.size, one.response) for one in points]).reshape(-1, 4)
        total = described.sum(axis=1, keepdims=True)
        described = np.round(512 * np.sqrt(described / np.maximum(total, 1e-9))).clip(0, 255).astype(np.uint8)
    else:
        places, described = np.empty((0, 4)), np.empty((0, 128), np.uint8)
    detail, sharp = _sharpness(small)
    at = (places[:, :2] + 0.5) / factor - 0.5
    return Features(at, places[:, 2] / factor, described, find_targets(grey, light=True), detail, sharp, enough)


def _evenly(places: Array, shape: tuple[int, ...]) -> tuple[NDArray[np.int64], float]:
    """Numbers of the features with the strongest response in each square, and the share of squares with any."""
    if not len(places):
        return np.empty(0, np.int64), 0.0
    across = np.clip((places[:, 0] * _ACROSS / shape[1]).astype(np.int64), 0, _ACROSS - 1)
    down = np.clip((places[:, 1] * _DOWN / shape[0]).astype(np.int64), 0, _DOWN - 1)
    square = down * _ACROSS + across
    order = np.lexsort((places[:, 1], places[:, 0], -places[:, 3], square))
    rank = np.arange(len(order)) - np.searchsorted(square[order], square[order])
    most = -(-MOST // (_ACROSS * _DOWN))
    return np.sort(order[rank < most]), len(np.unique(square)) / (_ACROSS * _DOWN)


def _sharpness(grey: NDArray[np.uint8]) -> tuple[float, float]:
    """Scatter of the finest detail [grey steps], and how it compares with that four times as large."""
    import cv2

    fine: Any = grey.astype(np.float32)
    scatter = list[float]()
    for _ in range(3):
        coarse = cv2.GaussianBlur(fine, (0, 0), 1.2)
        scatter.append(float(np.median(np.abs(fine - coarse))))
        fine = cv2.resize(coarse, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return scatter[0], scatter[0] / scatter[2] if scatter[2] > _FAINT else 0.0


def _kept(photo: PhotoFile) -> Path | None:
    """Where the features of a photo are kept; None where there is no place for them."""
    try:
        folder = user_cache_folder() / "photos"
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError):
        return None
    return folder / f"{photo.sha256}-{photo.orientation}-{_RULES}.npz"


def _read(path: Path) -> Features | None:
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
            numbers, corners = kept["numbers"], kept["corners"]
            targets = {int(number): corners[i] for i, number in enumerate(numbers)}
            detail, sharp, enough = (float(value) for value in kept["told"])
            return Features(kept["at"], kept["size"], kept["described"], targets, detail, sharp, enough)
    except (OSError, ValueError, KeyError, zipfile.BadZipFile, EOFError):
        # cut off by a kill or made by something else: found anew
        return None


def _keep(path: Path, found: Features) -> None:
    """Write beside and rename; where the disk is full or not ours, the next run finds them anew."""
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as stream:
            corners = np.array(list(found.targets.values())).reshape(-1, 4, 2)
            np.savez(stream, at=found.at, size=found.size, described=found.described, corners=corners,
                     numbers=np.array(list(found.targets), np.int64),
                     told=np.array([found.detail, found.sharp, found.enough]))  # fmt: skip
        Path(stream.name).replace(path)
        every = sorted(path.parent.glob("*.npz"), key=lambda one: one.stat().st_mtime)
        for old in every[: max(0, len(every) - _MOST_KEPT)]:
            old.unlink()
    except OSError:
        return
