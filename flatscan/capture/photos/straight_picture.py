"""The wall seen straight on: every place from the photo that sees it squarest, laid on the relief that was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.photos.bundle import Placed
from flatscan.capture.photos.dense_heights import DenseHeights
from flatscan.capture.photos.flattened import Floats, Ground, lay_flat, part_seen
from flatscan.core.geometry import Array
from flatscan.core.photographed import FlatPicture

Colours = NDArray[np.uint8]
# a pixel of the picture [m], and no more of them than this to a side
STEP, _MOST = 0.002, 12_000
# how much squarer a photo is counts by this power, so that seams are narrow but no edges
_SHARP = 12
# a photo's rim fades over so many pixels
_FADE = 60


@dataclass(frozen=True, eq=False)
class FlatColours:
    """One photo's colours on the plane: from ``row``, ``col`` on, and where it sees it (rows, cols)."""

    centre: Array
    row: int
    col: int
    colours: Colours
    seen: NDArray[np.uint8]


def picture_ground(ground: Ground) -> Ground:
    """The same ground in pixels of `STEP`, or of more where that would be too many."""
    wide, high = ground.cols * ground.step, ground.rows * ground.step
    step = max(STEP, wide / _MOST, high / _MOST)
    return Ground(
        ground.left, ground.bottom, step, 4 * int(np.ceil(high / step / 4)), 4 * int(np.ceil(wide / step / 4))
    )


def flat_colours(photo: Placed, ground: Ground, colours: Colours) -> FlatColours | None:
    """A photo's colours laid flat; made smaller first, so that what is finer than a pixel is averaged."""
    import cv2

    part = part_seen(photo, ground)
    if part is None:
        return None
    times = max(1, int(ground.step / (abs(float(photo.centre[2])) / photo.camera.fx)))
    size = colours.shape[1] // times, colours.shape[0] // times
    small = cv2.resize(colours[: size[1] * times, : size[0] * times], size, interpolation=cv2.INTER_AREA)
    camera = photo.camera
    middle = [(at + 0.5) / times - 0.5 for at in (camera.cx, camera.cy)]
    camera = replace(camera, width=size[0], height=size[1], fx=camera.fx / times, fy=camera.fy / times,
                     cx=middle[0], cy=middle[1])  # fmt: skip
    image, seen = lay_flat(replace(photo, camera=camera), ground, *part, np.asarray(small, np.uint8))
    return FlatColours(photo.centre, part[0].start, part[1].start, image, seen)


def straight_picture(shown: Sequence[FlatColours], ground: Ground, dense: DenseHeights) -> FlatPicture:
    """The picture of all photos, each as bright as the others are where they overlap."""
    height = _heights(dense, ground)
    total = np.zeros((ground.rows, ground.cols, 3), np.float32)
    weight = np.zeros((ground.rows, ground.cols), np.float32)
    for photo, gain in zip(shown, _gains(shown, ground, height), strict=True):
        colours, seen, square = _laid(photo, ground, height)
        here = _at(photo)
        share = square * _faded(seen)
        total[here] += colours * (gain * share)[..., None]
        weight[here] += share
    seen_at = weight > 0
    whole = np.clip(np.rint(total / np.maximum(weight, 1e-20)[..., None]), 0, 255).astype(np.uint8)
    return FlatPicture(ground.left, ground.bottom, ground.step, whole, seen_at)


def _at(photo: FlatColours) -> tuple[slice, slice]:
    rows, cols = photo.seen.shape
    return slice(photo.row, photo.row + rows), slice(photo.col, photo.col + cols)


def _heights(dense: DenseHeights, ground: Ground) -> Floats:
    import cv2

    shape = (
        round(dense.ground.cols * dense.ground.step / ground.step),
        round(dense.ground.rows * dense.ground.step / ground.step),
    )
    spread = cv2.resize(cv2.medianBlur(dense.surface, 5), shape, interpolation=cv2.INTER_LINEAR)
    rows, cols = max(0, ground.rows - shape[1]), max(0, ground.cols - shape[0])
    return np.asarray(np.pad(spread, ((0, rows), (0, cols)), mode="edge")[: ground.rows, : ground.cols], np.float32)


def _laid(photo: FlatColours, ground: Ground, height: Floats) -> tuple[Floats, Floats, Floats]:
    """Colours (rows, cols, 3) of a photo on the relief, where it sees it, and how squarely to a high power."""
    import cv2

    rows, cols = photo.seen.shape
    part = height[_at(photo)]
    x = ground.left + (photo.col + np.arange(cols) + 0.5) * ground.step - photo.centre[0]
    y = (ground.bottom + (photo.row + np.arange(rows) + 0.5) * ground.step - photo.centre[1])[:, None]
    z = float(photo.centre[2])
    off = part / (np.float32(z) - part) / np.float32(ground.step)
    across = np.arange(cols, dtype=np.float32) + off * x.astype(np.float32)
    upward = np.arange(rows, dtype=np.float32)[:, None] + off * y.astype(np.float32)
    colours = cv2.remap(photo.colours, across, upward, cv2.INTER_LINEAR)
    seen = cv2.remap(photo.seen, across, upward, cv2.INTER_NEAREST)
    square = (z / np.sqrt(x**2 + y**2 + z**2)) ** _SHARP
    return np.asarray(colours, np.float32), np.asarray(seen, np.float32), square.astype(np.float32)


def _faded(seen: Floats) -> Floats:
    import cv2

    framed = cv2.copyMakeBorder((seen > 0).astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    away = cv2.distanceTransform(framed, cv2.DIST_L2, 3)[1:-1, 1:-1]
    return np.asarray(np.minimum(away / _FADE, 1.0), np.float32)


def _gains(shown: Sequence[FlatColours], ground: Ground, height: Floats) -> list[float]:
    """What makes each photo as bright as the mean of all where it lies."""
    total, count = np.zeros((2, ground.rows, ground.cols), np.float32)
    greys = []
    for photo in shown:
        colours, seen, _ = _laid(photo, ground, height)
        grey = colours.mean(axis=2) * (seen > 0)
        greys.append(grey)
        total[_at(photo)] += grey
        count[_at(photo)] += seen > 0
    gains = []
    for photo, grey in zip(shown, greys, strict=True):
        mean = total[_at(photo)] / np.maximum(count[_at(photo)], 1)
        both = (count[_at(photo)] > 1) & (grey > 5)
        gains.append(float(np.median(mean[both] / grey[both])) if both.any() else 1.0)
    return gains
