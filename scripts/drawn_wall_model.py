"""Drawn walls for photographs: a height field of known relief, its bricks and its light, finer than any pixel.

The warp and the humps are formulas, blocks, joints and grain are drawn at random. What is handed on is a grid of
heights [m], proud positive, row 0 at the bottom, and one of what the wall sends back of the light: heights between
the grid's points are bilinear, so what a camera sees and what the truth says are the same surface.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from warp_model import waves

from flatscan.capture.calibration.printed_marks import marker_bits

Array = np.ndarray


@dataclass(frozen=True)
class Look:
    """What a wall is made of: stones (length, height, joint) [m] or none, their scatter [m], grain by its sizes.

    ``grain`` is (size [m], sd of height [m], sd of tone) for each of several sizes; ``tone`` the mean of what the wall
    sends back, ``stone_tone`` its scatter from stone to stone, ``recess`` how deep joints lie [m].
    """

    stones: tuple[float, float, float] | None = None
    recess: float = 0.0
    proud: float = 0.0
    stone_tone: float = 0.0
    joint_tone: float = 0.0
    tone: float = 0.45
    grain: tuple[tuple[float, float, float], ...] = ()


LOOKS = {
    "blocks": Look((0.44, 0.215, 0.010), 0.003, 0.0010, 0.05, 0.12, 0.42,
                   ((0.002, 0.00025, 0.09), (0.006, 0.0003, 0.06), (0.05, 0.0, 0.04))),
    "brick": Look((0.215, 0.065, 0.010), 0.004, 0.0012, 0.14, 0.22, 0.33,
                  ((0.002, 0.00015, 0.08), (0.012, 0.0003, 0.06), (0.06, 0.0, 0.03))),
    "roughcast": Look(grain=((0.003, 0.0004, 0.10), (0.009, 0.0012, 0.07), (0.03, 0.0006, 0.05), (0.2, 0.0, 0.03))),
    "render": Look(grain=((0.0015, 0.00010, 0.06), (0.005, 0.00015, 0.04), (0.08, 0.0, 0.04))),
    "finish": Look(tone=0.75, grain=((0.002, 0.00001, 0.0012), (0.3, 0.0, 0.004))),
}  # fmt: skip


@dataclass(frozen=True)
class WallTold:
    """A wall to draw: size [m], look, lean, warp (length, sd) [m], humps (x, y, height, sd) [m], targets, openings.

    ``targets`` are middles (x, y) of printed ones of ``target`` [m] black square; ``openings`` (kind, left, bottom,
    width, height, deep) with kind window or door, ``pipes`` (x, radius, off), ``lamps`` (x, y, radius, off) [m].
    """

    width: float = 3.6
    height: float = 2.4
    look: str = "blocks"
    lean: float = 0.003
    warp: tuple[float, float] = (1.2, 0.002)
    humps: tuple[tuple[float, float, float, float], ...] = ()
    targets: tuple[tuple[float, float], ...] | None = None
    target: float = 0.12
    openings: tuple[tuple[str, float, float, float, float, float], ...] = ()
    pipes: tuple[tuple[float, float, float], ...] = ()
    lamps: tuple[tuple[float, float, float, float], ...] = ()
    fine: float = 0.001
    seed: int = 1

    def places(self) -> tuple[tuple[float, float], ...]:
        """Middles of the targets: as told, or six spread over the wall clear of its edges."""
        if self.targets is not None:
            return self.targets
        wide, high, off = self.width, self.height, max(0.25, 1.5 * self.target)
        spread = ((off, off), (wide / 2, off + 0.1), (wide - off, off), (wide - off, high - off),
                  (wide / 2, high - off - 0.1), (off, high - off))  # fmt: skip
        return tuple((round(x, 3), round(y, 3)) for x, y in spread)


@dataclass(eq=False)
class DrawnWall:
    """Heights [m] and tones (up, along) at ``fine`` [m], the first at x = y = 0, of the wall ``told``."""

    told: WallTold
    z: Array
    tone: Array
    coarse: Array = field(init=False)

    def __post_init__(self) -> None:
        self.coarse = self.z

    def at(self, x: Array, y: Array) -> Array:
        """Heights [m] at x, y [m] of one shape (rows, cols), bilinear; the nearest of the wall beyond its edges."""
        return self._between(self.z, x, y)

    def shade(self, x: Array, y: Array) -> Array:
        """Tones at x, y [m]."""
        return self._between(self.tone, x, y)

    def _between(self, field_of: Array, x: Array, y: Array) -> Array:
        fine = np.float32(1 / self.told.fine)
        return cv2.remap(field_of, x.astype(np.float32) * fine, y.astype(np.float32) * fine, cv2.INTER_LINEAR,
                         borderMode=cv2.BORDER_REPLICATE)  # fmt: skip

    def cells(self, cell: float) -> Array:
        """Mean heights [m] of square cells of ``cell`` [m] (up, along), NaN in openings."""
        many = round(cell / self.told.fine)
        up, along = (side // many for side in self.z.shape)
        z = self.z[: up * many, : along * many].astype(float).reshape(up, many, along, many).mean(axis=(1, 3))
        y, x = ((np.arange(count) + 0.5) * cell for count in (up, along))
        for _, left, bottom, wide, high, _ in self.told.openings:
            z[np.ix_((y > bottom) & (y < bottom + high), (x > left) & (x < left + wide))] = np.nan
        return z


def draw_wall(told: WallTold) -> DrawnWall:
    """The wall drawn from its seed."""
    rng, look = np.random.default_rng(told.seed), LOOKS[told.look]
    shape = round(told.height / told.fine) + 1, round(told.width / told.fine) + 1
    z = smooth_heights(told, rng, shape)
    tone = np.full(shape, look.tone, np.float32)
    if look.stones:
        _lay_stones(look, told.fine, rng, z, tone)
    for size, rough, spread in look.grain:
        grain = _grain(rng, shape, size / told.fine)
        z += np.float32(rough) * grain
        tone *= 1 + np.float32(spread) * (0.7 * _grain(rng, shape, size / told.fine) - 0.7 * grain)
    _light(z, tone, told.fine)
    for number, place in enumerate(told.places()):
        _hang(told, number, place, z, tone)
    return DrawnWall(told, z, np.clip(tone, 0.02, 0.95))


def smooth_heights(told: WallTold, rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Lean, warp and humps [m] (up, along): formulas, taken from points 20 mm apart by cubic interpolation."""
    step = 0.02
    y, x = (np.arange(-2, side / step + 3) * step for side in (told.height, told.width))
    mesh = np.stack(np.meshgrid(x, y), axis=-1)
    z = told.lean * mesh[..., 1] + waves(*told.warp, rng)(mesh.reshape(-1, 2)).reshape(mesh.shape[:2])
    for at_x, at_y, proud, sd in told.humps:
        z = z + proud * np.exp(-((mesh[..., 0] - at_x) ** 2 + (mesh[..., 1] - at_y) ** 2) / (2 * sd**2))
    along = (np.arange(shape[1]) * told.fine / step + 2).astype(np.float32)
    up = (np.arange(shape[0]) * told.fine / step + 2).astype(np.float32)
    at = np.broadcast_to(along, shape).copy(), np.broadcast_to(up[:, None], shape).copy()
    return cv2.remap(z.astype(np.float32), *at, cv2.INTER_CUBIC)


