"""The lens that photos of a printed board show: focal lengths, centre, distortion, and how sure they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.board_photos import Sighting, sightings
from flatscan.capture.boards import Board
from flatscan.capture.camera import Camera
from flatscan.capture.camera_file import folds_at, refuse_folded
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, share
from flatscan.core.quantity import pixels as pixels_of

# fewer views, or views all alike, fix no lens (Zhang, IEEE PAMI 22, 2000: at least three; common practice: ten or more)
LEAST, GOOD = 5, 10
_POOR_RMS = 1.0
_LEAST_SPREAD, _LEAST_TILT = 0.5, np.radians(15.0)
# a photo whose corners miss by so many times what is usual, and by so much more [pixels], is left out; so many may be
_MOST_TIMES, _MOST_MORE, _MOST_LEFT_OUT = 3.0, 0.3, 1 / 3
U_FOCAL = "u_focal_share"


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
    """A lens, the turns of the boards and the rms [pixels] of each photo."""

    camera: Camera
    u_focal: float
    turns: tuple[Any, ...]
    rms: Array


def calibrate(photos: Sequence[Path], board: Board) -> Calibration:
    """Focal lengths, principal point and distortion from photos of ``board`` (Zhang 2000, by OpenCV).

    Photos that do not show it, or whose corners miss far more than the others', are left out and named. Raises
    `ReadError` where photos show the board too seldom, all alike, or only part of the picture.
    """
    found = sightings(photos, board, LEAST)
    seen, without = list(found.seen), list(found.without)
    solved = _solve(seen, found.size)
    while (worst := _odd_one(solved.rms)) is not None and len(without) < len(photos) * _MOST_LEFT_OUT:
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
    _refuse_alike(photos[0], solved.turns, np.concatenate([one.pixels for one in seen]), found.size)
    camera = refuse_folded(solved.camera, photos[0])
    camera = replace(camera, extras=((U_FOCAL, solved.u_focal),))
    used = tuple(one.photo.name for one in seen)
    return Calibration(camera, solved.u_focal, used, tuple(without), _notes(camera, len(used), tuple(without)))


def _odd_one(rms: Array) -> int | None:
    """The photo that misses far more than the others, or None."""
    usual, worst = float(np.median(rms)), int(rms.argmax())
    return worst if rms[worst] > max(_MOST_TIMES * usual, usual + _MOST_MORE) else None


def _solve(seen: Sequence[Sighting], size: tuple[int, int]) -> _Solved:
    """The lens by as many coefficients as the photos carry: what would fold the picture over is not fitted."""
    import cv2

    flags = [0] if len(seen) >= GOOD else []
    flags += [cv2.CALIB_FIX_K3, cv2.CALIB_FIX_K3 | cv2.CALIB_FIX_K2]
    for several in flags:
        solved = _solved(seen, size, several)
        if folds_at(solved.camera) is None:
            break
    return solved


def _solved(seen: Sequence[Sighting], size: tuple[int, int], flags: int) -> _Solved:
    import cv2

    places = [one.places.astype(np.float32) for one in seen]
    pixels: list[Any] = [one.pixels.astype(np.float32) for one in seen]
    rms, matrix, distortion, turns, _, u_intrinsics, _, each = cv2.calibrateCameraExtended(
        places, pixels, size, np.eye(3), np.zeros(5), flags=flags
    )
    (fx, _, cx), (_, fy, cy) = (map(float, row) for row in np.asarray(matrix)[:2])
    lens = tuple(float(value) for value in np.asarray(distortion).ravel()[:5])
    u_focal = float(np.asarray(u_intrinsics, float).ravel()[0] / fx)
    camera = Camera(*size, fx, fy, cx, cy, lens, rms=float(rms))
    return _Solved(camera, u_focal, tuple(turns), np.asarray(each, float).ravel())


def _refuse_alike(where: Path, turns: Sequence[Any], pixels: Array, size: tuple[int, int]) -> None:
    """Raise `ReadError` where the board never tilts or never comes near the picture's edges."""
    import cv2

    normals = np.array([cv2.Rodrigues(np.asarray(turn))[0][:, 2] for turn in turns])
    tilt = float(np.arccos(np.clip(normals @ normals.T, -1, 1)).max())
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
