"""Boards held in the light of a laser that is fixed to its camera, with errors that are none of the program's own.

The lens may have a ripple that no polynomial of ours has, the board may bow, and the places of corners may have heavy
tails. Photos can be drawn and measured, or only the places where corners and light are seen be made.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from flatscan.capture.calibration.board_photos import Sighting, Sightings
from flatscan.capture.calibration.boards import Board
from flatscan.capture.calibration.lens import lens_of
from flatscan.capture.camera import Camera
from flatscan.capture.lines.laser_plane import CalibratedPlane
from flatscan.capture.lines.plane_fit import LitBoard
from flatscan.capture.pictures import Picture
from flatscan.core.geometry import Array

BOARD = Board(10, 7, 0.030)
CAMERA = Camera(1600, 1200, 1350.0, 1350.0, 806.0, 594.0, (0.06, -0.05, 0.0005, -0.0004, 0.0))
NO_PICTURE = Picture(np.zeros((1, 1, 3), np.uint8), False, None)
# laser 0.45 m to the left of the camera and 0.1 m below, its light crossing the axis 2 m off
_LASER, _AIM = np.array([-0.45, 0.1, 0.0]), np.array([0.0, 0.0, 2.0])


@dataclass(frozen=True)
class Case:
    """What is wrong in a row of the table: ``ripple`` [pixels], ``bow`` [m], ``tails`` (freedoms of Student's t),
    ``corner`` and ``light`` [pixels], ``step`` as a share, ``near`` and ``far`` [m]."""

    name: str
    ripple: float = 0.0
    bow: float = 0.0
    tails: float | None = None
    corner: float = 0.08
    light: float = 0.1
    wander: float = 0.05
    step: float = 0.002
    near: float = 0.9
    far: float = 1.7


CASES = (
    Case("as it should be"),
    Case("lens with a ripple of 0.3 pixel", ripple=0.3),
    Case("board bowed by 0.5 mm", bow=0.0005),
    Case("corners with heavy tails", tails=2.5),
    Case("all of these", ripple=0.3, bow=0.0005, tails=2.5),
)


def light() -> tuple[Array, float]:
    """Normal and distance of the true plane of light, in the camera's axes."""
    normal = np.cross(_AIM - _LASER, [0.03, 1.0, 0.02])
    normal /= np.linalg.norm(normal) * np.sign(normal[0])
    return normal, float(normal @ _LASER)


def poses(rng: Any, many: int, case: Case) -> list[tuple[Array, Array]]:
    """Turns and shifts of a board held in the light and whole in the picture, tilted at random, from near to far."""
    normal, distance = light()
    found: list[tuple[Array, Array]] = []
    depths_wanted = rng.permutation(np.linspace(case.near, case.far, many))
    while len(found) < many:
        depth = float(depths_wanted[len(found)])
        turn = np.append(rng.uniform(-0.55, 0.55, 2), rng.uniform(-0.3, 0.3))
        up = rng.uniform(-0.3, 0.3) * depth
        across = (distance - normal[2] * depth - normal[1] * up) / normal[0] + rng.uniform(-0.05, 0.05)
        shift = np.array([across, up, depth])
        if in_picture(shown((BOARD.places - BOARD.places.mean(axis=0)) @ cv2.Rodrigues(turn)[0].T + shift, case)):
            found.append((turn, shift))
    return found


def in_picture(pixels: Array) -> bool:
    """Whether all pixels (n, 2) lie well in the picture."""
    return bool((pixels > 8).all() and (pixels < np.array([CAMERA.width, CAMERA.height]) - 8).all())


def bent(pixels: Array, case: Case) -> Array:
    """Pixels (n, 2) as a lens with a ripple shows them: along the radius, a wave of the distance from the centre."""
    if case.ripple == 0:
        return pixels
    off = pixels - [CAMERA.cx, CAMERA.cy]
    far = np.hypot(*off.T)[:, None]
    wave = case.ripple * np.sin(2 * np.pi * far / (0.7 * CAMERA.cx))
    return np.asarray(pixels + off / np.maximum(far, 1e-9) * wave)


def shown(points: Array, case: Case) -> Array:
    """Pixels (n, 2) of points (n, 3) [m] in the camera's axes."""
    lens = np.array(CAMERA.distortion)
    pixels, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), CAMERA.matrix, lens)
    return bent(pixels.reshape(-1, 2), case)


