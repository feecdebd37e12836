"""Drawn photographs of a wall with known relief, as an ordinary phone takes them walking along: photos and truth.

python scripts/photo_room_model.py --out FOLDER [--look brick] [--megapixels 12] [--odd rolling,breathing] [--seed 3]

Used by the tests and by scripts/prove_photos.py. Each ray meets the height field by fixed-point iterations. Cameras
walk along in two rows with overlap, some turned by 90 degrees, some oblique; the room's other walls, openings, pipes
and lamps hide and surround the wall. ``odd`` draws from models that no bundle adjustment here solves for.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from drawn_wall_model import DrawnWall, WallTold, draw_wall

Array = np.ndarray
ODD = ("lens", "rolling", "breathing", "gloss", "student", "sharpened")
_BAND = 512


@dataclass(frozen=True)
class Lens:
    """A lens by parts of the picture's width: focal length, middle off the centre; Brown's terms, and others' beyond.

    ``prism`` (s1, s3) is a thin prism, ``far`` (k4, k5) are the eighth and tenth power of the radius, ``cross`` a
    shear of the sensor: none of them is in a model with k1, k2, p1, p2.
    """

    focal: float = 0.751
    off: tuple[float, float] = (0.004, -0.003)
    radial: tuple[float, float, float] = (0.045, -0.09, 0.0)
    tangential: tuple[float, float] = (0.0004, -0.0003)
    prism: tuple[float, float] = (0.0, 0.0)
    far: tuple[float, float] = (0.0, 0.0)

    def bent(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Where the lens shows rays u = x / z, v = y / z, likewise without dimension."""
        r2 = u * u + v * v
        k1, k2, k3 = self.radial
        gain = 1 + r2 * (k1 + r2 * (k2 + r2 * (k3 + r2 * (self.far[0] + r2 * self.far[1]))))
        p1, p2 = self.tangential
        return (u * gain + 2 * p1 * u * v + p2 * (r2 + 2 * u * u) + self.prism[0] * r2,
                v * gain + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v + self.prism[1] * r2)  # fmt: skip

    def rays(self, size: tuple[int, int], focal: float, rows: slice) -> tuple[Array, Array]:
        """Normalised rays (rows, width) of those rows of a picture, by iterating the distortion away."""
        wide, high = size
        across = (np.arange(wide, dtype=np.float64) - (wide - 1) / 2 - self.off[0] * wide) / focal
        down = (np.arange(rows.start, rows.stop) - (high - 1) / 2 - self.off[1] * wide) / focal
        seen_u, seen_v = np.meshgrid(across, down)
        u, v = seen_u.copy(), seen_v.copy()
        for _ in range(8):
            bent_u, bent_v = self.bent(u, v)
            u += seen_u - bent_u
            v += seen_v - bent_v
        return u.astype(np.float32), v.astype(np.float32)


@dataclass(frozen=True, eq=False)
class Pose:
    """Where a camera stands (3,) in the wall's axes [m] and its turn (3, 3): rows right, down and forward."""

    centre: Array
    turn: Array


@dataclass(frozen=True)
class PhotoTold:
    """How photos are taken: megapixels, metres off, overlap of neighbours in a row, which are turned or oblique.

    ``rows`` are heights of the rows as parts of the wall's, ``blur`` [pixels] the lens's sigma, ``noise`` the scatter
    of mid grey as a part of it, ``motion`` {photo: pixels} shakes single photos, ``zoomed`` {photo: factor} of the
    focal length, ``odd`` names from `ODD`; ``open_air`` leaves out the room.
    """

    megapixels: float = 2.0
    distance: float = 2.0
    overlap: float = 0.7
    rows: tuple[float, ...] = (0.36, 0.68)
    rolled: int = 4
    oblique: int = 3
    lens: Lens = Lens()
    blur: float = 0.7
    noise: float = 0.012
    quality: int = 93
    exposure: float = 0.12
    motion: dict[int, float] = field(default_factory=dict)
    zoomed: dict[int, float] = field(default_factory=dict)
    odd: tuple[str, ...] = ()
    open_air: bool = False
    still: str = ""
    seed: int = 1

    @property
    def size(self) -> tuple[int, int]:
        """Pixels wide and high, four to three."""
        high = 8 * round(np.sqrt(self.megapixels * 1e6 * 0.75) / 8)
        return high * 4 // 3, high


