"""Walls with things hanging on them, and walls with features of their own, scanned by ray casting.

`scene_of(kind, seed)` draws a wall of one kind at random: `OBJECTS` are things that are not the wall, `FEATURES` belong
to it. `scanned(scene)` gives its points in wall coordinates. The wall's surface is a formula (any shape at any
fineness costs nothing), what hangs on it are triangles met by open3d's rays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import map_coordinates

Array = np.ndarray
OBJECTS = (
    "frame",
    "lamp",
    "shelf",
    "leaves",
    "cable",
    "socket",
    "board",
    "skirting",
    "lining",
    "casing",
)
FEATURES = ("nib", "lump", "snots", "ridge", "step", "joints", "course", "block", "hump", "ledge", "chase", "bare")
DOOR = (0.5, 0.85, 2.05)
MESH = 0.005


@dataclass
class Scene:
    """A wall of known shape: ``surface`` (x, y -> z) [m], triangles before it, and how it is scanned."""

    kind: str
    width: float
    height: float
    surface: Callable[[Array, Array], Array]
    density: float
    noise: float
    mixed: float
    stands: tuple[tuple[float, float, float], ...]
    seed: int
    parts: list[Callable[[Array, Array], Array]] = field(default_factory=list)
    vertices: list[Array] = field(default_factory=list)
    triangles: list[Array] = field(default_factory=list)
    footprints: list[tuple[float, float, float, float]] = field(default_factory=list)
    door: tuple[float, float, float] | None = None
    proud: float = 0.0
    seat: float = 0.0
    flat: bool = False

    def offset(self, x: Array, y: Array) -> Array:
        """The wall's true offset [m]."""
        return self.surface(x, y) + sum((part(x, y) for part in self.parts), np.zeros(np.shape(x)))

    def add(self, vertices: Array, triangles: Array) -> None:
        """Triangles before the wall."""
        start = sum(len(v) for v in self.vertices)
        self.vertices.append(np.asarray(vertices, float))
        self.triangles.append(np.asarray(triangles, int) + start)

    def quad(self, a: Array, b: Array, c: Array, d: Array) -> None:
        """Two triangles."""
        self.add(np.stack([a, b, c, d]), np.array([[0, 1, 2], [0, 2, 3]]))

    def box(self, x0: float, y0: float, x1: float, y1: float, thick: float, back: float | None = None) -> None:
        """A box on the wall: its face lies ``thick`` before the wall's middle there."""
        z = float(self.surface(np.array((x0 + x1) / 2), np.array((y0 + y1) / 2)))
        low, high = np.array([x0, y0, z + (-0.02 if back is None else back)]), np.array([x1, y1, z + thick])
        p = np.array([[(high if k >> i & 1 else low)[i] for i in range(3)] for k in range(8)])
        for face in ((0, 1, 3, 2), (4, 5, 7, 6), (0, 1, 5, 4), (2, 3, 7, 6), (0, 2, 6, 4), (1, 3, 7, 5)):
            self.quad(*p[list(face)])


def rough(rng: np.random.Generator, width: float, height: float) -> Callable[[Array, Array], Array]:
    """An uneven wall: lean, bellies, and a warp whose waves of 0.15 to 5 m have amplitudes like the wavelength."""
    lean, turn = rng.normal(0, 0.002, 2)
    belly = rng.normal(0, 0.004, 2)
    count = 40
    wave = np.exp(rng.uniform(np.log(0.15), np.log(5.0), count))
    angle, phase = rng.uniform(0, 2 * np.pi, (2, count))
    size = wave * rng.rayleigh(1.0, count)
    size *= np.exp(rng.uniform(np.log(0.0003), np.log(0.003))) / np.sqrt((size**2).sum() / 2)
    a, b = 2 * np.pi * np.cos(angle) / wave, 2 * np.pi * np.sin(angle) / wave
    grain = np.exp(rng.uniform(np.log(2e-5), np.log(4e-4)))
    fine = rng.uniform(60, 300, (2, 12))
    turns = rng.uniform(0, 2 * np.pi, 12)
    # on a fine mesh once, as sums of products of what varies along and up; between its lines bilinear
    x, y = (np.arange(-1, int(extent / MESH) + 3) * MESH for extent in (width, height))
    u, v = np.outer(a, x), np.outer(b, y) + phase[:, None]
    table = (size[:, None] * np.sin(v)).T @ np.cos(u) + (size[:, None] * np.cos(v)).T @ np.sin(u)
    across, upward = np.sin(np.outer(fine[0], x) + turns[:, None]), np.sin(np.outer(fine[1], y) - turns[:, None])
    table += grain / 3 * upward.T @ across
    table += lean * y[:, None] + turn * x + belly[0] * (1 - (2 * x / width - 1) ** 2)
    table += belly[1] * (1 - (2 * y[:, None] / height - 1) ** 2)

    def surface(x: Array, y: Array) -> Array:
        at = np.stack([np.asarray(y, float) / MESH + 1, np.asarray(x, float) / MESH + 1])
        return map_coordinates(table, at.reshape(2, -1), order=1, mode="nearest").reshape(at.shape[1:])

    return surface


