"""The lens that photos of a printed board show: focal lengths, centre, distortion, and how sure they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.calibration.board_photos import Sighting, Sightings, sightings
from flatscan.capture.calibration.boards import Board
from flatscan.capture.calibration.camera_file import folds_at, refuse_folded
from flatscan.capture.camera import Camera
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, robust_scale, widest_angle
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, share
from flatscan.core.quantity import pixels as pixels_of

# fewer views, or views all alike, fix no lens (Zhang, IEEE PAMI 22, 2000: at least three; common practice: ten or more)
LEAST, GOOD = 5, 10
_POOR_RMS = 1.0
_LEAST_SPREAD, _LEAST_TILT = 0.5, np.radians(15.0)
# a photo whose corners miss by so many times what is usual, and by so much more [pixels], is left out; so many may be
_MOST_TIMES, _MOST_MORE, _MOST_LEFT_OUT = 3.0, 0.3, 1 / 3
# what a lens's file leaves is looked for in so many parts of the picture across, each with so many corners; poses take
# some of it up, and this much is always left [pixels]
_PARTS, _RINGS, _IN_PART, _TAKEN_UP, _LEFT_LEAST = 8, 16, 6, 2.0, 0.02
# photos and shared points from which the board's own shape is found, and what its bow may do to the focal length where
# it is not looked for; OpenCV's count and accuracy
_LOOKED_AT = 100
_SHAPED, _SHARED, _MOST_SHARED, _NOT_LOOKED_FOR = 7, 16, 160, 0.003
_ENDED = 3
U_FOCAL, U_PIXELS = "u_focal_share", "u_pixels"


@dataclass(frozen=True, eq=False)
class Calibration:
    """The camera found, ``u_focal`` [relative, k = 1], photos used, why others were not, and remarks."""

    camera: Camera
    u_focal: float
    used: tuple[str, ...]
    without: tuple[Note, ...]
    notes: tuple[Note, ...]

    @property
    def summary(self) -> Note:
        """The focal length with its uncertainty, and how well the photos agree."""
        return note(
            "picture.calibrated",
            focal=pixels_of(self.camera.fx),
            u=share(self.u_focal),
            photos=len(self.used),
            rms=pixels_of(self.camera.rms or 0.0),
        )


@dataclass(frozen=True, eq=False)
class _Solved:
    """A lens, what it leaves [pixels], the turns of the boards and the rms [pixels] of each photo."""

    camera: Camera
    u_focal: float
    left: float
    turns: tuple[Any, ...]
    rms: Array


def calibrate(photos: Sequence[Path], board: Board) -> Calibration:
    """Focal lengths, principal point and distortion from photos of ``board`` (Zhang 2000, by OpenCV).

    Photos that do not show it, or whose corners miss far more than the others', are left out and named. Raises
    `ReadError` where photos show the board too seldom, all alike, or only part of the picture.
    """
    return lens_of(sightings(photos, board, LEAST))


def lens_of(found: Sightings) -> Calibration:
    """The lens that sightings of a board show; raises as `calibrate` does."""
    seen, without = list(found.seen), list(found.without)
    many, first = len(seen) + len(without), seen[0].photo
    solved = _solve(seen, found.size)
    while (worst := _odd_one(solved.rms)) is not None and len(without) < many * _MOST_LEFT_OUT:
        if len(seen) <= LEAST:
            break
        usual = float(np.median(solved.rms))
        odd = seen.pop(worst)
        without.append(
            note(
                "picture.board-misses",
                photo=odd.photo.name,
                off=pixels_of(float(solved.rms[worst])),
                usual=pixels_of(usual),
            )
        )
        solved = _solve(seen, found.size)
    _refuse_alike(first, solved.turns, np.concatenate([one.pixels for one in seen]), found.size)
    camera = refuse_folded(solved.camera, first)
    camera = replace(camera, extras=((U_FOCAL, solved.u_focal), (U_PIXELS, solved.left)))
    used = tuple(one.photo.name for one in seen)
    return Calibration(camera, solved.u_focal, used, tuple(without), _notes(camera, len(used), tuple(without)))


def _odd_one(rms: Array) -> int | None:
    """The photo that misses far more than the others, or None."""
    usual, worst = float(np.median(rms)), int(rms.argmax())
    return worst if rms[worst] > max(_MOST_TIMES * usual, usual + _MOST_MORE) else None


def _solve(seen: Sequence[Sighting], size: tuple[int, int]) -> _Solved:
    """The lens by as many coefficients as the photos carry: what would fold the picture over is not fitted.

    No print lies quite flat, and a bow of half a millimetre lengthens the focal length by half a per cent: the board's
    shape is found with the lens (Strobl and Hirzinger, ICCV Workshops 2011, by OpenCV).
    """
    import cv2

    flags = [0] if len(seen) >= GOOD else []
    flags += [cv2.CALIB_FIX_K3, cv2.CALIB_FIX_K3 | cv2.CALIB_FIX_K2]
    for several in flags:
        solved = _solved(seen, size, several)
        if folds_at(solved.camera) is None:
            break
    return solved


def _solved(seen: Sequence[Sighting], size: tuple[int, int], flags: int) -> _Solved:
    """The lens, with the board's own shape where enough photos show the same of its points."""
    import cv2

    places, pixels, shared = _shared(seen)
    rms, matrix, distortion, turns, shifts, u_intrinsics, _, each = cv2.calibrateCameraExtended(
        places, pixels, size, np.eye(3), np.zeros(5), flags=flags
    )
    flat = _NOT_LOOKED_FOR
    if shared is not None and len(seen) >= _SHAPED:
        # no first guess: OpenCV 5.0 cannot take one here. The point at a row's end stays with the first and the last
        found = cv2.calibrateCameraROExtended(
            places, pixels, size, shared, np.eye(3), np.zeros(5), flags=flags, criteria=(_ENDED, 20, 1e-8)
        )
        rms, matrix, distortion, turns, shifts, shape, u_intrinsics, *_, each = found
        places, flat = [np.asarray(shape, np.float32).reshape(-1, 3)] * len(seen), 0.0
    (fx, _, cx), (_, fy, cy) = (map(float, row) for row in np.asarray(matrix)[:2])
    lens = tuple(float(value) for value in np.asarray(distortion).ravel()[:5])
    camera = Camera(*size, fx, fy, cx, cy, lens, rms=float(rms))
    shown = [
        cv2.projectPoints(place, turn, shift, matrix, distortion)[0].reshape(-1, 2)
        for place, turn, shift in zip(places, turns, shifts, strict=True)
    ]
    at = np.concatenate(pixels).astype(np.float64)
    left = lens_left(np.concatenate(shown) - at, at, size[0])
    without, chance = _jackknife(places, pixels, camera, flags)
    own = max(float(np.asarray(u_intrinsics, float).ravel()[0] / fx), without)
    left = float(np.hypot(left, chance))
    return _Solved(camera, float(np.hypot(own, flat)), left, tuple(turns), np.asarray(each, float).ravel())


