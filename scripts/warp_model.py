"""Errors of a scan that no model of the tie was made for: what a proof draws, each as a function of places.

Each kind is drawn afresh for every wall and has 8 mm of size unless it says so. Where an error has no standard
deviation of its own (a dome, a drift), it is scaled to 8 mm root mean square over the wall, its plane taken out.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Field = Callable[[Array], Array]
WIDE, HIGH, SIZE = 4.0, 2.4, 0.008
WAVES = 300


def waves(length: float, sd: float, generator: np.random.Generator) -> Field:
    """A Gaussian warp of such a length: many cosines of its spectrum (Rahimi and Recht, 2007, random features)."""
    way = generator.normal(0, 1 / length, (2, WAVES))
    phase = generator.uniform(0, 2 * np.pi, WAVES)
    size = sd * np.sqrt(2 / WAVES) * np.sqrt(generator.chisquare(2, WAVES) / 2)
    return lambda at: np.cos(np.asarray(at) @ way + phase) @ size


def stated(generator: np.random.Generator) -> Field:
    """What the settings state: a Gaussian warp over 2 m."""
    return waves(2.0, SIZE, generator)


def short(generator: np.random.Generator) -> Field:
    """A Gaussian warp over 0.7 m where 2 m was stated."""
    return waves(0.7, SIZE, generator)


def one_over_f(generator: np.random.Generator) -> Field:
    """Equal parts of every octave from 0.35 to 8 m."""
    lengths = 0.35 * 2 ** np.arange(0, np.log2(8 / 0.35) + 0.01)
    parts = [waves(length, SIZE / np.sqrt(len(lengths)), generator) for length in lengths]
    return lambda at: np.sum([part(at) for part in parts], axis=0)


def doming(generator: np.random.Generator) -> Field:
    """What a lens calibrated badly does: a square and a cube of the distance from about the wall's middle."""
    middle = np.array([WIDE, HIGH]) / 2 + generator.normal(0, 0.3, 2)
    square, cube = generator.normal(0, 1, 2)

    def dome(at: Array) -> Array:
        r = np.hypot(*(np.asarray(at) - middle).T)
        return np.asarray(square * r**2 + cube * r**3 / 2)

    return scaled(dome)


def drift(generator: np.random.Generator) -> Field:
    """Position and slopes of the camera as integrated random walks along rows swept to and fro, or along a spiral."""
    path = to_and_fro() if generator.random() < 0.5 else spiral()
    walks = np.cumsum(np.cumsum(generator.normal(0, 1, (3, len(path))), axis=1), axis=1)
    tilt = 0.7

    def drifted(at: Array) -> Array:
        arms = np.asarray(at)[:, None] - path
        weight = np.exp(-(arms**2).sum(axis=2) / (2 * 0.35**2)) + 1e-12
        value = walks[0] + tilt * (arms[..., 0] * walks[1] + arms[..., 1] * walks[2])
        return np.asarray((weight * value).sum(axis=1) / weight.sum(axis=1))

    return scaled(drifted)


def to_and_fro() -> Array:
    """Places (n, 2) along rows 0.6 m apart, each walked the other way than the one below."""
    rows = np.arange(0.3, HIGH, 0.6)
    across = np.linspace(0.2, WIDE - 0.2, 25)
    return np.vstack(
        [np.column_stack([across if i % 2 == 0 else across[::-1], np.full(25, row)]) for i, row in enumerate(rows)]
    )


def spiral() -> Array:
    """Places (n, 2) from the middle outward, turns 0.5 m apart."""
    turn = np.linspace(0, 2 * np.pi * 4, 140)
    reach = 0.5 * turn / (2 * np.pi)
    at = np.column_stack([reach * np.cos(turn) * 1.1, reach * np.sin(turn)]) + np.array([WIDE, HIGH]) / 2
    return at[(at >= -0.3).all(axis=1) & (at <= np.array([WIDE, HIGH]) + 0.3).all(axis=1)]


def stepped(generator: np.random.Generator) -> Field:
    """Two sweeps 4 mm apart on the two sides of a line that stands up to 10 degrees off plumb, on the stated warp."""
    under, lean = stated(generator), np.radians(generator.uniform(-10, 10))
    at_x, sign = generator.uniform(1.2, WIDE - 1.2), generator.choice([-1.0, 1.0])

    def step(at: Array) -> Array:
        x, y = np.asarray(at).T
        beyond = (x - at_x) * np.cos(lean) + (y - HIGH / 2) * np.sin(lean) > 0
        return np.asarray(under(at) + sign * 0.002 * np.where(beyond, 1.0, -1.0))

    return step


def scaled(field: Field) -> Field:
    """The same with 8 mm root mean square over the wall, its plane taken out."""
    x, y = np.meshgrid(np.linspace(0, WIDE, 40), np.linspace(0, HIGH, 24))
    at = np.column_stack([x.ravel(), y.ravel()])
    plane = np.column_stack([np.ones(len(at)), at])
    values = field(at)
    rest = values - plane @ np.linalg.lstsq(plane, values, rcond=None)[0]
    size = SIZE / float(np.sqrt(np.mean(rest**2)))
    return lambda at: size * field(at)


KINDS: dict[str, Callable[[np.random.Generator], Field]] = {
    "Gaussian, as stated": stated,
    "doming": doming,
    "drift along a sweep": drift,
    "1/f, 0.35 to 8 m": one_over_f,
    "short, 0.7 m": short,
    "stepped, 4 mm": stepped,
}
