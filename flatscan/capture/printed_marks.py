"""Printed targets and chequered boards on pictures: where they are, and the lens that a board shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.capture.camera import Camera, read_picture
from flatscan.core.errors import BadValue, ReadError
from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, metres, share
from flatscan.core.quantity import pixels as pixels_of

Names = tuple[str, ...]

# 50 markers of 4 x 4 bits: the fewest and so the largest bits for their size, which a far camera needs
DICTIONARY = "DICT_4X4_50"
MARKERS, BITS = 50, 4
# how far off the detector's corner an edge is looked for [pixels]
_REACH = 2.5
# fewer views, or views all alike, fix no lens (Zhang, IEEE PAMI 22, 2000: at least three; common practice: ten or more)
LEAST, GOOD = 6, 10
MARKER_SHARE = 0.7
_POOR_RMS = 1.0
_LEAST_SPREAD, _LEAST_TILT = 0.5, np.radians(15.0)


def marker_bits(number: int) -> Mask:
    """Bits of a marker with its black border (6, 6), True where white; a number not 0 to 49 raises `BadValue`."""
    import cv2

    if not 0 <= number < MARKERS:
        raise BadValue(
            "target",
            "number {number}",
            needed="0 to {last}",
            remedy="Choose one of these",
            number=number,
            last=MARKERS - 1,
        )
    side = BITS + 2
    image = cv2.aruco.generateImageMarker(_dictionary(), number, side)
    white: Mask = np.asarray(image) > 127
    return white


def find_targets(picture: NDArray[np.uint8]) -> dict[int, Array]:
    """Corners (4, 2) [pixels] by number of the markers on a picture (rows, cols[, 3]): from top left, clockwise.

    Refined to a part of a pixel; a number seen twice is left out, because one of the two is no target.
    """
    import cv2

    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 0.01
    settings.adaptiveThreshWinSizeMax = 53
    grey = picture.astype(float) if picture.ndim == 2 else picture.astype(float).mean(axis=2)
    corners, numbers, _ = cv2.aruco.ArucoDetector(_dictionary(), settings).detectMarkers(picture)
    if numbers is None:
        return {}
    found: dict[int, Array] = {}
    seen = [int(number) for number in np.asarray(numbers).ravel()]
    for number, corner in zip(seen, corners, strict=True):
        if seen.count(number) == 1:
            found[number] = sharpened(grey, np.asarray(corner, np.float64).reshape(4, 2))
    return found


def sharpened(grey: Array, corners: Array) -> Array:
    """Corners (4, 2) [pixels] where lines through the edges' steepest places cross; as they were where none is clear.

    The detector's own corners lie on pixels' centres, half a pixel inside; along an edge of many pixels the step from
    black to white is known far better than at a corner.
    """
    lines = [_edge(grey, corners[i], corners[(i + 1) % 4]) for i in range(4)]
    if any(line is None for line in lines):
        return corners
    crossings = corners.copy()
    for i in range(4):
        one, other = lines[i - 1], lines[i]
        if one is None or other is None:
            return corners
        normals = np.stack([one[0], other[0]])
        crossings[i] = np.linalg.solve(normals, np.array([one[1], other[1]]))
    far = np.hypot(*(crossings - corners).T).max() > 0.15 * np.hypot(*(corners[1] - corners[0])) + 1.5
    return corners if far else crossings


def _edge(grey: Array, start: Array, stop: Array) -> tuple[Array, float] | None:
    """Normal (2,) and distance of the line along one side of a marker, fitted to the steepest place of its profiles."""
    length = float(np.hypot(*(stop - start)))
    if length < 8:
        return None
    along = (stop - start) / length
    normal = np.array([-along[1], along[0]])
    reach = np.arange(-_REACH, _REACH + 0.01, 0.25)
    part = np.linspace(0.12, 0.88, max(8, int(length)))
    base = start + part[:, None] * (stop - start)
    at = base[:, None, :] + reach[None, :, None] * normal
    values = ndimage.map_coordinates(grey, [at[..., 1], at[..., 0]], order=1, mode="nearest")
    steep = np.abs(np.diff(values, axis=1))
    weight = np.where(steep > 0.3 * steep.max(axis=1, keepdims=True), steep, 0.0)
    clear = weight.sum(axis=1) > 10.0
    if clear.sum() < 6:
        return None
    middle = (weight * (reach[:-1] + 0.125)).sum(axis=1)[clear] / weight.sum(axis=1)[clear]
    coefficients = np.polynomial.polynomial.polyfit(part[clear] * length, middle, 1)
    slope = float(coefficients[1])
    turned = (normal - slope * along) / np.hypot(1.0, slope)
    return turned, float(turned @ (start + coefficients[0] * normal))


def corners_on_wall(centre: Array, size: float) -> Array:
    """The same corners (4, 2) on the wall [m], of an upright marker of that size around ``centre`` (2,)."""
    half = size / 2
    return np.asarray(centre, float) + half * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])


def _dictionary() -> Any:
    import cv2

    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))


@dataclass(frozen=True, slots=True)
class Board:
    """Squares across and down, side of a square [m], and whether markers stand in the white ones."""

    across: int
    down: int
    square: float
    markers: bool = False

    def __post_init__(self) -> None:
        if not (4 <= self.across <= 40 and 4 <= self.down <= 40 and 0.002 < self.square < 0.5):
            raise BadValue(
                "board",
                "{across} x {down} squares of {square:length.g}",
                needed="4 to 40 squares each way, of {least:length} to {most:length}",
                remedy="Count the squares and measure one",
                across=self.across,
                down=self.down,
                square=metres(self.square),
                least=metres(0.002),
                most=metres(0.5),
            )

    def charuco(self) -> Any:
        """OpenCV's board of squares and markers."""
        import cv2

        marker = MARKER_SHARE * self.square
        return cv2.aruco.CharucoBoard((self.across, self.down), self.square, marker, _dictionary())