def scene_of(kind: str, seed: int) -> Scene:
    """A wall with what is named, drawn at random: size, roughness, density, noise, mixed pixels and places."""
    rng = np.random.default_rng([seed, (*OBJECTS, *FEATURES).index(kind)])
    width, height = rng.uniform(3.0, 4.6), rng.uniform(2.3, 2.7)
    scene = Scene(
        kind,
        width,
        height,
        rough(rng, width, height),
        density=float(np.exp(rng.uniform(np.log(2_000), np.log(60_000)))),
        noise=float(np.exp(rng.uniform(np.log(0.0005), np.log(0.004)))),
        mixed=float(rng.uniform(0.2, 0.9)),
        stands=tuple(
            (float(rng.uniform(0.2, 0.8) * width), 1.4, float(rng.uniform(1.6, 3.2))) for _ in range(rng.integers(1, 4))
        ),
        seed=seed,
    )
    _MAKERS[kind](scene, rng)
    return scene


def _spot(
    scene: Scene, rng: np.random.Generator, wide: float, tall: float, margin: float = 0.15
) -> tuple[float, float]:
    x = rng.uniform(margin, max(margin + 1e-3, scene.width - margin - wide))
    return x, rng.uniform(margin, max(margin + 1e-3, scene.height - margin - tall))


