"""Drawn photographs of a laser line, as hard as real ones, with the line's true place in every row.

Used by the tests and by scripts/prove_line.py. What happens to the light follows a camera and a wall, and nothing of
how flatscan looks for the line: profiles that are no Gaussians, albedo with edges, gloss, speckle, a lens that blurs
more to one side and throws light about, photons, wells that fill and spill over, a Bayer pattern and demosaicing by
three ways, a colour matrix, sharpening with halos, tone mapping by place, exposures put together, a tone curve (IEC
61966-2-1), JPEG with halved colour, and a hand that moves while a shutter reads row by row.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from flatscan.core.geometry import Array

FINE = 3  # the scene is drawn so many times finer across than the picture, and twice as fine up
UPWARD = 2


@dataclass(frozen=True)
class Kind:
    """A kind of picture: wall, light, lens, sensor and file; lengths in pixels, light as a share of a full well.

    ``laser`` is what red, green and blue wells see of the line, ``power`` its brightest light on white, ``wide`` its
    full width at half height on the wall, ``blur`` the lens's sigma at both ends of the line, ``contrast`` a
    camera's setting turned up, which caps light below the largest value. ``off`` tells whether there is a picture
    without the laser. ``tails`` are the degrees of freedom of Student's noise, 0 for normal; ``unsharp`` and
    ``radius`` a sharpening with halos, ``local`` the power of tone mapping by place, ``exposures`` how many are put
    together, ``sway`` how far [pixels] a hand moves the camera while the rows are read, and between the pictures.
    ``relief`` is the wall's own roughness [pixels of the line's place].
    """

    wall: str = "plain"
    shape: str = "gauss"
    laser: tuple[float, float, float] = (1.0, 0.08, 0.02)
    power: float = 0.7
    wide: float = 5.0
    ambient: float = 0.06
    albedo: float = 0.8
    blur: tuple[float, float] = (0.8, 0.8)
    coma: float = 0.0
    halo: float = 0.01
    speckle: float = 0.12
    grain: float = 0.7
    gloss: float = 0.0
    spill: float = 0.0
    well: float = 6000.0
    read: float = 0.0015
    bayer: str = "plain"
    crossing: float = 0.12
    sharpen: float = 0.3
    jpeg: int = 92
    contrast: float = 0.0
    bands: float = 0.0
    mirror: float = 0.0
    off: bool = True
    tails: float = 0.0
    unsharp: float = 0.0
    radius: float = 3.0
    local: float = 0.0
    exposures: int = 1
    sway: float = 0.0
    relief: float = 0.0


@dataclass(frozen=True, eq=False)
class Photo:
    """Pictures ``on`` and ``off`` (rows, cols, 3) and the line's ``true`` place (rows,) across, [pixels].

    Where the camera moved, the place is that on the picture without the laser, which shows where the wall is. ``tone``
    (rows,) tells where the wall's albedo changes within the light of the line.
    """

    on: np.ndarray
    off: np.ndarray | None
    true: Array
    tone: np.ndarray


def draw(kind: Kind, rng: np.random.Generator, *, rows: int = 540, cols: int = 240) -> Photo:
    """One photo of a kind; the line leans and bends a little, as on a wall that is not flat."""
    # how a camera moved shows on the wall beside the line
    cols *= 3 if kind.sway else 1
    down = (np.arange(rows * UPWARD) + 0.5) / UPWARD - 0.5
    middle = cols / 2 + rng.uniform(-20, 20) + rng.uniform(-0.05, 0.05) * (down - rows / 2)
    middle += 3.0 * np.sin(2 * np.pi * down / rng.uniform(300, 500) + rng.uniform(0, 6))
    if kind.relief:
        rough = cv2.GaussianBlur(rng.normal(0, 1, (len(down), 1)), (0, 0), sigmaX=1, sigmaY=1.5 * UPWARD)[:, 0]
        middle += rough * (kind.relief / rough.std())
    x = (np.arange(cols * FINE) + 0.5) / FINE - 0.5
    albedo = wall_of(kind, x, down, rng)
    light = profile(kind.shape, (x[None, :] - middle[:, None]) / kind.wide)
    light = _shown(kind, light, x, middle, down, rng) * kind.power
    scene, dim = albedo * light, albedo * kind.ambient
    # a hand sways while rows are read: another part of its way in each picture
    way = kind.sway and _way(kind, down, rng)
    lit = _lens(kind, _moved(scene, way))
    pictures = []
    for power in (1.0, 0.0):
        flicker = 1 + 0.15 * kind.bands * np.sin(np.arange(rows) / 37.0 + rng.uniform(0, 6))[:, None]
        room = _lens(kind, _moved(dim, way) if power else dim)
        pictures.append(seen_by(kind, room * flicker, power * lit, rng))
    true = middle.reshape(rows, UPWARD).mean(axis=1)
    return Photo(pictures[0], pictures[1] if kind.off else None, true, _tone_changes(kind, albedo, x, true))


def seen_by(kind: Kind, room: Array, lit: Array, rng: np.random.Generator) -> np.ndarray:
    """A picture (rows, cols, 3) of light on the sensor (rows, cols): the room's, and the laser's beside it."""
    wells = np.stack([room * tint + lit * seen for tint, seen in _seen(kind)], axis=-1)
    return _file(kind, _put_together(kind, wells, rng))


def _seen(kind: Kind) -> tuple[tuple[float, float], ...]:
    return tuple(zip((0.9, 1.0, 0.8), kind.laser, strict=True))


def profile(shape: str, off: Array) -> Array:
    """Light of a line at ``off`` full widths from its middle, brightest 1; the middle is where half lies each side."""
    if shape == "gauss":
        return np.exp(-4 * np.log(2) * off**2)
    if shape == "tails":  # a narrow core on a broad foot: cheap rod lenses
        return 0.85 * np.exp(-4 * np.log(2) * (off / 0.92) ** 2) + 0.15 / (1 + (2 * off / 1.6) ** 2) ** 1.5
    if shape == "flat":  # a flat top with fringes at its edges
        top = 1 / (1 + np.exp((np.abs(off) - 0.5) / 0.05))
        return top * (1 - 0.15 * np.cos(14 * off))
    if shape == "twin":  # two lobes of unlike strength, as of a diode with two modes; the half of it lies at 0
        lobes = [np.exp(-4 * np.log(2) * ((off - at) / 0.6) ** 2) for at in (-0.367, 0.253)]
        return (0.8 * lobes[0] + lobes[1]) / 1.05
    if shape == "skew":  # one flank steeper: a diode a little off its lens
        steep = np.where(off > 0.054, 1.1, 0.9)
        return np.exp(-4 * np.log(2) * ((off - 0.054) * steep) ** 2)
    raise ValueError(shape)


def wall_of(kind: Kind, x: Array, down: Array, rng: np.random.Generator) -> Array:
    """Albedo (fine rows, fine cols) of a wall."""
    rows, cols = len(down), len(x)
    plain = np.full((rows, cols), kind.albedo)
    across, along = np.meshgrid(x + rng.uniform(0, 90), down + rng.uniform(0, 90))
    turn = rng.uniform(-0.25, 0.25)
    across, along = across * np.cos(turn) - along * np.sin(turn), across * np.sin(turn) + along * np.cos(turn)
    if kind.wall == "circles":
        dark = np.hypot((across % 64) - 32, (along % 60) - 30) < 18
        return np.where(dark, 0.08, plain)
    if kind.wall == "squares":
        return np.where((np.floor(across / 45) + np.floor(along / 45)) % 2 == 0, plain, 0.06)
    if kind.wall == "joints":
        joint = ((along % 75) < 10) | (((across + 70 * (np.floor(along / 75) % 2)) % 160) < 10)
        return np.where(joint, 0.35, plain * 0.7) * _texture(rng, rows, cols, 6.0, 0.06)
    if kind.wall == "paint":
        return np.where(across + 0.35 * along > np.median(across + 0.35 * along), 0.15, plain)
    if kind.wall == "rough":
        return plain * 0.7 * _texture(rng, rows, cols, 2.0, 0.12) * _texture(rng, rows, cols, 9.0, 0.12)
    return plain


def _texture(rng: np.random.Generator, rows: int, cols: int, size: float, spread: float) -> Array:
    """Factors about 1 that vary over ``size`` pixels."""
    grain = rng.normal(0, 1, (rows, cols))
    grain = cv2.GaussianBlur(grain, (0, 0), sigmaX=size * FINE / 2, sigmaY=size * UPWARD / 2)
    return np.clip(1 + grain * (spread / grain.std()), 0.1, None)


def _shown(kind: Kind, light: Array, x: Array, middle: Array, down: Array, rng: np.random.Generator) -> Array:
    """The line with its speckle, gloss, mirror image and the bands a rolling shutter makes of a pulsed laser."""
    speckle = _texture(rng, *light.shape, 2 * kind.grain, kind.speckle)
    shown = light * speckle
    if kind.gloss:
        spot = np.exp(-(((down - rng.uniform(0.3, 0.7) * down[-1]) / 40) ** 2))
        shown = shown * (1 + 12 * kind.gloss * spot[:, None])
        flare = np.exp(-(((x[None, :] - middle[:, None] - 9) / 7) ** 2))
        shown = shown + 0.25 * kind.gloss * spot[:, None] * flare
    if kind.bands:
        shown = shown * (1 - kind.bands * (0.5 + 0.5 * np.sign(np.sin(down / 11.0))))[:, None]
    if kind.mirror:
        other = profile(kind.shape, (x[None, :] - 2 * np.mean(middle) + middle[:, None] - 45) / kind.wide)
        part = (down > 0.2 * down[-1]) & (down < 0.5 * down[-1])
        shown = shown + kind.mirror * other * part[:, None]
    return shown


def _way(kind: Kind, down: Array, rng: np.random.Generator) -> Array:
    """How far aside (fine rows,) a camera is, in pixels, while a row is read, against the other picture."""
    turns = rng.uniform(0.3, 0.9)
    return kind.sway * (np.sin(2 * np.pi * turns * down / down[-1] + rng.uniform(0, 6)) + rng.uniform(-0.3, 0.3))


def _moved(scene: Array, way: Array | float) -> Array:
    """A scene (fine rows, fine cols) whose rows are moved to the right by their ``way``."""
    if np.ndim(way) == 0:
        return scene
    across, along = np.meshgrid(np.arange(scene.shape[1]), np.arange(len(scene)))
    source = (across - FINE * np.asarray(way)[:, None]).astype(np.float32)
    return cv2.remap(scene, source, along.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _lens(kind: Kind, scene: Array) -> Array:
    """Light on the sensor (rows, cols): blur that grows along the line, coma to one side, a wide halo."""
    near, far = (
        cv2.GaussianBlur(scene, (0, 0), sigmaX=max(s * FINE, 0.3), sigmaY=max(s * UPWARD, 0.3)) for s in kind.blur
    )
    share = np.linspace(0, 1, len(scene))[:, None]
    seen = near * (1 - share) + far * share
    if kind.coma:
        step = round(1.5 * FINE * max(kind.blur))
        seen = (1 - kind.coma) * seen + kind.coma * np.roll(cv2.GaussianBlur(seen, (0, 0), step), step, axis=1)
    coarse = seen.reshape(len(scene) // UPWARD, UPWARD, -1, FINE).mean(axis=(1, 3))
    if not kind.halo:
        return coarse
    wide = sum(cv2.GaussianBlur(coarse, (0, 0), size) for size in (6.0, 25.0)) / 2
    return (1 - kind.halo) * coarse + kind.halo * wide


def _put_together(kind: Kind, wells: Array, rng: np.random.Generator) -> Array:
    """One exposure, or several a factor of 4 apart of which each pixel takes the longest that is not full."""
    merged = _sensor(kind, wells, rng)
    for step in range(1, kind.exposures):
        short = _sensor(kind, wells / 4**step, rng) * 4**step
        fill = np.clip((merged.max(axis=-1, keepdims=True) / 4 ** (step - 1) - 0.7) / 0.25, 0, 1)
        merged = merged * (1 - fill) + np.roll(short, step, axis=0) * fill
    if kind.exposures == 1:
        return merged
    # what is brighter than a screen is drawn in toward white
    return 1.15 * merged / (merged + 0.15 + merged**2 / (6 * 4 ** (kind.exposures - 1)))


def _sensor(kind: Kind, wells: Array, rng: np.random.Generator) -> Array:
    """Photons, full wells that spill to their neighbours, the Bayer pattern and its demosaicing: 0 to 1, linear."""
    mosaic = wells[..., 1].copy()
    mosaic[0::2, 0::2] = wells[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = wells[1::2, 1::2, 2]
    counted = rng.poisson(np.clip(mosaic, 0, None) * kind.well) / kind.well
    over = np.clip(counted - 1.0, 0, None)
    if kind.spill:
        counted = np.minimum(counted, 1.0) + kind.spill * cv2.GaussianBlur(over, (0, 0), 2.0)
    spread = rng.standard_t(kind.tails, counted.shape) if kind.tails else rng.normal(0, 1, counted.shape)
    counted = np.clip(counted + kind.read * spread, 0, 1)
    if kind.bayer == "straight":
        return _along_gradients(counted)
    raw = np.rint(counted * 1023 * 16).astype(np.uint16)
    code = {"plain": cv2.COLOR_BayerBG2BGR, "edges": cv2.COLOR_BayerBG2BGR_EA}[kind.bayer]
    return cv2.cvtColor(raw, code)[..., ::-1].astype(float) / (1023 * 16)


def _along_gradients(mosaic: Array) -> Array:
    """Colours by five by five linear filters that follow the other colours' gradients.

    Malvar, He and Cutler, High-quality linear interpolation for demosaicing, ICASSP 2004 (coefficients from memory).
    """
    cross = np.zeros((5, 5))
    cross[2], cross[:, 2], cross[2, 2] = [-1, 2, 0, 2, -1], [-1, 2, 0, 2, -1], 4
    beside = np.array([[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]])
    corner = np.array([[0, 0, -1.5, 0, 0], [0, 2, 0, 2, 0], [-1.5, 0, 6, 0, -1.5], [0, 2, 0, 2, 0], [0, 0, -1.5, 0, 0]])
    green, row, col, far = (cv2.filter2D(mosaic, -1, one / 8) for one in (cross, beside, beside.T, corner))
    made = np.stack([mosaic] * 3, axis=-1)
    for red, own in ((0, 0), (2, 1)):
        made[own::2, own::2, 1] = green[own::2, own::2]
        made[own::2, 1 - own :: 2, red] = row[own::2, 1 - own :: 2]
        made[1 - own :: 2, own::2, red] = col[1 - own :: 2, own::2]
        made[1 - own :: 2, 1 - own :: 2, red] = far[1 - own :: 2, 1 - own :: 2]
    return np.clip(made, 0, 1)


def _file(kind: Kind, linear: Array) -> np.ndarray:
    """Colour matrix, sharpening, tone curve, eight bits and JPEG."""
    mixed = linear * (1 + 2 * kind.crossing) - kind.crossing * (linear.sum(axis=-1, keepdims=True) - linear)
    mixed = np.clip(mixed, 0, 1)
    mixed = np.where(linear >= 0.998, 1.0, mixed)
    if kind.local:
        around = cv2.GaussianBlur(mixed.mean(axis=-1), (0, 0), 15.0)[..., None]
        mixed = np.clip(mixed * ((around + 0.02) / 0.2) ** -kind.local, 0, 1)
    tone = np.where(mixed <= 0.0031308, 12.92 * mixed, 1.055 * np.maximum(mixed, 1e-9) ** (1 / 2.4) - 0.055)
    if kind.sharpen:
        tone = tone + kind.sharpen * (tone - cv2.GaussianBlur(tone, (0, 0), 1.2))
    if kind.unsharp:
        tone = tone + kind.unsharp * (tone - cv2.GaussianBlur(tone, (0, 0), kind.radius))
    if kind.contrast:
        tone = np.clip((tone - 0.4) * kind.contrast + 0.3, 0, 0.7)
    picture = np.clip(np.rint(tone * 255), 0, 255).astype(np.uint8)
    if not kind.jpeg:
        return picture
    _, coded = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, kind.jpeg])
    return np.ascontiguousarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1])


def _tone_changes(kind: Kind, albedo: Array, x: Array, true: Array) -> np.ndarray:
    """Rows in which the albedo within a width either side of the line is not one."""
    near = kind.wide + 2 * max(kind.blur)
    rows = albedo[::UPWARD]
    seen = np.where(np.abs(x[None, :] - true[:, None]) < near, rows, np.nan)
    spread = np.nanmax(seen, axis=1) / np.nanmin(seen, axis=1) > 1.6
    return cv2.dilate(spread.astype(np.uint8)[:, None], np.ones((9, 1), np.uint8))[:, 0] > 0


KINDS = {
    "one tone": Kind(),
    "one tone, one photo": Kind(off=False, ambient=0.02),
    "red clipped, green clean": Kind(power=4.0, wide=7.0, halo=0.04, spill=0.15, ambient=0.05),
    "red far over": Kind(power=9.0, wide=9.0, halo=0.06, spill=0.3, ambient=0.05, jpeg=85),
    "dark circles": Kind(wall="circles", ambient=0.08),
    "dark circles, red clipped": Kind(wall="circles", power=5.0, wide=7.0, halo=0.04, spill=0.15, ambient=0.06),
    "dark circles, red far over": Kind(
        wall="circles", power=9.0, wide=9.0, halo=0.06, spill=0.3, ambient=0.06, blur=(1.2, 2.0), coma=0.03, jpeg=85
    ),
    "dark circles, dark room": Kind(wall="circles", ambient=0.002),
    "dark circles, one photo": Kind(wall="circles", power=3.0, off=False, ambient=0.03),
    "chequered": Kind(wall="squares", ambient=0.05, blur=(1.5, 1.5)),
    "joints": Kind(wall="joints", shape="tails"),
    "edge of paint": Kind(wall="paint", shape="flat", wide=9.0),
    "rough": Kind(wall="rough", shape="tails"),
    "gloss": Kind(gloss=0.6),
    "coarse speckle": Kind(speckle=0.35, grain=1.6, wide=6.0),
    "blurred to one end": Kind(blur=(0.8, 6.0), coma=0.04),
    "phone JPEG": Kind(jpeg=70, sharpen=0.8, bayer="edges", power=1.6, read=0.004, crossing=0.25),
    "green laser": Kind(laser=(0.10, 1.0, 0.15), power=2.5, halo=0.03),
    "white core": Kind(laser=(1.0, 0.35, 0.2), power=9.0, wide=6.0, halo=0.05, spill=0.2),
    "pulsed, rolling shutter": Kind(bands=0.7),
    "skewed": Kind(shape="skew", wide=8.0),
    "contrast to the stop": Kind(wall="squares", contrast=4.0, wide=3.5, power=1.5, ambient=0.05),
    "mirror": Kind(mirror=0.9),
    "two lobes": Kind(shape="twin", wide=8.0),
    "Student's noise": Kind(tails=3.0, read=0.006, ambient=0.03),
    "other demosaicing": Kind(wall="joints", bayer="straight"),
    "JPEG 60": Kind(jpeg=60, wall="rough", sharpen=0.6),
    "sharpened with halos": Kind(wall="squares", unsharp=1.2, blur=(1.2, 1.2), ambient=0.08),
    "tones mapped by place": Kind(wall="circles", local=0.5, power=2.0, ambient=0.05),
    "HDR": Kind(wall="circles", exposures=2, power=2.5, ambient=0.08),
    "moved while read": Kind(wall="joints", sway=1.0, ambient=0.08),
    "rough relief": Kind(wall="rough", relief=0.3),
}
