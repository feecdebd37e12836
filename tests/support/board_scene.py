"""Photos of printed boards and a laser's light on them, ray by ray: print, bow, lens, noise."""

from functools import cache

import cv2
import numpy as np

from flatscan.capture.calibration.boards import CIRCLES, MARKERS, SQUARES, STAGGERED
from flatscan.capture.calibration.printed_marks import MARKER_SHARE

DARK, PAPER, ROOM = 40.0, 210.0, 120.0
_FINE = 2


@cache
def rays(camera):
    """Four rays (n, 2), z = 1, a pixel."""
    step = (np.arange(_FINE) + 0.5) / _FINE - 0.5
    col, row = np.meshgrid(*((np.arange(many)[:, None] + step).ravel() for many in (camera.width, camera.height)))
    return camera.straight(np.column_stack([col.ravel(), row.ravel()]))


def size_of(board):
    """Width and height [m] of what is printed, with a white margin around circles."""
    if board.kind == CIRCLES:
        return np.array([board.across + 1, board.down + 1]) * board.square
    if board.kind == STAGGERED:
        return np.array([board.across + 1.5, board.down / 2 + 1.5]) * board.square
    return np.array([board.across, board.down]) * board.square


def shade(board, x, y, invert=False):
    """Light of the print at places (n,) [m] from its upper left; the paper ends half a square outside."""
    width, height = size_of(board)
    step = board.square
    on = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    if board.kind in (SQUARES, MARKERS):
        dark = on & ((np.floor(x / step) + np.floor(y / step)) % 2 == 0)
    else:
        px, py = x / step - 1, y / step - 1
        if board.kind == STAGGERED:
            row = np.clip(np.rint(2 * py), 0, board.down - 1)
            across, up = px - (row % 2) / 2, (py - row / 2)
        else:
            row, across, up = np.clip(np.rint(py), 0, board.down - 1), px, py - np.clip(np.rint(py), 0, board.down - 1)
        col = np.clip(np.rint(across), 0, board.across - 1)
        dark = np.hypot(across - col, up) < (0.17 if board.kind == STAGGERED else 0.28)
    light = np.where(dark, DARK, PAPER)
    if board.kind == MARKERS:
        light = _with_markers(board, x, y, on, light)
    margin = 0.5 * step
    paper = (x >= -margin) & (x < width + margin) & (y >= -margin) & (y < height + margin)
    light = DARK + PAPER - light if invert else light
    return np.where(paper, light, ROOM)


def _with_markers(board, x, y, on, light):
    fine = 60
    image = board.charuco().generateImage((board.across * fine, board.down * fine), marginSize=0)
    col = np.clip(x / board.square * fine, 0, image.shape[1] - 1).astype(int)
    row = np.clip(y / board.square * fine, 0, image.shape[0] - 1).astype(int)
    assert 0 < MARKER_SHARE < 1
    return np.where(on, np.where(image[row, col] > 127, PAPER, DARK), PAPER)


def hits(rotation, shift, ray, size, bow=(0.0, 0.0, 0.0)):
    """Where rays (n, 2) meet a board, middle at ``shift``, that bows by so much [m]: places from its middle (n, 3)."""
    full = np.column_stack([ray, np.ones(len(ray))])
    across = full @ rotation[:, 2]
    height = np.zeros(len(ray))
    with np.errstate(all="ignore"):
        for _ in range(2 if any(bow) else 1):
            reach = (rotation[:, 2] @ shift + height) / across
            at = (full * reach[:, None] - shift) @ rotation
            u, v = np.clip(at[:, :2] / (size / 2), -1.5, 1.5).T
            height = (u**2 - 1 / 3) * bow[0] + (v**2 - 1 / 3) * bow[1] + u * v * bow[2]
    return at


def photo(board, turn, shift, camera, *, light=None, bow=(0.0, 0.0, 0.0), lens=rays, rng=None, noise=1.0, invert=False,
          ambient=1.0, strength=150.0, thick=0.002):  # fmt: skip
    """Red, green, blue (rows, cols, 3) of the board; ``light`` (normal, distance) is a plane of red light."""
    rotation = cv2.Rodrigues(np.array(turn, float))[0]
    size, ray = size_of(board), lens(camera)
    at = hits(rotation, np.array(shift, float), ray, size, bow)
    grey = shade(board, *(at[:, :2] + size / 2).T, invert)
    red = np.zeros(len(grey))
    if light is not None:
        normal, distance = light
        off = (at @ rotation.T + shift) @ normal - distance
        red = strength * grey / PAPER * np.exp(-4 * np.log(2) * (off / thick) ** 2)
    shape = (camera.height, _FINE, camera.width, _FINE)
    parts = [(ambient * grey + part * red).reshape(shape).mean(axis=(1, 3)) for part in (1.0, 0.06, 0.03)]
    picture = cv2.GaussianBlur(np.stack(parts, axis=-1), (0, 0), 0.7)
    if rng is not None:
        picture = picture + rng.normal(0, noise, picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)
