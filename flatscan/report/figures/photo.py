"""A photo of the wall straightened to its elevation, and the contour and the numbered spots laid over it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.calibration.printed_marks import corners_on_wall, find_targets
from flatscan.capture.pictures import read_picture
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.report.drawings import BandedDrawing
from flatscan.report.say import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from flatscan.report.parts import Report

Pair = tuple[float, float]
# a photo whose points disagree by more than this would put spots in the wrong place
MOST_ERROR = 0.010
_STEP, _MOST_PIXELS = 0.002, 2400
# the photo is paled so that hatch, lines and marks stand out in a black-and-white print
_PALE = 0.55
# sides of a black square that can be printed and seen [m]
_TARGETS = (0.01, 1.0)
_ORDER = "lower left, lower right, upper right, upper left"


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo and what is known in it, pixels counted from its upper left.

    Either ``corners``, the wall's four corners in the order lower left, lower right, upper right, upper left; or
    ``targets``, the middle [m] of each printed target by its number, whose black squares have the side
    ``target_size`` [m]; or ``points``, any four or more (pixel, wall) pairs.
    """

    path: Path
    corners: tuple[Pair, ...] = ()
    targets: Mapping[int, Pair] = field(default_factory=dict)
    target_size: float | None = None
    points: tuple[tuple[Pair, Pair], ...] = ()


@dataclass(frozen=True, eq=False)
class Straightened:
    """The photo in the wall's elevation, ``image`` (rows, cols, 3) with row 0 at the top, covering the whole wall.

    ``error`` [m] is the root mean square by which its points disagree on the wall, ``how`` says how it was found.
    """

    image: NDArray[np.uint8]
    error: float
    how: Note


def on_photo(
    report: Report, drawing: BandedDrawing, photo: Photo, units: str = "mm", size: tuple[float, float] | None = None
) -> Figure:
    """Bands without their neutral one, lines and spots over the photo; raises what `straighten` does."""
    from flatscan.report.figures import elevation, titleblock

    on = drawing.on
    straight = straighten(photo, on.wall)
    bands, title = drawing.bands(units), note("drawing.on-photo", title=drawing.title)
    figure, axes, box = titleblock.drawing(report, on.wall, title, units, titleblock.A4 if size is None else size)
    grey = straight.image.astype(float) @ np.array([0.2126, 0.7152, 0.0722]) / 255
    extent = (0, on.wall.width, 0, on.wall.height)
    axes.imshow(1 - _PALE * (1 - grey), cmap="gray", vmin=0, vmax=1, extent=extent, zorder=0, aspect="equal")
    if on.on_cells:
        elevation.tint_cells(axes, drawing, units)
    else:
        elevation.number_stations(axes, drawing, units)
    elevation.draw_wall(axes, on, units, see_through=True)
    elevation.mark_spots(axes, drawing.spots, beside=not on.relief.known_between)
    titleblock.scale_bar(axes, units)
    titleblock.key_and_spots(figure, box, bands, drawing.spots, units, on)
    how = note("drawing.straightened", how=straight.how, error=metres(straight.error))
    titleblock.foot(figure, report, units, say(how, units))
    return figure


def straighten(photo: Photo, wall: Wall) -> Straightened:
    """Straighten a photo by a homography (direct linear transform, least squares over all its points).

    More than four points tell the error by themselves; four corners tell it by whether one camera could have taken
    them (square pixels, principal point in the middle). An unreadable photo raises `ReadError`; points that are too
    few, crossed, mirrored, outside the photo, or that disagree by more than 10 mm raise `BadValue`.
    """
    image = read_picture(photo.path).colours
    pixels, places, how = _pairs(photo, wall, image)
    _check(photo.path, pixels, places, image)
    matrix = homography(pixels, places)
    error = _disagreement(matrix, pixels, places) if len(pixels) > 4 else _camera_error(pixels, places, image)
    if not error <= MOST_ERROR:
        raise BadValue(
            photo.path,
            "its points disagree by {error:length} on the wall",
            needed="at most {most:length}",
            remedy=f"Pick the corners again ({_ORDER}), on a photo that was not cropped, and check the wall's size",
            error=metres(error),
            most=metres(MOST_ERROR),
        )
    return Straightened(_warp(image, matrix, wall), error, how)