def _shared(seen: Sequence[Sighting]) -> tuple[list[Any], list[Any], int | None]:
    """Places and pixels of each photo; where all show enough of the same points these alone, and one at a row's end."""
    keys = [{tuple(place): i for i, place in enumerate(one.places[:, :2].round(6).tolist())} for one in seen]
    common = sorted(set.intersection(*(set(one) for one in keys)), key=lambda place: (place[1], place[0]))
    row = [place for place in common if place[1] == common[0][1]] if common else []
    if not (_SHARED <= len(common) <= _MOST_SHARED) or len(row) < 3:
        return (
            [one.places.astype(np.float32) for one in seen],
            [one.pixels.astype(np.float32) for one in seen],
            None,
        )
    which = [[key[place] for place in common] for key in keys]
    places = [one.places[rows].astype(np.float32) for one, rows in zip(seen, which, strict=True)]
    return places, [one.pixels[rows].astype(np.float32) for one, rows in zip(seen, which, strict=True)], len(row) - 1


def _jackknife(places: list[Any], pixels: list[Any], camera: Camera, flags: int) -> tuple[float, float]:
    """Relative u of the focal length, and that of rays' places [pixels], by leaving out one photo after the other.

    It holds whatever photos do not share (Efron and Stein, Annals of Statistics 9, 1981, 586). What a turn of the
    camera or another focal length would do to all rays is taken out of the second.
    """
    import cv2

    if len(places) <= LEAST:
        return 0.0, 0.0
    size, focal, rays = (camera.width, camera.height), [], []
    every = np.concatenate(pixels).astype(np.float64)
    at = every[:: max(1, len(every) // _LOOKED_AT)]
    plain = np.column_stack([np.ones(len(at)), camera.straight(at)])
    guess = flags | cv2.CALIB_USE_INTRINSIC_GUESS
    for i in range(len(places)):
        here, seen = (part[:i] + part[i + 1 :] for part in (places, pixels))
        first: Any = camera.matrix, np.array(camera.distortion)
        solved: Any = cv2.calibrateCamera(here, seen, size, *first, flags=guess, criteria=(_ENDED, 10, 1e-7))  # type: ignore[call-overload]
        matrix, lens = np.asarray(solved[1], float), tuple(np.ravel(solved[2]).tolist())
        focal.append(float(matrix[0, 0]) / camera.fx)
        other = replace(camera, fx=matrix[0, 0], fy=matrix[1, 1], cx=matrix[0, 2], cy=matrix[1, 2], distortion=lens)
        turned = other.straight(at)
        rays.append(turned - plain @ np.linalg.lstsq(plain, turned, rcond=None)[0])
    part = (len(focal) - 1) / len(focal)
    moved = np.array(rays) - np.mean(rays, axis=0)
    square = part * (moved**2).sum(axis=0)
    return float(np.sqrt(part * np.sum((np.array(focal) - np.mean(focal)) ** 2))), float(
        np.sqrt(square.mean()) * camera.fx
    )


def lens_left(rest: Array, at: Array, width: float) -> float:
    """What a lens leaves [pixels] where corners at (n, 2) from anywhere miss by ``rest`` (n, 2), of all its photos.

    Where it errs, corners of all photos miss alike in one part of the picture, or along the radius at one distance
    from its middle: the mean square of such means less what chance makes of them. Few corners that miss by far, as
    mistaken ones do, count no more than three times the scatter.
    """
    most = 3 * robust_scale(rest.ravel())
    rest = np.clip(rest, -most, most)
    parts = np.floor(at * (_PARTS / width)).astype(np.int64)
    middle = (at.max(axis=0) + at.min(axis=0)) / 2
    off = at - middle
    far = np.hypot(*off.T)
    rings = np.floor(far * (_RINGS / max(float(far.max()), 1e-9))).astype(np.int64)
    along = (rest * off).sum(axis=1) / np.maximum(far, 1e-9)
    square = max(_alike(rest, parts), _alike(along[:, None], rings[:, None]))
    return max(_TAKEN_UP * float(np.sqrt(square)), _LEFT_LEAST)


def _alike(rest: Array, parts: Any) -> float:
    """Mean square of the means of ``rest`` (n, k) over ``parts`` (n, ...), without what chance makes of them."""
    _, number, many = np.unique(parts, axis=0, return_inverse=True, return_counts=True)
    number = number.ravel()
    means = np.column_stack([np.bincount(number, column) for column in rest.T]) / many[:, None]
    chance = np.bincount(number, ((rest - means[number]) ** 2).mean(axis=1)) / np.maximum(many * (many - 1), 1)
    full = many >= _IN_PART
    if not full.any():
        return 0.0
    return max(float(np.average((means[full] ** 2).mean(axis=1) - chance[full], weights=many[full])), 0.0)


def _refuse_alike(where: Path, turns: Sequence[Any], pixels: Array, size: tuple[int, int]) -> None:
    """Raise `ReadError` where the board never tilts or never comes near the picture's edges."""
    import cv2

    normals = np.array([cv2.Rodrigues(np.asarray(turn))[0][:, 2] for turn in turns])
    tilt = widest_angle(normals)
    if tilt < _LEAST_TILT:
        raise ReadError(
            where,
            "the board is tilted by at most {tilt:angle.0} from photo to photo",
            needed="at least {least:angle.0}: else focal length and distance cannot be told apart",
            remedy="Tilt the board or the camera left, right, up and down, and turn the camera on its side",
            tilt=degrees(np.degrees(tilt)),
            least=degrees(np.degrees(_LEAST_TILT)),
        )
    covered = np.ptp(pixels, axis=0) / size
    if covered.min() < _LEAST_SPREAD:
        raise ReadError(
            where,
            "the board covers {width:share} of the picture's width and {height:share} of its height over all",
            needed="at least {least:share}",
            remedy="Photograph it near all edges and corners of the picture",
            width=share(covered[0]),
            height=share(covered[1]),
            least=share(_LEAST_SPREAD),
        )


def _notes(camera: Camera, used: int, without: tuple[Note, ...]) -> tuple[Note, ...]:
    notes = list(without)
    if used < GOOD:
        notes.append(note("picture.few-photos", photos=used, good=GOOD))
    if camera.rms is not None and camera.rms > _POOR_RMS:
        notes.append(note("picture.corners-miss", rms=pixels_of(camera.rms), usual=pixels_of(_POOR_RMS)))
    return (*notes, note("picture.this-focus-only"))
