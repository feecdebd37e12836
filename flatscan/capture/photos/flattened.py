"""Photos laid flat on the plane z = 0: what each shows of the wall, seen straight on, at three sizes of pixel."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.photos.bundle import Placed
from flatscan.core.geometry import Array

Grey = NDArray[np.uint8]
Floats = NDArray[np.float32]
# pixels of the ground [m]: finer shows noise, coarser loses what grains of sand and stone show
_FINEST, _COARSEST = 0.0005, 0.001
# points stand as close as three to the smallest cell, which is 10 mm [m]
_POINT = 0.0033
# so many pixels of a photo's rim see nothing of their neighbours; a wall seen flatter than this is smeared
_RIM, _FLATTEST = 6, math.cos(math.radians(65))
# the way through a lens is smooth: it is found at every so manieth pixel, and straight between
_NODE = 16
_STRIP = 512
LEVELS = 3
# photos are cut at multiples of this, so that the coarse pixels of all lie on one lattice
_WHOLE = 2 ** (LEVELS - 1)


@dataclass(frozen=True, slots=True)
class Ground:
    """Square pixels of side ``step`` [m] on the plane z = 0, ``rows`` up and ``cols`` along from ``left``, ``bottom``.

    Row 0 is the lowest.
    """

    left: float
    bottom: float
    step: float
    rows: int
    cols: int

    @property
    def block(self) -> int:
        """How many pixels wide a point is that stands for a third of the smallest cell."""
        return max(1, round(_POINT / self.step))

    @property
    def unit(self) -> int:
        """Rows and columns are a multiple of this: whole coarse pixels, and three by three points."""
        return 3 * _WHOLE * self.block

    def coarser(self, level: int) -> Ground:
        """The same ground in pixels 2^level times as large."""
        times = 2**level
        return Ground(self.left, self.bottom, self.step * times, self.rows // times, self.cols // times)

    def along(self, cols: slice) -> Array:
        """x (cols,) [m] of the middles of some of its pixels."""
        return np.asarray(self.left + (np.arange(cols.start, cols.stop) + 0.5) * self.step)

    def upward(self, rows: slice) -> Array:
        """y (rows,) [m] of the middles of some of its pixels."""
        return np.asarray(self.bottom + (np.arange(rows.start, rows.stop) + 0.5) * self.step)


@dataclass(frozen=True, eq=False)
class Flattened:
    """One photo on the ground: from ``row``, ``col`` of it on, grey (rows, cols) and where it shows the wall at all.

    ``images`` and ``seen`` are for every level; ``row`` and ``col`` count pixels of level 0. ``centre`` (3,) [m] is
    where it was taken from, ``weight`` (rows, cols) at the coarsest level falls from 1 to 0 towards its rim.
    """

    centre: Array
    row: int
    col: int
    images: tuple[Grey, ...]
    seen: tuple[Grey, ...]
    rim: Floats

    def sees(self, part: tuple[slice, slice]) -> bool:
        """Whether it sees any of part of the ground, in rows and columns of its finest pixels."""
        rows, cols = (
            slice(max(one.start - start, 0), max(one.stop - start, 0))
            for one, start in zip(part, (self.row, self.col), strict=True)
        )
        return bool(self.seen[0][rows, cols].any())

    def laid_on(
        self, ground: Ground, level: int, rows: slice, cols: slice, height: Floats, *, cubic: bool = False
    ) -> tuple[Floats, NDArray[np.bool_]]:
        """Grey and whether it is seen (rows, cols) of part of a surface ``height`` [m] over ``ground`` of a level.

        The ray to a place at height h meets the plane at place + (place - centre) h / (centre's z - h).
        """
        import cv2

        col, row = self.col / 2**level, self.row / 2**level
        # in pixels of this level, counted from the photo's own corner
        x = np.arange(cols.start, cols.stop) - col
        y = np.arange(rows.start, rows.stop) - row
        foot = (self.centre[:2] - [ground.left, ground.bottom]) / ground.step - 0.5 - [col, row]
        off = height / (np.float32(self.centre[2]) - height)
        across = off * (x - foot[0]).astype(np.float32) + x.astype(np.float32)
        upward = off * (y - foot[1]).astype(np.float32)[:, None] + y.astype(np.float32)[:, None]
        how = cv2.INTER_CUBIC if cubic else cv2.INTER_LINEAR
        grey = cv2.remap(self.images[level], across, upward, how)
        seen = cv2.remap(self.seen[level], across, upward, cv2.INTER_NEAREST)
        return grey.astype(np.float32), seen > 0


def ground_of(photos: Sequence[Placed], box: tuple[float, float, float, float]) -> Ground:
    """The ground of a wall whose ``box`` is left, bottom, right, top [m], in pixels as most photos have them there."""
    native = [abs(float(one.centre[2])) / one.camera.fx for one in photos]
    step = float(np.clip(np.median(native), _FINEST, _COARSEST))
    unit = Ground(0.0, 0.0, step, 0, 0).unit
    cols, rows = (unit * math.ceil((box[k + 2] - box[k]) / step / unit) for k in (0, 1))
    return Ground(box[0], box[1], step, rows, cols)


def flattened(photo: Placed, ground: Ground, grey: Grey) -> Flattened | None:
    """A photo (rows, cols) laid flat; None where it sees nothing of the ground."""
    part = part_seen(photo, ground)
    if part is None:
        return None
    rows, cols = part
    image, seen = lay_flat(photo, ground, rows, cols, grey)
    if not seen.any():
        return None
    return Flattened(photo.centre, rows.start, cols.start, *_levels(image, seen), _rim_weight(seen))


def lay_flat(photo: Placed, ground: Ground, rows: slice, cols: slice, picture: Grey) -> tuple[Grey, Grey]:
    """A picture (rows, cols) or (rows, cols, 3) on part of the ground, and where it sees it (0 or 1)."""
    import cv2

    size = (rows.stop - rows.start, cols.stop - cols.start)
    image = np.zeros(size + picture.shape[2:], np.uint8)
    seen = np.zeros(size, np.uint8)
    for start in range(0, size[0], _STRIP):
        stop = min(start + _STRIP, size[0])
        u, v, fine = _pixels(photo, ground, slice(rows.start + start, rows.start + stop), cols)
        image[start:stop] = cv2.remap(picture, u, v, cv2.INTER_CUBIC)
        inside = (u > _RIM) & (u < picture.shape[1] - 1 - _RIM) & (v > _RIM) & (v < picture.shape[0] - 1 - _RIM)
        seen[start:stop] = inside & fine
    return image, seen


def _pixels(photo: Placed, ground: Ground, rows: slice, cols: slice) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Pixels of a photo that see some of the ground, and whether they see it steeply enough."""
    import cv2

    # nodes in the middles of blocks of pixels, one ring further out than the part, so that none is extrapolated
    size = (rows.stop - rows.start, cols.stop - cols.start)
    many = [math.ceil(one / _NODE) + 2 for one in size]
    x = ground.left + (cols.start + (np.arange(many[1]) - 0.5) * _NODE) * ground.step
    y = ground.bottom + (rows.start + (np.arange(many[0]) - 0.5) * _NODE) * ground.step
    across, upward = np.meshgrid(x, y)
    places = np.column_stack([across.ravel(), upward.ravel(), np.zeros(across.size)])
    away = places - photo.centre
    steep = abs(photo.centre[2]) / np.linalg.norm(away, axis=1) > _FLATTEST
    before = away @ photo.rotation[2] > 0.3 * np.linalg.norm(away, axis=1)
    seen = np.where((steep & before)[:, None], photo.seen(places), -1e4).reshape(*many, 2)
    whole = (many[1] * _NODE, many[0] * _NODE)

    def between(nodes: Array) -> Floats:
        """Values at nodes (rows, cols) at every pixel of the part."""
        fine = cv2.resize(np.asarray(nodes, np.float32), whole, interpolation=cv2.INTER_LINEAR)
        return np.asarray(fine[_NODE : _NODE + size[0], _NODE : _NODE + size[1]], np.float32)

    fine = between((steep & before).reshape(many))
    return between(seen[..., 0]), between(seen[..., 1]), np.asarray(fine > 0.999)


def part_seen(photo: Placed, ground: Ground) -> tuple[slice, slice] | None:
    """Rows and columns of the ground that a photo may see, at whole coarse pixels."""
    coarse = 64
    at = [np.arange(0, many + coarse, coarse) for many in (ground.rows, ground.cols)]
    across, upward = np.meshgrid(ground.left + at[1] * ground.step, ground.bottom + at[0] * ground.step)
    places = np.column_stack([across.ravel(), upward.ravel(), np.zeros(across.size)])
    away = places - photo.centre
    far = np.linalg.norm(away, axis=1)
    ok = (abs(photo.centre[2]) > _FLATTEST * far) & (away @ photo.rotation[2] > 0.3 * far)
    pixels = photo.seen(places)
    camera = photo.camera
    with np.errstate(invalid="ignore"):
        ok &= (pixels >= 0).all(axis=1) & (pixels[:, 0] < camera.width) & (pixels[:, 1] < camera.height)
    row, col = np.nonzero(ok.reshape(across.shape))
    if not len(row):
        return None
    parts = []
    for found, places_at, most in ((row, at[0], ground.rows), (col, at[1], ground.cols)):
        low = max(0, int(places_at[found.min()]) - coarse)
        high = min(most, int(places_at[found.max()]) + coarse)
        parts.append(slice(low // _WHOLE * _WHOLE, math.ceil(high / _WHOLE) * _WHOLE))
    return parts[0], parts[1]


def _levels(image: Grey, seen: Grey) -> tuple[tuple[Grey, ...], tuple[Grey, ...]]:
    import cv2

    images, masks = [image], [seen]
    for _ in range(1, LEVELS):
        rows, cols = (size // 2 for size in images[-1].shape)
        images.append(np.asarray(cv2.resize(images[-1], (cols, rows), interpolation=cv2.INTER_AREA), np.uint8))
        # whole where all four are
        masks.append(masks[-1].reshape(rows, 2, cols, 2).min(axis=(1, 3)))
    return tuple(images), tuple(masks)


def _rim_weight(seen: Grey) -> Floats:
    import cv2

    small = cv2.resize(seen, (max(1, seen.shape[1] // 16), max(1, seen.shape[0] // 16)), interpolation=cv2.INTER_AREA)
    away = cv2.distanceTransform(cv2.copyMakeBorder(small, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0), cv2.DIST_L2, 3)
    return np.asarray(np.minimum(away[1:-1, 1:-1] * 16 / 400, 1.0), np.float32)


Reads = Callable[[Placed], Grey]