def _pairs(photo: Photo, wall: Wall, image: NDArray[np.uint8]) -> tuple[Array, Array, Note]:
    given = [name for name in ("corners", "targets", "points") if getattr(photo, name)]
    if len(given) != 1:
        raise BadValue(
            photo.path,
            f"given {' and '.join(given) or 'neither corners nor targets'}",
            needed="the wall's four corners, or printed targets, or points",
            remedy="Give one of them",
        )
    if given == ["corners"]:
        if len(photo.corners) != 4:
            raise BadValue(photo.path, f"{len(photo.corners)} corners", needed="4", remedy=f"Give them as {_ORDER}")
        return np.array(photo.corners, float), _outer(wall), note("drawing.by-corners")
    if given == ["points"]:
        pixels, places = (np.array([pair[k] for pair in photo.points], float) for k in (0, 1))
        return pixels, places, note("drawing.by-points", count=len(pixels))
    return _found_targets(photo, image)


def _outer(wall: Wall) -> Array:
    """Corners of the rectangle around the outline, from the lower left round by the lower right."""
    return np.array([[0, 0], [wall.width, 0], [wall.width, wall.height], [0, wall.height]], float)


def _found_targets(photo: Photo, image: NDArray[np.uint8]) -> tuple[Array, Array, Note]:
    size = photo.target_size
    if size is None or not _TARGETS[0] <= size <= _TARGETS[1]:
        raise BadValue(
            photo.path,
            "targets without the size of their black square" if size is None else "targets of {size:span}",
            needed="the side measured on the paper, {least:length} to {most:length}",
            remedy="Measure the black square and give its side",
            least=metres(_TARGETS[0]),
            most=metres(_TARGETS[1]),
            **({} if size is None else {"size": metres(size)}),
        )
    seen = find_targets(image)
    found = sorted(set(seen) & set(photo.targets))
    if len(found) < 2:
        raise BadValue(
            photo.path,
            f"targets {sorted(seen) or 'none'} in it",
            needed=f"at least two of {sorted(photo.targets)}",
            remedy="Take it again, sharper and nearer, with the targets whole and upright in it",
        )
    pixels = np.concatenate([seen[number] for number in found])
    centres = [np.array(photo.targets[number], dtype=np.float64) for number in found]
    places = np.concatenate([corners_on_wall(centre, size) for centre in centres])
    return pixels, places, note("drawing.by-targets", numbers=tuple(found))


def _check(path: Path, pixels: Array, places: Array, image: NDArray[np.uint8]) -> None:
    high, wide = image.shape[:2]
    if len(pixels) < 4:
        raise BadValue(path, f"{len(pixels)} points", needed="four or more", remedy="Pick more points")
    inside = (pixels >= -0.5) & (pixels <= [wide - 0.5, high - 0.5])
    if not inside.all():
        raise BadValue(
            path,
            f"point {pixels[~inside.all(axis=1)][0].tolist()} outside its {wide} x {high} pixels",
            needed="points inside the photo",
            remedy="Count pixels from the upper left corner",
        )
    for name, points in (("pixels", pixels), ("places on the wall", places)):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if spread[1] < 0.02 * spread[0]:
            raise BadValue(path, f"{name} on one line", needed="points in two directions", remedy="Pick other points")
    if len(pixels) == 4 and not _turns_alike(pixels, places):
        raise BadValue(
            path, "corners that cross or run the wrong way round", needed=_ORDER, remedy="Pick them in that order"
        )


def _turns_alike(pixels: Array, places: Array) -> bool:
    """Whether both quadrilaterals are convex and run the same way seen from the room (pixel rows count down)."""
    both = []
    for points, sign in ((pixels, -1.0), (places, 1.0)):
        edge = np.roll(points, -1, axis=0) - points
        following = np.roll(edge, -1, axis=0)
        both.append(sign * (edge[:, 0] * following[:, 1] - edge[:, 1] * following[:, 0]))
    ways = np.sign(np.array(both))
    return bool((ways == ways[0, 0]).all() and ways[0, 0] != 0)