def bowed(flat: Array, case: Case, half: Array) -> Array:
    """Places (n, 3) on a board that is bent aslant, the more the nearer its ends."""
    u, v = (flat / half).T
    return np.column_stack([flat, case.bow * (1.0 - np.abs((u + 0.4 * v) / 1.4) ** 3)])


def lit_board(rng: Any, turn: Array, shift: Array, case: Case, number: int) -> LitBoard:
    """Where corners and light of one pose are seen, with their errors; the places are as the user measured them."""
    rotation = cv2.Rodrigues(turn)[0]
    places = BOARD.places
    middle = (places.max(axis=0) + places.min(axis=0)) / 2
    half = np.ptp(places[:, :2], axis=0) / 2
    flat = (places - middle)[:, :2]
    corners = shown(bowed(flat, case, half) @ rotation.T + shift, case)
    normal, distance = light()
    up = np.linspace(-1, 1, 200) * half[1]
    line = []
    for y in up:
        x = np.linspace(-1, 1, 401) * half[0]
        at = bowed(np.column_stack([x, np.full(401, y)]), case, half) @ rotation.T + shift
        off = at @ normal - distance
        cross = np.flatnonzero(np.diff(np.sign(off)))
        if len(cross):
            i = cross[0]
            line.append(at[i] + (at[i + 1] - at[i]) * off[i] / (off[i] - off[i + 1]))
    seen = shown(np.array(line), case)
    wander = np.interp(np.arange(len(seen)), np.linspace(0, len(seen), 12), rng.normal(0, case.wander, 12))
    seen = seen + np.column_stack([wander + rng.normal(0, case.light, len(seen)), np.zeros(len(seen))])
    return LitBoard(str(number), places, corners + noise(rng, case, corners), seen)


def calibrated(rng: Any, case: Case, many: int = 14) -> Camera:
    """The lens as photos of the same board over the whole picture show it, with the errors of the case."""
    seen: list[Sighting] = []
    half = np.ptp(BOARD.places[:, :2], axis=0) / 2
    while len(seen) < many:
        turn = np.append(rng.uniform(-0.55, 0.55, 2), rng.uniform(-1.6, 1.6))
        depth = rng.uniform(0.35, 0.7)
        shift = np.append(rng.uniform(-1, 1, 2) * [0.45 * depth, 0.33 * depth], depth)
        flat = (BOARD.places - BOARD.places.mean(axis=0))[:, :2]
        corners = shown(bowed(flat, case, half) @ cv2.Rodrigues(turn)[0].T + shift, case)
        if not in_picture(corners):
            continue
        seen.append(Sighting(Path(f"{len(seen)}.png"), NO_PICTURE, BOARD.places, corners + noise(rng, case, corners)))
    return lens_of(Sightings(tuple(seen), (CAMERA.width, CAMERA.height), ())).camera


def noise(rng: Any, case: Case, corners: Array) -> Array:
    """Errors (n, 2) [pixels] of corners."""
    drawn = rng.normal(size=corners.shape) if case.tails is None else rng.standard_t(case.tails, corners.shape)
    return np.asarray(case.corner * drawn)


def made(rng: Any, case: Case, many: int = 10) -> tuple[Camera, list[LitBoard]]:
    """A camera as its calibration knows it, and lit boards in ``many`` poses, their step mismeasured."""
    camera, step = calibrated(rng, case), 1 + rng.normal(0, case.step)
    boards = [lit_board(rng, turn, shift, case, i) for i, (turn, shift) in enumerate(poses(rng, many, case))]
    return camera, [replace(board, places=board.places * step) for board in boards]


def depths(plane: CalibratedPlane, camera: Camera, pixels: Array) -> Array:
    """Distances (n,) [m] along the axis at which light is found on pixels (n, 2)."""
    rays = np.column_stack([camera.straight(pixels), np.ones(len(pixels))])
    return np.asarray(plane.distance / (rays @ plane.normal))


def line_on_wall(case: Case, far: float) -> tuple[Array, Array]:
    """Pixels (n, 2) of the light on a wall square to the axis ``far`` [m] off, and its true distances (n,)."""
    normal, distance = light()
    y = np.linspace(-0.35, 0.35, 41) * far
    x = (distance - normal[2] * far - normal[1] * y) / normal[0]
    points = np.column_stack([x, y, np.full(len(y), far)])
    return shown(points, case), points[:, 2]
