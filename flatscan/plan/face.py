"""The new face beside what stands on the wall, and in raking light: an estimate from slopes, and no standard."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, metres
from flatscan.core.table import Column, read_table
from flatscan.plan.finish import BuildUp

# an item this near the new face is flush (common practice)
FLUSH = 0.001
_NEAR = 0.150
_COLUMNS = (Column("name", "word"), Column("x"), Column("y"), Column("depth"), Column("proud", optional=True))
# a slope s shows on a matt wall once s / tan(angle) passes this (methods/trade 12)
CONTRAST = 0.02
SAID = note("plan.light-estimate")

Outcome = Literal["buried", "proud", "flush", "not measured"]


@dataclass(frozen=True, slots=True)
class Item:
    """A thing on the wall at x, y whose face stands ``depth`` [m] proud of the wall beside it (less than 0: recessed).

    ``proud`` [m] is how far it should stand proud of the new face.
    """

    name: str
    x: float
    y: float
    depth: float
    proud: float = 0.0


@dataclass(frozen=True, slots=True)
class Clash:
    """An item against the new face: ``build_up`` there [m], and ``stands`` [m], + proud of the face, - buried.

    ``verdict`` is buried, proud, flush or not measured; ``move`` [m] is how far out to bring it (less than 0: in) to
    stand as it should. ``distance`` [m] is how far away the wall was read.
    """

    item: Item
    build_up: float | None
    stands: float | None
    verdict: Outcome
    move: float | None
    distance: float


def read_items(path: str | Path) -> tuple[tuple[Item, ...], tuple[Note, ...]]:
    """Items from a table with the columns name, x, y, depth and, if wanted, proud, and doubts about how it was read.

    Raises `ReadError` for no file, `BadTable` with line and column for what breaks the table.
    """
    table = read_table(path, _COLUMNS)
    return tuple(Item(row.words["name"], **row.numbers) for row in table.rows), table.notes


def clashes(items: tuple[Item, ...], build_up: BuildUp, relief: Relief) -> tuple[Clash, ...]:
    """Each item against the build-up beside it: the mean within 150 mm for cells, the nearest station for stations."""
    return tuple(_clash(item, build_up, relief) for item in items)


def _clash(item: Item, build_up: BuildUp, relief: Relief) -> Clash:
    across, upward = relief.places
    away = np.where(relief.valid, np.hypot(across - item.x, upward - item.y), np.inf)
    nearest = float(away.min())
    near = relief.beside(item.x, item.y, _NEAR)
    if not near.any():
        return Clash(item, None, None, "not measured", None, nearest)
    thick = float(build_up.thickness[near].mean())
    stands = item.depth - thick
    off = stands - item.proud
    verdict: Outcome = "flush" if abs(stands) <= FLUSH else "proud" if stands > 0 else "buried"
    return Clash(item, thick, stands, verdict, -off, nearest)


@dataclass(frozen=True, slots=True)
class Shown:
    """Share of the area whose slope shows, the worst place [m] and its slope [m per m], and the contrast there."""

    share: float
    x: float | None
    y: float | None
    slope: float | None
    contrast: float | None
    said: Note = SAID


def height_that_shows(length: float, angle: float) -> float:
    """Height [m] of a swell ``length`` [m] long that just shows in light at ``angle`` [rad] to the wall.

    A swell h/2 (1 - cos(2 pi x / L)) is pi h / L at its steepest, which shows at 2 % of tan(angle). Raises
    `BadValue` for a length not over 0 or an angle not between 0 and 90 degrees.
    """
    _check(length, angle)
    return CONTRAST * math.tan(angle) * length / math.pi


def _check(length: float, angle: float) -> None:
    if not (0 < length < math.inf and 0 < angle < math.pi / 2):
        raise BadValue(
            "light",
            "length {length:span.g}, angle {angle:angle.g}",
            needed="a length over 0 and an angle between 0 and 90 degrees to the wall",
            remedy="Measure the angle from the wall, not from its normal",
            length=metres(length),
            angle=degrees(math.degrees(angle)),
        )


def shows(relief: Relief, angle: float, *, along: bool = True, base: float = 0.300) -> Shown:
    """Where slopes over ``base`` [m] show in light along the wall (or from above or below, with along False).

    The slope is the difference of offsets ``base`` apart, less 1.645 times its random u, so that noise does not show;
    the wall's mean slope lights it evenly and is taken off. Readings tell nothing: their share is 0 and the place None.
    """
    _check(base, angle)
    empty = Shown(0.0, None, None, None, None)
    if not relief.known_between:
        return empty
    step = max(1, round(base / relief.step))
    z, u = (relief.offset, relief.u) if along else (relief.offset.T, relief.u.T)
    area = relief.area if along else relief.area.T
    keep = relief.valid if along else relief.valid.T
    if z.shape[1] <= step:
        return empty
    return _worst(relief, np.where(keep, z, np.nan), u, area, step, angle, along)


def _worst(relief: Relief, z: Array, u: Array, area: Array, step: int, angle: float, along: bool) -> Shown:
    slope = (z[:, step:] - z[:, :-step]) / (step * relief.step)
    doubt = np.hypot(u[:, step:], u[:, :-step]) / (step * relief.step)
    known = np.isfinite(slope)
    if not known.any():
        return Shown(0.0, None, None, None, None)
    bare = np.where(known, np.abs(slope - np.nanmean(slope)) - 1.645 * np.nan_to_num(doubt), -np.inf)
    seen = bare > CONTRAST * math.tan(angle)
    row, column = np.unravel_index(int(np.argmax(bare)), bare.shape)
    middle = int(column) + step // 2
    x, y = (relief.x[middle], relief.y[row]) if along else (relief.x[row], relief.y[middle])
    centre = area[:, step // 2 : step // 2 + slope.shape[1]]
    share = float(centre[seen].sum() / centre[known].sum())
    worst = max(float(bare[row, column]), 0.0)
    return Shown(share, float(x), float(y), worst, worst / math.tan(angle))
