"""Photos of a board held in the light of a laser: the board, and the line on it, with what was left out and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan.capture.calibration.board_photos import Sighting, Sightings, sightings
from flatscan.capture.calibration.boards import Board
from flatscan.capture.calibration.camera_file import fit_size, read_camera
from flatscan.capture.calibration.lens import LEAST, lens_of
from flatscan.capture.camera import Camera
from flatscan.capture.lines.laser_plane import CalibratedPlane
from flatscan.capture.lines.line_stripe import find_stripe
from flatscan.capture.lines.plane_fit import LEAST_POSES, LitBoard, plane_of
from flatscan.capture.pictures import Picture
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, metres
from flatscan.core.quantity import pixels as pixels_of

# a line shorter than this share of the board's is a reflection or a glimpse
_SHORTEST = 0.25
# a pose whose light lies off the plane by so many times what is usual, and so many pixels, is left out
_ODD_TIMES, _ODD_PIXELS = 4.0, 1.0


@dataclass(frozen=True, eq=False)
class LaserCalibration:
    """The plane found, the photos used, why others were not, and remarks."""

    plane: CalibratedPlane
    used: tuple[str, ...]
    notes: tuple[Note, ...]

    @property
    def summary(self) -> Note:
        """How far the light passes from the camera, with its uncertainty, and how well the poses agree."""
        return note(
            "picture.laser-calibrated",
            off=metres(abs(self.plane.distance), self.plane.u_distance),
            turn=degrees(float(np.degrees(self.plane.u_turn))),
            photos=len(self.used),
            rms=metres(self.plane.rms),
            near=metres(round(self.plane.near, 2)),
            far=metres(round(self.plane.far, 2)),
        )


def calibrate_laser(
    photos: Sequence[Path], board: Board, camera_file: Path | None = None, channel: str | None = None
) -> LaserCalibration:
    """The plane of a laser's light from photos of ``board`` held in it in several poses, camera and laser fixed.

    The lens is that of ``camera_file``, or found from the same photos. Photos without board or line, or whose light
    lies off the others' plane, are left out and named. Raises `ReadError` where what is left fixes no plane.
    """
    found = sightings(photos, board, LEAST_POSES if camera_file is not None else LEAST)
    camera, notes = _lens(found, camera_file)
    boards, without = [], []
    for one in found.seen:
        line = line_on(one, channel)
        if line is None:
            without.append(note("picture.no-line-on-board", photo=one.photo.name))
        else:
            boards.append(LitBoard(one.photo.name, one.places, one.pixels, line))
    plane = plane_of(camera, boards, photos[0])
    usual = float(np.median(plane.spread))
    odd = plane.spread > max(_ODD_TIMES * usual, _ODD_PIXELS)
    if odd.any() and len(boards) - odd.sum() >= LEAST_POSES:
        off = zip(boards, plane.spread, odd, strict=True)
        without += [note("picture.light-off-plane", photo=b.name, off=pixels_of(float(s))) for b, s, o in off if o]
        boards = [one for one, out in zip(boards, odd, strict=True) if not out]
        plane = plane_of(camera, boards, photos[0])
    return LaserCalibration(plane, tuple(one.name for one in boards), (*found.without, *without, *notes))


def _lens(found: Sightings, camera_file: Path | None) -> tuple[Camera, tuple[Note, ...]]:
    """The lens of a file, or what the same photos show."""
    if camera_file is not None:
        first = found.seen[0].photo
        return fit_size(read_camera(camera_file), camera_file, *found.size, first), ()
    try:
        lens = lens_of(replace(found, without=()))
    except ReadError as reason:
        raise ReadError(
            reason.where,
            "the lens does not follow from these photos: {reason}",
            needed="the lens's own calibration, or more photos",
            remedy="Calibrate the lens first and give it as {set:camera}",
            reason=reason.found,
        ) from None
    return lens.camera, lens.notes


def line_on(one: Sighting, channel: str | None = None) -> Array | None:
    """Pixels (k, 2) of the light on a board; None where no line can be followed there."""
    corner, inside = _cut_out(one)
    colours = one.picture.colours[corner[1] : corner[1] + inside.shape[0], corner[0] : corner[0] + inside.shape[1]]
    # what is not board is given the board's own tone: another line or a bright lamp there must not be followed
    plain = np.where(inside[..., None], colours, np.median(colours[inside], axis=0).astype(np.uint8))
    level = _runs_across(plain, inside)
    try:
        stripe = find_stripe(Picture(plain, False, None), None, channel, one.photo, level=level)
    except ReadError:
        return None
    col, row = np.rint(stripe.places).astype(np.int64).T
    within = inside[row.clip(0, inside.shape[0] - 1), col.clip(0, inside.shape[1] - 1)]
    places = stripe.places[within]
    size = float(np.hypot(*np.ptp(one.pixels, axis=0)))
    if len(places) < 20 or np.hypot(*np.ptp(places, axis=0)) < _SHORTEST * size:
        return None
    return np.asarray(places + corner, np.float64)


def _cut_out(one: Sighting) -> tuple[Array, Mask]:
    """Upper left corner (2,) of the part of a picture with the board, and which of its pixels lie on the board."""
    import cv2

    high, wide = one.picture.colours.shape[:2]
    hull = cv2.convexHull(one.pixels.astype(np.float32)).reshape(-1, 2)
    low = np.maximum(np.floor(hull.min(axis=0)).astype(np.int64) - 2, 0)
    top = np.minimum(np.ceil(hull.max(axis=0)).astype(np.int64) + 3, [wide, high])
    mask = np.zeros((int(top[1] - low[1]), int(top[0] - low[0])), np.uint8)
    cv2.fillConvexPoly(mask, np.rint(hull - low).astype(np.int32), 1)
    return low, mask.astype(bool)


def _runs_across(colours: Array, inside: Mask) -> bool:
    """Whether the coloured light on a board runs more along the rows than across them."""
    light = colours.astype(np.float32)
    strong = light.max(axis=2) - np.median(light, axis=2)
    strong = np.where(inside, strong - np.median(strong[inside]), 0.0)
    bright = strong > 0.5 * np.percentile(strong[inside], 99.5)
    row, col = np.nonzero(bright)
    return bool(len(row) > 2 and np.std(col) > np.std(row))