def _frame(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(rng.integers(1, 4)):
        w, h, t = rng.uniform(0.22, 0.9), rng.uniform(0.18, 0.8), rng.uniform(0.008, 0.045)
        x, y = _spot(scene, rng, w, h)
        if rng.random() < 0.5:
            scene.box(x, y, x + w, y + h, t)
        else:
            rim, back = rng.uniform(0.015, 0.05), t - rng.uniform(0.002, 0.006)
            scene.box(x, y, x + w, y + h, back)
            for x0, y0, x1, y1 in (
                (x, y, x + w, y + rim),
                (x, y + h - rim, x + w, y + h),
                (x, y, x + rim, y + h),
                (x + w - rim, y, x + w, y + h),
            ):
                scene.box(x0, y0, x1, y1, t)
        scene.footprints.append((x, y, x + w, y + h))


def _lamp(scene: Scene, rng: np.random.Generator) -> None:
    r, depth = rng.uniform(0.075, 0.2), rng.uniform(0.04, 0.11)
    x, y = _spot(scene, rng, 2 * r, 2 * r)
    _disc(scene, x + r, y + r, r, depth, rng.uniform(0.3, 1.0))
    scene.footprints.append((x, y, x + 2 * r, y + 2 * r))


def _disc(scene: Scene, x: float, y: float, r: float, depth: float, taper: float) -> None:
    turn = np.linspace(0, 2 * np.pi, 33)[:-1]
    z = float(scene.surface(np.array(x), np.array(y)))
    ring = np.stack([np.cos(turn), np.sin(turn)], 1)
    low = np.column_stack([x + r * ring[:, 0], y + r * ring[:, 1], np.full(32, z)])
    top = np.column_stack([x + taper * r * ring[:, 0], y + taper * r * ring[:, 1], np.full(32, z + depth)])
    i, j = np.arange(32), (np.arange(32) + 1) % 32
    sides = np.concatenate([np.stack([i, j, 32 + j], 1), np.stack([i, 32 + j, 32 + i], 1)])
    lid = np.stack([32 + i, 32 + j, np.full(32, 64)], 1)
    scene.add(np.concatenate([low, top, [[x, y, z + depth]]]), np.concatenate([sides, lid]))


def _shelf(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(rng.integers(1, 3)):
        w, t, deep = rng.uniform(0.5, 1.3), rng.uniform(0.02, 0.045), rng.uniform(0.06, 0.11)
        x, y = _spot(scene, rng, w, t)
        scene.box(x, y, x + w, y + t, deep)
        scene.footprints.append((x, y, x + w, y + t))


def _leaves(scene: Scene, rng: np.random.Generator) -> None:
    w, h = rng.uniform(0.35, 0.9), rng.uniform(0.35, 0.9)
    x, y = _spot(scene, rng, w, h, 0.05)
    for _ in range(int(rng.uniform(500, 2500) * w * h)):
        middle = np.array([x + w * rng.random(), y + h * rng.random(), rng.uniform(0.012, 0.11)])
        middle[2] += float(scene.surface(middle[0], middle[1]))
        long, wide = rng.uniform(0.03, 0.09), rng.uniform(0.015, 0.04)
        one = rng.normal(size=3) * (1, 1, 0.4)
        one /= np.linalg.norm(one)
        two = np.cross(one, rng.normal(size=3) * (0.4, 0.4, 1))
        two /= np.linalg.norm(two)
        scene.quad(middle - long / 2 * one, middle + wide / 2 * two, middle + long / 2 * one, middle - wide / 2 * two)
    scene.footprints.append((x, y, x + w, y + h))


def _cable(scene: Scene, rng: np.random.Generator) -> None:
    d = rng.uniform(0.006, 0.015)
    at = np.array([rng.uniform(0.3, scene.width - 0.3), rng.uniform(0.2, scene.height - 0.2)])
    heading = rng.choice([0.0, np.pi / 2, np.pi, -np.pi / 2]) if rng.random() < 0.4 else rng.uniform(0, 2 * np.pi)
    bend = rng.choice([0.0, rng.uniform(0.1, 0.5)])
    for _ in range(int(rng.uniform(1.0, 3.0) / 0.05)):
        step = at + 0.05 * np.array([np.cos(heading), np.sin(heading)])
        if not (0.02 < step[0] < scene.width - 0.02 and 0.02 < step[1] < scene.height - 0.02):
            break
        _rod(scene, at, step, d)
        at, heading = step, heading + bend * rng.normal()


def _rod(scene: Scene, start: Array, stop: Array, d: float) -> None:
    """A round rod of eight sides lying on the wall."""
    along = (stop - start) / np.linalg.norm(stop - start)
    side = np.array([-along[1], along[0]])
    turn = np.linspace(0, 2 * np.pi, 9)[:-1]
    ends = []
    for at in (start - 0.005 * along, stop + 0.005 * along):
        z = float(scene.surface(at[0], at[1])) + d / 2
        ring = at + d / 2 * np.cos(turn)[:, None] * side
        ends.append(np.column_stack([ring, z + d / 2 * np.sin(turn)]))
    i, j = np.arange(8), (np.arange(8) + 1) % 8
    scene.add(np.concatenate(ends), np.concatenate([np.stack([i, j, 8 + j], 1), np.stack([i, 8 + j, 8 + i], 1)]))


def _socket(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(rng.integers(1, 4)):
        w, h = (0.086, 0.086) if rng.random() < 0.5 else (0.146, 0.086)
        x, y = _spot(scene, rng, w, h)
        scene.box(x, y, x + w, y + h, rng.uniform(0.006, 0.012))
        scene.footprints.append((x, y, x + w, y + h))


def _board(scene: Scene, rng: np.random.Generator) -> None:
    w, h, t = rng.uniform(0.3, 1.3), rng.uniform(0.08, 0.7), rng.uniform(0.004, 0.025)
    x, y = _spot(scene, rng, w, h)
    scene.box(x, y, x + w, y + h, t)
    scene.footprints.append((x, y, x + w, y + h))


def _skirting(scene: Scene, rng: np.random.Generator) -> None:
    h, t = rng.uniform(0.06, 0.18), rng.uniform(0.008, 0.022)
    z = float(np.max(scene.surface(np.linspace(0, scene.width, 50), np.full(50, h / 2)))) * 0
    for x in np.arange(0, scene.width, 0.25):
        scene.box(x, 0.0, min(x + 0.25, scene.width), h, t + z)
    scene.footprints.append((0.0, 0.0, scene.width, h))


def _lining(scene: Scene, rng: np.random.Generator) -> None:
    w, t = rng.uniform(0.05, 0.095), rng.uniform(0.010, 0.022)
    left = rng.uniform(0.4, scene.width - DOOR[1] - 0.4)
    scene.door = (left, DOOR[1], DOOR[2])
    right, top = left + DOOR[1], DOOR[2]
    for x0, y0, x1, y1 in (
        (left - w, 0.0, left, top + w),
        (right, 0.0, right + w, top + w),
        (left, top, right, top + w),
    ):
        scene.box(x0, y0, x1, y1, t)
        scene.footprints.append((x0, y0, x1, y1))
    leaf = [(left, 0, -0.07), (right, 0, -0.07), (right, top, -0.07), (left, top, -0.07)]
    scene.quad(*(np.array(p, float) for p in leaf))


def _casing(scene: Scene, rng: np.random.Generator) -> None:
    w, t = rng.uniform(0.03, 0.25), rng.uniform(0.012, 0.11)
    if rng.random() < 0.5:
        x = rng.uniform(0.2, scene.width - 0.5)
        box = (x, 0.0, x + w, scene.height)
    else:
        x, y = _spot(scene, rng, 0.9, w)
        box = (x, y, x + rng.uniform(0.5, 0.9), y + w)
    scene.box(*box, t)
    scene.footprints.append(box)


def _bump(
    x: float, y: float, a: float, b: float, turn: float, h: float, edge: float
) -> Callable[[Array, Array], Array]:
    c, s = np.cos(turn), np.sin(turn)

    def part(at_x: Array, at_y: Array) -> Array:
        u, v = (c * (at_x - x) + s * (at_y - y)) / a, (-s * (at_x - x) + c * (at_y - y)) / b
        return h * np.exp(-np.log(2) * (u**2 + v**2) ** edge)

    return part


def _nib(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(rng.integers(1, 5)):
        a = rng.uniform(0.012, 0.045)
        x, y = _spot(scene, rng, 0.0, 0.0)
        b = a * rng.uniform(1, 4)
        scene.parts.append(_bump(x, y, a, b, rng.uniform(0, 3.2), rng.uniform(0.003, 0.012), rng.uniform(1, 3)))


def _lump(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(rng.integers(1, 4)):
        x, y = _spot(scene, rng, 0.0, 0.0)
        size, h = rng.uniform(0.02, 0.065), rng.uniform(0.005, 0.022)
        scene.parts.append(_bump(x, y, size, size * rng.uniform(0.7, 1.4), rng.uniform(0, 3), h, rng.uniform(1, 4)))
        for _ in range(rng.integers(0, 4)):
            dx, dy = rng.normal(0, size, 2)
            scene.parts.append(_bump(x + dx, y + dy, size / 2, size / 3, rng.uniform(0, 3), h / 3, 1.5))


def _snots(scene: Scene, rng: np.random.Generator) -> None:
    for line in rng.choice(np.arange(0.3, scene.height - 0.2, 0.225), 3, replace=False):
        for x in rng.uniform(0.2, scene.width - 0.2, rng.integers(2, 7)):
            a, b = rng.uniform(0.015, 0.08), rng.uniform(0.006, 0.016)
            scene.parts.append(_bump(x, line, a, b, rng.normal(0, 0.1), rng.uniform(0.004, 0.014), rng.uniform(1, 2.5)))


def _ridge(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(rng.integers(1, 4)):
        x, y = _spot(scene, rng, 0.0, 0.0, 0.4)
        long, wide = rng.uniform(0.1, 0.8), rng.uniform(0.012, 0.03)
        scene.parts.append(_bump(x, y, long, wide, rng.uniform(0, 3.2), rng.uniform(0.002, 0.006), rng.uniform(1, 2)))


def _step(scene: Scene, rng: np.random.Generator) -> None:
    h = rng.uniform(0.001, 0.005) * rng.choice([-1, 1])
    tilt = rng.normal(0, 0.0008, 2)
    upright = rng.random() < 0.6
    at = rng.uniform(0.15, 0.85) * (scene.width if upright else scene.height)

    def part(x: Array, y: Array) -> Array:
        v = (x if upright else y) - at
        return np.where(v > 0, h + tilt[0] * v + tilt[1] * (y if upright else x), 0.0)

    scene.parts.append(part)


def _joints(scene: Scene, rng: np.random.Generator) -> None:
    tall, long = rng.choice([0.075, 0.2, 0.225]), rng.choice([0.225, 0.45])
    deep, wide = rng.uniform(-0.006, 0.003), rng.uniform(0.008, 0.012)
    lift = rng.normal(0, rng.uniform(0, 0.0012), (60, 60))

    def part(x: Array, y: Array) -> Array:
        row = np.floor(y / tall).astype(int)
        shifted = x + (row % 2) * long / 2
        joint = (y - row * tall < wide) | (shifted % long < wide)
        return np.where(joint, deep, lift[row % 60, np.floor(shifted / long).astype(int) % 60])

    scene.parts.append(part)


def _course(scene: Scene, rng: np.random.Generator) -> None:
    tall, long, h = rng.uniform(0.190, 0.215), rng.choice([0.39, 0.44]), rng.uniform(0.003, 0.012)
    y0 = rng.uniform(0.1, scene.height - 0.35)
    across = rng.random() < 0.5
    x0 = 0.0 if across or rng.random() < 0.5 else rng.uniform(0.3, 1.2)
    x1 = scene.width if across else x0 + long * rng.integers(2, 6)
    vary = rng.normal(0, rng.choice([0.0, 0.0007]), 40)

    def part(x: Array, y: Array) -> Array:
        inside = (y > y0) & (y < y0 + tall) & (x > x0) & (x < x1)
        number = np.clip(((x - x0) / long).astype(int), 0, 39)
        return np.where(inside, h + vary[number], 0.0)

    scene.parts.append(part)


def _block(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(rng.integers(1, 3)):
        w, tall = ((0.44, 0.215), (0.39, 0.19), (0.215, 0.065), (0.215, 0.215))[rng.integers(4)]
        x0, y0 = _spot(scene, rng, w, tall)
        h, tilt = rng.uniform(0.003, 0.012), rng.normal(0, 0.004, 2)

        def part(x: Array, y: Array, x0=x0, y0=y0, w=w, tall=tall, h=h, tilt=tilt) -> Array:
            u, v = x - x0, y - y0
            inside = (u > 0) & (u < w) & (v > 0) & (v < tall)
            return np.where(inside, h + tilt[0] * (u - w / 2) + tilt[1] * (v - tall / 2), 0.0)

        scene.parts.append(part)


def _hump(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(rng.integers(1, 4)):
        a = rng.uniform(0.08, 0.4)
        x, y = _spot(scene, rng, 0.0, 0.0)
        b = a * rng.uniform(0.6, 1.7)
        scene.parts.append(_bump(x, y, a, b, rng.uniform(0, 3), rng.uniform(0.004, 0.02), rng.uniform(0.8, 1.3)))


def _ledge(scene: Scene, rng: np.random.Generator) -> None:
    h, at = rng.uniform(0.004, 0.02), rng.uniform(0.5, 1.3)
    scene.parts.append(lambda x, y: np.where(y < at, h, 0.0) + 0 * x)


def _chase(scene: Scene, rng: np.random.Generator) -> None:
    wide, deep = rng.uniform(0.02, 0.12), rng.uniform(0.005, 0.03)
    at, stop = rng.uniform(0.4, scene.width - 0.4), rng.uniform(0.4, 2.0)
    scene.parts.append(lambda x, y: np.where((np.abs(x - at) < wide / 2) & (y < stop), -deep, 0.0))
    left, low = _spot(scene, rng, 0.1, 0.1)
    scene.parts.append(lambda x, y: np.where((np.abs(x - left) < 0.06) & (np.abs(y - low) < 0.06), -0.02, 0.0))


def _bare(scene: Scene, rng: np.random.Generator) -> None:
    del scene, rng


_MAKERS: dict[str, Callable[[Scene, np.random.Generator], None]] = {
    "frame": _frame, "lamp": _lamp, "shelf": _shelf, "leaves": _leaves, "cable": _cable, "socket": _socket,
    "board": _board, "skirting": _skirting, "lining": _lining, "casing": _casing,
    "nib": _nib, "lump": _lump, "snots": _snots, "ridge": _ridge, "step": _step, "joints": _joints,
    "course": _course, "block": _block, "hump": _hump, "ledge": _ledge, "chase": _chase, "bare": _bare,
}  # fmt: skip


def scanned(scene: Scene) -> Array:
    """Points (n, 3) of the wall and what hangs on it, in wall coordinates [m], with range noise and mixed pixels.

    Rays are aimed evenly over the wall from every stand. A second ray, off by the beam's width, hits another surface
    at an edge: for the share ``mixed`` of such rays the range lies anywhere between the two.
    """
    rng = np.random.default_rng([scene.seed, 77])
    caster = _caster(scene)
    points = []
    for stand in scene.stands:
        count = int(scene.density * scene.width * scene.height / len(scene.stands))
        at = np.asarray(stand, float)
        target = np.stack([rng.uniform(0, scene.width, count), rng.uniform(0, scene.height, count), np.zeros(count)], 1)
        rays = target - at
        rays /= np.linalg.norm(rays, axis=1, keepdims=True)
        nudged = rays + rng.normal(scale=np.radians(0.08), size=rays.shape)
        nudged /= np.linalg.norm(nudged, axis=1, keepdims=True)
        reach, beside = (_reach(scene, caster, at, way) for way in (rays, nudged))
        smear = (rng.random(count) < scene.mixed) & np.isfinite(reach) & np.isfinite(beside)
        gap = np.where(smear, np.nan_to_num(beside, posinf=0.0) - np.nan_to_num(reach, posinf=0.0), 0.0)
        reach = reach + rng.random(count) * gap + rng.normal(scale=scene.noise, size=count)
        points.append((at + reach[:, None] * rays)[np.isfinite(reach)])
    return np.concatenate(points)


def _caster(scene: Scene):
    if not scene.vertices:
        return None
    import open3d as o3d

    caster = o3d.t.geometry.RaycastingScene()
    caster.add_triangles(
        o3d.core.Tensor(np.concatenate(scene.vertices).astype(np.float32)),
        o3d.core.Tensor(np.concatenate(scene.triangles).astype(np.uint32)),
    )
    return caster


def _reach(scene: Scene, caster, at: Array, rays: Array) -> Array:
    """Range [m] to what each ray meets first: the wall's formula (three rounds) or a triangle; inf for a doorway."""
    reach = -at[2] / rays[:, 2]
    for _ in range(3):
        hit = at + reach[:, None] * rays
        reach = (scene.offset(hit[:, 0], hit[:, 1]) - at[2]) / rays[:, 2]
    hit = at + reach[:, None] * rays
    off = (hit[:, 0] < 0) | (hit[:, 0] > scene.width) | (hit[:, 1] < 0) | (hit[:, 1] > scene.height)
    if scene.door is not None:
        left, wide, top = scene.door
        off |= (hit[:, 0] > left) & (hit[:, 0] < left + wide) & (hit[:, 1] < top)
    reach[off] = np.inf
    if caster is None:
        return reach
    import open3d as o3d

    both = np.hstack([np.broadcast_to(at, rays.shape), rays]).astype(np.float32)
    return np.minimum(reach, caster.cast_rays(o3d.core.Tensor(both))["t_hit"].numpy().astype(float))


def heights_over(scene: Scene, x: Array, y: Array, cell: float) -> Array:
    """How far the highest thing in each cell stands over the wall [m], looked at straight on at nine places a cell."""
    best = np.zeros(np.shape(x))
    caster = _caster(scene)
    if caster is None:
        return best
    import open3d as o3d

    base = scene.offset(x, y)
    for dx in (-0.33, 0.0, 0.33):
        for dy in (-0.33, 0.0, 0.33):
            rays = np.stack([x + dx * cell, y + dy * cell, 1.0 + 0 * x, 0 * x, 0 * x, -1.0 + 0 * x], axis=-1)
            reach = caster.cast_rays(o3d.core.Tensor(rays.astype(np.float32)))["t_hit"].numpy().astype(float)
            best = np.maximum(best, np.where(np.isfinite(reach) & (reach < 1.05), 1.0 - reach - base, 0.0))
    return best