@dataclass(frozen=True, eq=False)
class Calibration:
    """The camera found, ``u_focal`` [relative, k = 1], photos used, photos without a board, and remarks."""

    camera: Camera
    u_focal: float
    used: tuple[str, ...]
    without: tuple[str, ...]
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


def calibrate(photos: Sequence[Path], board: Board) -> Calibration:
    """Focal lengths, principal point and distortion from photos of ``board`` (Zhang 2000, by OpenCV).

    Raises `ReadError` where photos are of different sizes or show the board too seldom, all alike, or only part of
    the picture.
    """
    places, seen, used, without = [], [], [], []
    size: tuple[int, int] | None = None
    for photo in photos:
        grey = np.ascontiguousarray(np.rint(read_picture(photo).colours.mean(axis=2)).astype(np.uint8))
        here = grey.shape[1], grey.shape[0]
        size = size or here
        if here != size:
            raise ReadError(
                photo,
                "{wide} x {high} pixels, the first photo has {first_wide} x {first_high}",
                needed="photos of one camera, all upright or all turned",
                remedy="Leave the others out",
                wide=here[0],
                high=here[1],
                first_wide=size[0],
                first_high=size[1],
            )
        found = _board_corners(grey, board)
        if found is None:
            without.append(photo.name)
            continue
        places.append(found[0].astype(np.float32))
        seen.append(found[1].astype(np.float32))
        used.append(photo.name)
    if size is None or len(used) < LEAST:
        raise ReadError(
            photos[0] if photos else "calibrate",
            "the board of {across} x {down} squares is seen whole in {used} of {photos} photos",
            needed="at least {least}, better {good} or more",
            remedy="Photograph it sharp, well lit and whole",
            across=board.across,
            down=board.down,
            used=len(used),
            photos=len(photos),
            least=LEAST,
            good=GOOD,
        )
    return _solved(photos[0], places, seen, size, tuple(used), tuple(without))


def _solved(
    where: Path, places: list[Any], seen: list[Any], size: tuple[int, int], used: Names, without: Names
) -> Calibration:
    """The lens from places on the board and pixels of each photo used."""
    import cv2

    flags = 0 if len(used) >= GOOD else cv2.CALIB_FIX_K3
    rms, matrix, distortion, turns, _, u_intrinsics, *_ = cv2.calibrateCameraExtended(
        places, seen, size, np.eye(3), np.zeros(5), flags=flags
    )
    _refuse_alike(where, turns, np.concatenate([part.reshape(-1, 2) for part in seen]), size)
    (fx, _, cx), (_, fy, cy) = (map(float, row) for row in matrix[:2])
    lens = tuple(float(value) for value in np.asarray(distortion).ravel()[:5])
    camera = Camera(*size, fx, fy, cx, cy, lens, rms=float(rms))
    u_focal = float(np.asarray(u_intrinsics, float).ravel()[0] / matrix[0, 0])
    return Calibration(camera, u_focal, used, without, _notes(camera, len(used), without))


def _board_corners(grey: Any, board: Board) -> tuple[Array, Array] | None:
    """Places (n, 3) [m] on the board and pixels (n, 2) of its inner corners; None where it is not seen."""
    import cv2

    if board.markers:
        corners, numbers, _, _ = cv2.aruco.CharucoDetector(board.charuco()).detectBoard(grey)
        if numbers is None or len(numbers) < 8:
            return None
        every = np.asarray(board.charuco().getChessboardCorners(), float)
        return every[np.asarray(numbers).ravel()], np.asarray(corners, float).reshape(-1, 2)
    inner = board.across - 1, board.down - 1
    done, corners = cv2.findChessboardCornersSB(grey, inner, flags=cv2.CALIB_CB_ACCURACY | cv2.CALIB_CB_EXHAUSTIVE)
    if not done:
        return None
    across, down = np.meshgrid(np.arange(inner[0]), np.arange(inner[1]))
    places: Array = np.column_stack([across.ravel(), down.ravel(), np.zeros(across.size)]).astype(np.float64)
    return places * board.square, np.asarray(corners, float).reshape(-1, 2)


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


def _notes(camera: Camera, used: int, without: Names) -> tuple[Note, ...]:
    notes = []
    if without:
        notes.append(note("picture.board-not-whole", photos=len(without), names=without[:5]))
    if used < GOOD:
        notes.append(note("picture.few-photos", photos=used, good=GOOD))
    if camera.rms is not None and camera.rms > _POOR_RMS:
        notes.append(note("picture.corners-miss", rms=pixels_of(camera.rms), usual=pixels_of(_POOR_RMS)))
    return (*notes, note("picture.this-focus-only"))
