"""Pictures that show which wall is which: all of them from above, and each as it is seen from the room."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from scipy.ndimage import convolve

from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.jobs.listing import Listed, Seeing
from flatscan.report.job_folder import Subject, put_sheets
from flatscan.report.placing import Make

# what a list writes stands in the folder of a job under this name beside the commands
LIST = "list"
FROM_ABOVE = "walls-from-above.png"
# what stands before a wall belongs into its picture, what lies far behind or before it does not [m]
_BEHIND, _BEFORE = 0.10, 0.40
# a pixel holds about this many points of the sample, and is this wide [m]
_POINTS, _FINEST, _COARSEST = 3.0, 0.01, 0.10
_MOST_PIXELS = 1500
# of the pixels around one, this share has points where it is no hole of the wall
_MOST_AROUND = 0.6
_WHITEST = 0.9
# relief is shaded over this range about the wall, or three times its usual one [m]
_LEAST_SHADE = 0.005


@dataclass(frozen=True, eq=False)
class AsSeen:
    """A wall as it is seen from the room: ``image`` (rows, cols, 3) from 0 to 1, row 0 at the bottom, NaN for nothing.

    ``step`` [m] is a pixel, ``coloured`` whether the colours are the file's own or a shading by relief.
    """

    wall: Wall
    image: Array
    step: float
    coloured: bool


def as_seen(wall: Wall, seeing: Seeing) -> AsSeen:
    """The sample's points about a wall, in the file's colours, or by how proud they are where it has none."""
    points = wall.frame.to_wall(seeing.sample)
    here = (points[:, 2] > -_BEHIND) & (points[:, 2] < _BEFORE)
    here &= (points[:, 0] >= 0) & (points[:, 0] < wall.width) & (points[:, 1] >= 0) & (points[:, 1] < wall.height)
    points = points[here]
    step = float(np.sqrt(_POINTS * wall.width * wall.height / max(len(points), 1)))
    step = max(float(np.clip(step, _FINEST, _COARSEST)), max(wall.width, wall.height) / _MOST_PIXELS)
    shape = int(np.ceil(wall.height / step)), int(np.ceil(wall.width / step))
    at = np.minimum((points[:, 1] / step).astype(int), shape[0] - 1) * shape[1]
    at += np.minimum((points[:, 0] / step).astype(int), shape[1] - 1)
    if seeing.colours is None:
        shade = _mean(_shades(points[:, 2]), at, shape)
        return AsSeen(wall, np.repeat(shade[:, :, None], 3, axis=2), step, coloured=False)
    colours = seeing.colours[here] / 255.0
    layers = [_mean(colours[:, channel], at, shape) for channel in range(3)]
    return AsSeen(wall, np.stack(layers, axis=2), step, coloured=True)


def as_png(shown: AsSeen) -> bytes:
    """The picture alone as a PNG, what nothing was captured of white."""
    from matplotlib.image import imsave

    file = io.BytesIO()
    # a hump is not as white as a hole
    image = _closed(shown.image) * (1.0 if shown.coloured else _WHITEST)
    image = np.clip(np.where(np.isfinite(image), image, 1.0), 0.0, 1.0)
    imsave(file, image[::-1], format="png", metadata={"Software": None})  # type: ignore[dict-item]
    return file.getvalue()


def _closed(image: Array) -> Array:
    """The image (rows, cols, 3) with single pixels that no point fell into taken from most of those around them."""
    known = np.isfinite(image[:, :, :1]).astype(float)
    around = np.ones((3, 3, 1))
    count = convolve(known, around, mode="constant")
    mean = convolve(np.where(known > 0, image, 0.0), around, mode="constant") / np.maximum(count, 1)
    there = convolve(np.ones_like(known), around, mode="constant") - 1
    return np.where((known == 0) & (count >= _MOST_AROUND * there), mean, image)


def _shades(proud: Array) -> Array:
    """Greys from 0 to 1, proud light and hollow dark, about the middle of the wall."""
    if not len(proud):
        return proud
    middle = float(np.median(proud))
    near = proud[np.abs(proud - middle) < _BEHIND / 2]
    usual = 3 * float(np.median(np.abs(near - middle))) if len(near) else 0.0
    return np.clip(0.5 + 0.45 * (proud - middle) / max(usual, _LEAST_SHADE), 0.0, 1.0)


def _mean(values: Array, at: Array, shape: tuple[int, int]) -> Array:
    """Mean of the values that fall into each pixel, NaN where none does."""
    size = shape[0] * shape[1]
    count = np.bincount(at, minlength=size)
    total = np.bincount(at, weights=values, minlength=size)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(shape)


def write_pictures(
    listed: Listed, folder: str | Path, units: str = "mm", *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write the walls from above and each wall as it is seen into a folder, in the place of those of an earlier list.

    Raises what `job_folder.put_sheets` does.
    """
    subject = Subject(listed.file, listed.sha256)
    return put_sheets(folder, LIST, list(_pictures(listed, units)), subject, overwrite=overwrite)


def small_picture(listed: Listed, folder: Path, units: str = "mm") -> Path:
    """Wall 1 as it is seen, written into a folder; the list must hold what pictures are drawn from."""
    if listed.seeing is None:
        raise ValueError("a table of readings has no picture")
    path = folder / "wall.png"
    _wall(listed, listed.seeing, listed.room.walls[0], units, path)
    return path


def _pictures(listed: Listed, units: str) -> Iterator[tuple[str, Make]]:
    if listed.seeing is None:
        return
    yield FROM_ABOVE, partial(_from_above, listed, listed.seeing, units)
    for wall in listed.room.walls:
        yield f"wall-{wall.name}-as-seen.png", partial(_wall, listed, listed.seeing, wall, units)


def _from_above(listed: Listed, seeing: Seeing, units: str, path: Path) -> None:
    from flatscan.report.figures import rooms

    rooms.save(lambda: rooms.from_above(listed.file, listed.room, seeing, units), path)


def _wall(listed: Listed, seeing: Seeing, wall: Wall, units: str, path: Path) -> None:
    from flatscan.report.figures import rooms

    shown, side = as_seen(wall, seeing), listed.room.side_of(wall)
    rooms.save(lambda: rooms.elevation(listed.file, shown, side, units), path)