class PhotoRoom:
    """A wall, the cameras in front of it, and their pictures one at a time."""

    def __init__(self, wall: WallTold, told: PhotoTold) -> None:
        self.told, self.rng = told, np.random.default_rng(told.seed + 7919)
        lens = told.lens
        if "lens" in told.odd:
            lens = replace(lens, prism=(0.0011, -0.0008), far=(0.10, -0.08))
        self.lens = lens
        footprint = told.distance / (lens.focal * told.size[0])
        fine = wall.fine if wall.fine != WallTold.fine else min(0.001, float(np.round(0.8 * footprint, 5)))
        self.wall: DrawnWall = draw_wall(replace(wall, fine=fine))
        self.poses = self._stand()
        count = len(self.poses)
        breathing = self.rng.normal(0, 0.003, count) if "breathing" in told.odd else np.zeros(count)
        self.focal = lens.focal * told.size[0] * (1 + breathing)
        self.focal *= [told.zoomed.get(number, 1.0) for number in range(count)]
        # metres and radians moved while the rows are read
        self.drift = self.rng.normal(0, [0.002] * 3 + [0.0015] * 3, (count, 6)) * ("rolling" in told.odd)
        self.around = _pattern(self.rng)

    def _stand(self) -> list[Pose]:
        """Two rows walking along, each camera a little off by hand."""
        wall, told = self.wall.told, self.told
        across = told.distance / self.lens.focal
        step = across * (1 - told.overlap)
        many = max(2, int(np.ceil((wall.width - 0.5 * across) / step)) + 1)
        inset = min(0.25 * across, wall.width / 2 - 0.1)
        poses: list[Pose] = []
        for part in told.rows:
            for number, x in enumerate(np.linspace(inset, wall.width - inset, many)):
                y = part * wall.height
                hand = self.rng.normal(0, [0.05, 0.05, 0.04])
                at, way = np.array([x, y, told.distance]) + hand, np.array([x, 0.2 * y + 0.4 * wall.height, 0.0])
                if told.oblique and len(poses) % told.oblique == 1:
                    side = -1 if x > wall.width / 2 else 1
                    at = at + [side * 0.45 * told.distance, 0.0, -0.12 * told.distance]
                roll = 90.0 * (1 if number % 2 else -1) if told.rolled and len(poses) % told.rolled == 2 else 0.0
                if told.still:
                    at = np.array([wall.width / 2, 0.5 * wall.height, told.distance])
                    at += 0.0 if told.still == "turn" else self.rng.normal(0, 0.01, 3)
                at[0] = np.clip(at[0], 0.15, wall.width - 0.15)
                poses.append(aimed(at, way + self.rng.normal(0, 0.04, 3), roll + self.rng.normal(0, 1.5)))
        return poses

    @property
    def names(self) -> list[str]:
        """The photos' names."""
        return [f"IMG_{number + 1:04d}.jpg" for number in range(len(self.poses))]

    def photos(self) -> Iterator[np.ndarray]:
        """Pictures (rows, cols, 3), blue first."""
        for number in range(len(self.poses)):
            yield self.photo(number)

    def photo(self, number: int) -> np.ndarray:
        """One picture: its light by bands of rows, then lens, sensor and file."""
        (wide, high), light = self.told.size, []
        for low in range(0, high, _BAND):
            rows = slice(low, min(low + _BAND, high))
            u, v = self.lens.rays((wide, high), self.focal[number], rows)
            light.append(self._light(number, *self._cast(number, u, v, rows)))
        rng = np.random.default_rng([self.told.seed, number])
        return _sensor(self.told, np.concatenate(light), number, rng)

    def _cast(self, number: int, u: Array, v: Array, rows: slice) -> tuple[list[Array], list[Array]]:
        """Where the rays start and their directions, three arrays each, in the wall's axes."""
        pose, (_, high) = self.poses[number], self.told.size
        when = ((np.arange(rows.start, rows.stop) + 0.5) / high - 0.5).astype(np.float32)[:, None]
        moved = self.drift[number].astype(np.float32)
        if moved.any():  # turned while the rows were read
            a, b, c = (moved[3 + i] * when for i in range(3))
            u, v, w = u + b - c * v, v + c * u - a, 1 + a * v - b * u
        else:
            w = np.float32(1.0)
        turn = pose.turn.astype(np.float32)
        ray = [u * turn[0, i] + v * turn[1, i] + w * turn[2, i] for i in range(3)]
        start = [np.float32(pose.centre[i]) + moved[i] * when for i in range(3)]
        return start, ray

    def _light(self, number: int, start: list[Array], ray: list[Array]) -> Array:
        """What comes along each ray: the wall, what surrounds it, what stands in front."""
        told = self.wall.told
        x, y, _ = self.met(start, ray)
        light = self.wall.shade(x, y)
        if "gloss" in self.told.odd:
            light = light + self._gloss(start, x, y)
        beyond = (ray[2] > -1e-3) | (x < 0) | (y < 0) | (x > told.width) | (y > told.height)
        light = np.where(beyond, self._surrounds(start, ray), light)
        for opening in told.openings:
            light = self._opening(number, opening, (x, y), start, ray, light)
        for pipe in told.pipes:
            light = _pipe(pipe, start, ray, light)
        for lamp in told.lamps:
            light = _ball(lamp, start, ray, light)
        return light

    def met(self, start: list[Array], ray: list[Array]) -> tuple[Array, Array, Array]:
        """Where rays meet the wall [m]; half steps at the end settle those that jump to and fro on steep grain."""
        share = -start[2] / ray[2]
        for step in (1.0,) * 4 + (0.5,) * 6:
            x, y = start[0] + share * ray[0], start[1] + share * ray[1]
            share = share + np.float32(step) * ((self.wall.at(x, y) - start[2]) / ray[2] - share)
        return tuple(start[i] + share * ray[i] for i in range(3))

    def _gloss(self, start: list[Array], x: Array, y: Array) -> Array:
        """A lamp in a wall that shines: the spot stands where the camera sees the lamp mirrored, and walks with it."""
        lamp = np.array([0.4 * self.wall.told.width, 0.9 * self.wall.told.height, 2.6])
        share = start[2] / (start[2] + lamp[2])
        spot = [start[i] + share * (lamp[i] - start[i]) for i in range(2)]
        return 0.35 * np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / (2 * 0.16**2), dtype=np.float32)

    def _surrounds(self, start: list[Array], ray: list[Array]) -> Array:
        """Side walls, floor and ceiling of the room, or ground and houses far behind."""
        told = self.wall.told
        ends = (
            [(-60.0, told.width + 60.0), (0.0, 60.0)] if self.told.open_air else [(0.0, told.width), (0.0, told.height)]
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            to = [np.where(ray[i] > 0, ends[i][1] - start[i], ends[i][0] - start[i]) / ray[i] for i in range(2)]
            back = np.where(ray[2] < 0, (-7.0 - start[2]) / ray[2], np.inf)
        to = [np.where(one > 0, one, np.inf) for one in (*to, back)]
        share = np.minimum(np.minimum(np.minimum(*to[:2]), to[2]), 80.0).astype(np.float32)
        which = np.where(to[0] <= share, 0, np.where(to[1] <= share, 1, 2))
        place = [start[i] + share * ray[i] for i in range(3)]
        one, other = np.where(which == 0, place[2], place[0]), np.where(which == 1, place[2], place[1])
        side = np.choose(which, [0.55, 0.40, 0.7]).astype(np.float32)
        rough = np.choose(which, [0.10, 0.5, 0.35]).astype(np.float32)
        return side * (1 + rough * _tiled(self.around, one * 150, other * 150))

    def _opening(self, number, opening, at, start, ray, light):
        """A window of bars and panes that mirror, or a door to a passage; its reveals."""
        kind, left, bottom, wide, high, deep = opening
        inside = (at[0] > left) & (at[0] < left + wide) & (at[1] > bottom) & (at[1] < bottom + high)
        if not inside.any():
            return light
        share = (-(1.4 if kind == "door" else deep) - start[2]) / ray[2]
        x, y = start[0] + share * ray[0], start[1] + share * ray[1]
        back = (x > left) & (x < left + wide) & (y > bottom) & (y < bottom + high) if kind == "window" else inside
        if kind == "window":
            px, py = (x - left) % (wide / 2), (y - bottom) % high
            bar = (np.minimum(px, wide / 2 - px) < 0.05) | (np.minimum(py, high - py) < 0.06)
            # a pane shows what it mirrors: another picture for every place of the camera
            pane = 0.5 + 0.35 * _tiled(self.around, (2 * start[0] - x) * 60 + 977 * number, (2 * start[1] - y) * 60)
            seen = np.where(bar, np.float32(0.9), pane)
        else:
            seen = 0.18 * (1 + 0.5 * _tiled(self.around, x * 120 + 311, y * 120))
        return np.where(inside, np.where(back, seen, np.float32(0.6)), light).astype(np.float32)

    def truth(self) -> dict[str, Array]:
        """Heights [m] (up, along) every ``pitch`` [m], cameras (centre, turn, focal length [pixels]), targets."""
        wall = self.wall
        return {
            "z": wall.z, "pitch": np.array(wall.told.fine), "cells": wall.cells(0.01),
            "centres": np.stack([pose.centre for pose in self.poses]),
            "turns": np.stack([pose.turn for pose in self.poses]),
            "focal": self.focal, "size": np.array(self.told.size), "names": np.array(self.names),
            "targets": np.array(wall.told.places()).reshape(-1, 2), "target": np.array(wall.told.target),
            "wall": np.array([wall.told.width, wall.told.height]),
            "lens": np.array([*self.lens.radial, *self.lens.tangential, *self.lens.prism, *self.lens.far]),
            "middle": (np.array(self.told.size) - 1) / 2 + np.array(self.lens.off) * self.told.size[0],
        }  # fmt: skip

    def write(self, folder: Path, *, scale: str = "targets", taped: float = 0.0) -> Path:
        """Photos, ``wall.toml`` and ``truth.npz`` into a folder; tapes err by ``taped`` [m], k = 1.

        ``scale`` is what wall.toml states: "targets" with places, "distances" between them, "size" of the wall, "print"
        for nothing but the size of the printed square, or "none".
        """
        folder.mkdir(parents=True, exist_ok=True)
        for name, number in zip(self.names, range(len(self.poses)), strict=True):
            save(folder / name, self.photo(number), self.told.quality, focal35=self.lens.focal * 34.6)
        (folder / "wall.toml").write_text(self.told_by_hand(scale, taped))
        np.savez(folder / "truth.npz", **self.truth())
        return folder

    def told_by_hand(self, scale: str, taped: float) -> str:
        """Text of wall.toml."""
        wall, rng = self.wall.told, np.random.default_rng(self.told.seed + 31)
        lines = ["[wall]", 'name = "north bedroom"']
        if scale == "size":
            lines += [f'{name} = "{value:.3f} m"' for name, value in (("width", wall.width), ("height", wall.height))]
        if scale != "none":
            lines += ["[targets]", f'size = "{wall.target * 1000:g} mm"']
        places = np.array(wall.places()) + rng.normal(0, taped, (len(wall.places()), 2))
        if scale == "targets":
            lines += ["[targets.at]"] + [f'{i} = ["{x:.4f} m", "{y:.4f} m"]' for i, (x, y) in enumerate(places)]
        if scale == "distances":
            true = np.array(wall.places())
            last = len(true) - 1
            for i, j in ((0, last // 2), (last // 2, last // 2 + 1), (last // 2 + 1, last), (last, 0)):
                apart = np.hypot(*(true[i] - true[j])) + rng.normal(0, taped)
                lines += ["[[distance]]", f"between = [{i}, {j}]", f'is = "{apart:.4f} m"']
        return "\n".join(lines) + "\n"


def aimed(centre: Array, at: Array, roll: float) -> Pose:
    """A camera at ``centre`` looking at a point [m], rolled by degrees about where it looks."""
    out = (at - centre) / np.linalg.norm(at - centre)
    right = np.cross(out, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(out, right)
    c, s = np.cos(np.radians(roll)), np.sin(np.radians(roll))
    return Pose(np.asarray(centre, float), np.stack([c * right + s * down, c * down - s * right, out]))


def _pattern(rng: np.random.Generator) -> Array:
    """Noise that can be laid side by side (512, 512), of several sizes, sd 1."""
    total = np.zeros((512, 512))
    for size in (2, 8, 40):
        wave = np.fft.fft2(rng.standard_normal((512, 512)))
        lower = np.exp(-2 * (np.pi * size / 2.5) ** 2 * (np.fft.fftfreq(512)[:, None] ** 2 + np.fft.fftfreq(512) ** 2))
        part = np.fft.ifft2(wave * lower).real
        total += part / part.std()
    return (total / total.std()).astype(np.float32)


def _tiled(pattern: Array, x: Array, y: Array) -> Array:
    side = pattern.shape[0]
    wrapped = [np.mod(np.nan_to_num(np.asarray(one, np.float32)), side).astype(np.float32) for one in (x, y)]
    wide = np.pad(pattern, ((0, 1), (0, 1)), mode="wrap")
    return cv2.remap(wide, *np.broadcast_arrays(*wrapped), cv2.INTER_LINEAR)


def _pipe(pipe: tuple[float, float, float], start, ray, light):
    """A pipe from floor to ceiling in front of the wall."""
    x, radius, off = pipe
    dx, dz = start[0] - np.float32(x), start[2] - np.float32(off + radius)
    a, b, c = ray[0] ** 2 + ray[2] ** 2, dx * ray[0] + dz * ray[2], dx**2 + dz**2 - radius**2
    root = b * b - a * c
    across = (start[0] + (-b - np.sqrt(np.maximum(root, 0))) / a * ray[0] - x) / radius
    return np.where(root > 0, 0.75 * (1 - 0.55 * np.abs(across + 0.2)), light).astype(np.float32)


def _ball(lamp: tuple[float, float, float, float], start, ray, light):
    """A lamp in front of the wall: a ball."""
    x, y, radius, off = lamp
    apart = [start[0] - np.float32(x), start[1] - np.float32(y), start[2] - np.float32(off + radius)]
    a, b = sum(one**2 for one in ray), sum(one * two for one, two in zip(apart, ray, strict=True))
    root = b * b - a * (sum(one**2 for one in apart) - radius**2)
    share = (-b - np.sqrt(np.maximum(root, 0))) / a
    up = (start[1] + share * ray[1] - y) / radius
    return np.where(root > 0, 0.6 + 0.3 * up, light).astype(np.float32)


def _sensor(told: PhotoTold, light: Array, number: int, rng: np.random.Generator) -> np.ndarray:
    """Light (rows, cols) as a file shows it: vignetting, blur, shake, photons, tone curve and eight bits."""
    high, wide = light.shape
    down, across = ((np.arange(side, dtype=np.float32) - side / 2) / (wide / 2) for side in (high, wide))
    light = (
        light * (1 - 0.22 * (down[:, None] ** 2 + across**2)) * np.exp(rng.normal(0, told.exposure), dtype=np.float32)
    )
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), told.blur)
    if told.motion.get(number):
        light = cv2.filter2D(light, -1, _shaken(told.motion[number], rng.uniform(0, np.pi)))
    colours = [_noisy(told, light * tint, rng) for tint in (np.float32(0.86), np.float32(0.95), np.float32(1.0))]
    tone = np.clip(cv2.merge(colours), 0, 1) ** np.float32(1 / 2.2)
    if "sharpened" in told.odd:
        tone = tone + 0.9 * (tone - cv2.GaussianBlur(tone, (0, 0), 1.1))
    return cv2.convertScaleAbs(np.maximum(tone, 0) * 255)


def _noisy(told: PhotoTold, light: Array, rng: np.random.Generator) -> Array:
    """With the noise of photons and of reading, which Student's distribution replaces where it is odd."""
    noise = rng.standard_normal(light.shape, np.float32)
    if "student" in told.odd:  # three degrees of freedom: tails far beyond Gauss's
        noise = noise / np.sqrt(rng.standard_gamma(1.5, light.shape, np.float32) / np.float32(1.5))
    return light + np.float32(told.noise) * np.sqrt(0.45 * np.maximum(light, 0) + 0.01) * noise


def _shaken(length: float, way: float) -> Array:
    """A line of so many pixels that the camera drew while it was open."""
    side = 2 * int(length / 2) + 3
    kernel = np.zeros((side, side), np.float32)
    half = length / 2 * np.array([np.cos(way), np.sin(way)])
    ends = [tuple(int(v) for v in np.round((side // 2 + sign * half) * 16)) for sign in (-1, 1)]
    cv2.line(kernel, *ends, 1.0, 1, cv2.LINE_AA, 4)
    return kernel / kernel.sum()


def save(file: Path, picture: np.ndarray, quality: int, *, focal35: float) -> None:
    """A JPEG with the focal length a phone writes beside it: whole millimetres of a 35 mm camera."""
    from PIL import Image

    image = Image.fromarray(np.ascontiguousarray(picture[..., ::-1]))
    exif = Image.Exif()
    exif[0x0132] = "2024:05:03 10:11:12"
    inner = exif.get_ifd(0x8769)
    inner[0xA405], inner[0x920A] = round(focal35), round(focal35 / 7.2, 2)
    image.save(file, quality=quality, exif=exif, subsampling=2)


def main() -> None:
    """Write a folder."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--out", type=Path, required=True)
    asked.add_argument("--look", default="blocks")
    asked.add_argument("--megapixels", type=float, default=2.0)
    asked.add_argument("--width", type=float, default=3.6)
    asked.add_argument("--height", type=float, default=2.4)
    asked.add_argument("--distance", type=float, default=2.0)
    asked.add_argument("--overlap", type=float, default=0.7)
    asked.add_argument("--odd", default="", help=f"of {', '.join(ODD)}, with commas")
    asked.add_argument("--still", default="", choices=["", "one", "turn"], help="all photos from one place")
    asked.add_argument("--scale", default="targets", choices=["targets", "distances", "size", "print", "none"])
    asked.add_argument("--furnished", action="store_true", help="a window, a door, a pipe and a lamp")
    asked.add_argument("--open-air", action="store_true")
    asked.add_argument("--seed", type=int, default=1)
    told = asked.parse_args()
    rng = np.random.default_rng(told.seed)
    humps = tuple(
        (rng.uniform(0.2, 0.8) * told.width, rng.uniform(0.2, 0.8) * told.height, proud, rng.uniform(0.15, 0.3))
        for proud in (0.006, -0.004)
    )
    wall = WallTold(told.width, told.height, told.look, humps=humps, seed=told.seed)
    if told.furnished:
        wall = furnished(wall)
    photo = PhotoTold(told.megapixels, told.distance, told.overlap, odd=tuple(filter(None, told.odd.split(","))),
                      open_air=told.open_air, still=told.still, seed=told.seed)  # fmt: skip
    room = PhotoRoom(wall, photo)
    room.write(told.out, scale=told.scale)
    print(f"{len(room.poses)} photos of {photo.size[0]} x {photo.size[1]} in {told.out}")


def furnished(wall: WallTold) -> WallTold:
    """The same wall with a window, a door where it is long enough, a pipe and a lamp."""
    wide, high = wall.width, wall.height
    openings = [("window", 0.55 * wide, 0.42 * high, 0.24 * wide, 0.36 * high, 0.11)]
    if wide > 3.0:
        openings.append(("door", 0.12 * wide, 0.0, 0.82, min(2.02, 0.85 * high), 0.11))
    return replace(wall, openings=tuple(openings), pipes=((0.93 * wide, 0.012, 0.03),),
                   lamps=((0.46 * wide, 0.72 * high, 0.05, 0.04),))  # fmt: skip


if __name__ == "__main__":
    main()