def _grain(rng: np.random.Generator, shape: tuple[int, int], size: float) -> Array:
    """Noise of sd 1 whose lumps are ``size`` points wide; broad lumps are drawn coarsely and spread out."""
    by = max(1, int(size / 4))
    small = tuple(side // by + 3 for side in shape)
    noise = cv2.GaussianBlur(rng.standard_normal(small, np.float32), (0, 0), max(size / by / 2.5, 0.4))
    noise /= noise.std()
    if by > 1:
        noise = cv2.resize(noise, (small[1] * by, small[0] * by), interpolation=cv2.INTER_CUBIC)
    return noise[: shape[0], : shape[1]]


def _lay_stones(look: Look, fine: float, rng: np.random.Generator, z: Array, tone: Array) -> None:
    """Courses in half bond: each stone with a height, tilts and tone of its own, joints rounded and recessed."""
    long, high, joint = (length / fine for length in look.stones)
    soft = max(1.0, 0.004 / fine)
    depth, shade = np.zeros_like(z), np.zeros_like(z)
    for course in range(int(z.shape[0] / (high + joint)) + 1):
        low = course * (high + joint)
        start = -(course % 2) * (long + joint) / 2 - rng.uniform(0, 0.03) * long
        while start < z.shape[1]:
            rows = slice(max(0, round(low)), round(low + high))
            cols = slice(max(0, round(start)), max(0, round(start + long)))
            here = depth[rows, cols]
            ramp = [np.linspace(-1, 1, side, dtype=np.float32) for side in here.shape]
            tilt = rng.normal(0, look.proud / 2, 2)
            depth[rows, cols] = look.recess + rng.normal(0, look.proud) + tilt[0] * ramp[0][:, None] + tilt[1] * ramp[1]
            shade[rows, cols] = 1 + rng.normal(0, look.stone_tone)
            start += long + joint
    mortar = (look.tone + look.joint_tone) / look.tone
    tone *= cv2.GaussianBlur(np.where(shade > 0, shade, np.float32(mortar)).astype(np.float32), (0, 0), soft / 2)
    z += cv2.GaussianBlur(depth.astype(np.float32), (0, 0), soft) - np.float32(look.recess)


def _light(z: Array, tone: Array, fine: float) -> None:
    """Daylight from the left and above on slopes of the surface."""
    slope_x = cv2.Sobel(z, cv2.CV_32F, 1, 0, scale=1 / (8 * fine))
    slope_y = cv2.Sobel(z, cv2.CV_32F, 0, 1, scale=1 / (8 * fine))
    tone *= np.clip(1 - 0.55 * slope_x + 0.4 * slope_y, 0.25, 1.8)


def _hang(told: WallTold, number: int, place: tuple[float, float], z: Array, tone: Array) -> None:
    """A printed target: stiff paper on the high points of the wall behind it, with a white margin of two bits."""
    bit, fine = told.target / 6, told.fine
    half = told.target / 2 + 1.5 * bit
    rows, cols = (slice(max(0, round((at - half) / fine)), round((at + half) / fine)) for at in (place[1], place[0]))
    here = z[rows, cols]
    y, x = (
        (np.arange(part.start, part.start + side) * fine) for part, side in zip((rows, cols), here.shape, strict=True)
    )
    mesh = np.stack([np.ones(here.shape), *np.meshgrid(x - place[0], y - place[1])], axis=-1).reshape(-1, 3)
    plane = mesh @ np.linalg.lstsq(mesh, here.ravel(), rcond=None)[0]
    z[rows, cols] = (plane + 1.5 * np.std(here.ravel() - plane) + 0.0002).reshape(here.shape)
    tone[rows, cols] = cv2.GaussianBlur(_print(number, told, (x - place[0], y - place[1])), (0, 0), 0.6)


def _print(number: int, told: WallTold, off: tuple[Array, Array]) -> Array:
    """Tones of a printed target at points ``off`` its middle along and up [m], each the mean of sixteen about it."""
    bits, total = marker_bits(number), 0.0
    parts = (np.arange(4) - 1.5) / 4 * told.fine
    for part_x in parts:
        for part_y in parts:
            row = np.floor((told.target / 2 - off[1] - part_y) / told.target * 6).astype(int)
            col = np.floor((off[0] + part_x + told.target / 2) / told.target * 6).astype(int)
            inside = ((row >= 0) & (row < 6))[:, None] & ((col >= 0) & (col < 6))[None, :]
            white = bits[np.clip(row, 0, 5)[:, None], np.clip(col, 0, 5)[None, :]]
            total = total + np.where(inside & ~white, 0.05, 0.86)
    return np.asarray(total / len(parts) ** 2, np.float32)