def homography(source: Array, target: Array) -> Array:
    """The (3, 3) matrix that takes ``source`` (n, 2) to ``target`` (n, 2): normalised direct linear transform.

    Hartley and Zisserman, Multiple View Geometry, algorithm 4.2 (from memory).
    """
    moves = []
    for points in (source, target):
        centre = points.mean(axis=0)
        size = np.sqrt(2) / np.mean(np.linalg.norm(points - centre, axis=1))
        moves.append(np.array([[size, 0, -size * centre[0]], [0, size, -size * centre[1]], [0, 0, 1.0]]))
    (x, y), (u, v) = apply(moves[0], source).T, apply(moves[1], target).T
    zero, one = np.zeros_like(x), np.ones_like(x)
    rows = np.concatenate(
        [
            np.stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u], axis=1),
            np.stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v], axis=1),
        ]
    )
    matrix = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    found = np.linalg.inv(moves[1]) @ matrix @ moves[0]
    return np.asarray(found / found[2, 2])


def apply(matrix: Array, points: Array) -> Array:
    """Points (n, 2) through a homography (3, 3)."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def _disagreement(matrix: Array, pixels: Array, places: Array) -> float:
    """Root mean square distance on the wall, with the two by four numbers a homography takes up counted off."""
    off = np.linalg.norm(apply(matrix, pixels) - places, axis=1)
    return float(np.sqrt(np.sum(off**2) / max(2 * len(pixels) - 8, 1)))


def _camera_error(pixels: Array, places: Array, image: NDArray[np.uint8]) -> float:
    """How far four corners are from what any camera with its axis in the photo's middle could have seen [m].

    The focal length is searched; the pose comes from SQPNP refined by iteration (methods/laser-line 3: never IPPE).
    """
    from scipy.optimize import minimize_scalar

    high, wide = image.shape[:2]
    matrix = homography(pixels, places)

    def error(log_focal: float) -> float:
        seen = _projected(pixels, places, float(np.exp(log_focal)), (wide, high))
        return np.inf if seen is None else float(np.sqrt(np.mean(np.sum((apply(matrix, seen) - places) ** 2, axis=1))))

    grid = np.log(max(wide, high)) + np.linspace(np.log(0.4), np.log(6.0), 24)
    best = min(grid, key=error)
    step = float(grid[1] - grid[0])
    found = minimize_scalar(error, bounds=(best - step, best + step), method="bounded")
    return float(min(found.fun, error(best)))


def _projected(pixels: Array, places: Array, focal: float, size: tuple[int, int]) -> Array | None:
    import cv2

    camera = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1.0]])
    # the wall's y runs up and the photo's down: turned about x, so that the wall faces the camera
    solid = np.column_stack([places[:, 0], -places[:, 1], np.zeros(len(places))])
    solid -= solid.mean(axis=0)
    done, turn, move = cv2.solvePnP(solid, pixels, camera, None, flags=cv2.SOLVEPNP_SQPNP)
    if not done:
        return None
    turn, move = cv2.solvePnPRefineLM(solid, pixels, camera, None, turn, move)
    return np.asarray(cv2.projectPoints(solid, turn, move, camera, None)[0], dtype=np.float64).reshape(-1, 2)


def _warp(image: NDArray[np.uint8], matrix: Array, wall: Wall) -> NDArray[np.uint8]:
    import cv2

    step = max(_STEP, max(wall.width, wall.height) / _MOST_PIXELS)
    cols, rows = (max(1, round(extent / step)) for extent in (wall.width, wall.height))
    # pixel centres lie half a step in; row 0 is the wall's top
    to_pixel = np.array([[1 / step, 0, -0.5], [0, -1 / step, wall.height / step - 0.5], [0, 0, 1.0]])
    straight = cv2.warpPerspective(
        image, to_pixel @ matrix, (cols, rows), flags=cv2.INTER_AREA, borderValue=(255, 255, 255)
    )
    return np.asarray(straight, dtype=np.uint8)
