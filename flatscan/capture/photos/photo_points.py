"""Photos placed in space as a capture of points: the wall's relief, what all of it is off by, and its picture."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.depth_photo import OneBlock
from flatscan.capture.photos.bundle import Bundle, Placed
from flatscan.capture.photos.dense_heights import DenseHeights, Told, dense_heights
from flatscan.capture.photos.first_heights import REACH
from flatscan.capture.photos.flattened import Flattened, Ground, flattened, ground_of
from flatscan.capture.photos.height_modes import height_modes
from flatscan.capture.photos.pairs_seen import base
from flatscan.capture.photos.photo_format import PHOTO_READER
from flatscan.capture.photos.straight_picture import FlatColours, flat_colours, picture_ground, straight_picture
from flatscan.capture.photos.target_papers import AROUND, off_papers
from flatscan.capture.pictures import read_picture
from flatscan.capture.source import PointSource
from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note
from flatscan.core.photographed import Photographed
from flatscan.core.quantity import metres

KIND = "photogrammetry"
Colours = NDArray[np.uint8]
# luminance of red, green and blue (ITU-R BT.601, 2.5.1)
_LUMINANCE = np.array([0.299, 0.587, 0.114], np.float32)
# what the sparse points show of the wall goes on by so much [m]; single points far off are none of it
_BEYOND, _STRAY = 0.15, 0.002
# matching is off by so much of a pixel in whole cells: where rays are interpolated, and by what lenses blur
_PIXEL = 0.05
# points to a side of the smallest cell
_SIDE = 3
_LANES = 2
# share of the way that laying the photos flat takes
_FLAT = 0.25
_FEWEST = 100
# a wall whose upright nobody knows: people hold and hang things so far off plumb [rad] (from memory)
_UP_UNKNOWN = 0.02


@dataclass(frozen=True, eq=False)
class Relieved:
    """A bundle's photos laid flat, those of them that see the wall by their ``numbers``, and what was measured."""

    ground: Ground
    numbers: tuple[int, ...]
    flat: tuple[Flattened, ...]
    dense: DenseHeights
    colours: tuple[FlatColours, ...]


def photo_points(
    bundle: Bundle, told: Told = lambda _: None, read: Callable[[Placed], Colours] | None = None
) -> PointSource:
    """All points of the wall a bundle's photos show, in the bundle's own axes [m].

    ``read`` gives a photo's pixels (rows, cols, 3), by default those of its file. Raises `TooFewPoints` where texture
    or overlap tell next to nothing.
    """
    found = relieved(bundle, told, read)
    dense, photos = _off_papers(found.dense, bundle), [bundle.photos[number] for number in found.numbers]
    if len(dense.points) < _FEWEST:
        raise TooFewPoints(
            photos[0].path.parent if photos else PHOTO_READER,
            "{points} places at which photos show the same texture",
            needed="at least {least}",
            remedy="Chalk marks on the wall, or measure a smooth coat by a laser line or readings",
            points=len(dense.points),
            least=_FEWEST,
        )
    rest = _rest(found)
    modes = height_modes(bundle, found.numbers, dense, rest)
    seen = Photographed(
        x=modes.x,
        y=modes.y,
        modes=modes.fields,
        rest=rest,
        scatter=float(np.hypot(np.median(dense.u), _SIDE * rest)),
        scale=bundle.scale_u,
        source=note("dense.cameras", photos=len(photos), pairs=len(dense.pairs)),
        picture=straight_picture(found.colours, picture_ground(found.ground), dense),
    )
    return PointSource(
        PHOTO_READER,
        len(dense.points),
        OneBlock(dense.points),
        unit="m",
        unit_from=bundle.scale_from,
        up=np.array([0.0, 1.0, 0.0]),
        up_from=bundle.axes_from,
        stands=np.array([photo.centre for photo in photos]),
        u_up=float(np.hypot(_UP_UNKNOWN if bundle.u_up is None else bundle.u_up, _u_slope(modes.fields, modes.y))),
        warnings=(*bundle.notes, *_papers_told(bundle)),
        kind=KIND,
        photographed=seen,
    )


def relieved(bundle: Bundle, told: Told = lambda _: None, read: Callable[[Placed], Colours] | None = None) -> Relieved:
    """The relief that a bundle's photos show, and the photos laid flat it was measured in."""
    read = (lambda photo: read_picture(photo.path).colours) if read is None else read
    ground = ground_of(bundle.photos, _box(bundle.points))
    flat, coloured, straight = dict[int, Flattened](), list[FlatColours](), picture_ground(ground)

    def lay(number: int) -> tuple[Flattened | None, FlatColours | None]:
        photo = bundle.photos[number]
        picture = read(photo)
        return flattened(photo, ground, _grey(picture)), flat_colours(photo, straight, picture)

    with ThreadPoolExecutor(_LANES) as pool:
        for number, (one, colours) in enumerate(pool.map(lay, range(len(bundle.photos)))):
            told(_FLAT * (number + 1) / len(bundle.photos))
            if one is not None:
                flat[number] = one
            if colours is not None:
                coloured.append(colours)
    numbers, shown = tuple(flat), tuple(flat.values())
    dense = dense_heights(shown, ground, lambda part: told(_FLAT + (1 - _FLAT) * part))
    return Relieved(ground, numbers, shown, dense, tuple(coloured))


def _off_papers(dense: DenseHeights, bundle: Bundle) -> DenseHeights:
    """What was measured of the wall alone, without the targets stuck on it."""
    kept = off_papers(dense.points, bundle.targets)
    return replace(dense, points=dense.points[kept], u=dense.u[kept], independent=dense.independent[kept])


def _papers_told(bundle: Bundle) -> tuple[Note, ...]:
    many = len(bundle.targets)
    return (note("placed.papers", count=many, around=metres(AROUND)),) if many else ()


def _grey(colours: Colours) -> NDArray[np.uint8]:
    import cv2

    return np.asarray(cv2.transform(colours, _LUMINANCE[None]), np.uint8)


def _box(points: Array) -> tuple[float, float, float, float]:
    """Left, bottom, right and top [m] of what sparse points near the plane show of the wall, and a little around."""
    near = points[np.abs(points[:, 2]) < REACH][:, :2]
    near = near if len(near) >= 4 else points[:, :2]
    low, high = np.quantile(near, [_STRAY, 1 - _STRAY], axis=0)
    return (*(float(one) - _BEYOND for one in low), *(float(one) + _BEYOND for one in high))  # type: ignore[return-value]


def _rest(found: Relieved) -> float:
    """What matching is off by in whole cells [m]: a part of a pixel over how far apart photos stand to their height."""
    x, y = (np.array(float(np.median(found.dense.points[:, k]))) for k in (0, 1))
    levers = [float(base(found.flat[pair.one], found.flat[pair.two], x, y)) for pair in found.dense.pairs]
    return _PIXEL * found.ground.step / max(float(np.median(levers)), 0.1)


def _u_slope(fields: Array, y: Array) -> float:
    """What the modes do to the slope up of the whole wall [m per m]."""
    if len(y) < 2 or not len(fields):
        return 0.0
    arm = (y - y.mean()) / ((y - y.mean()) ** 2).sum()
    return float(np.sqrt(((fields.mean(axis=2) @ arm) ** 2).sum()))
