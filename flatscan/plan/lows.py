"""After ruling off: where the wall is under the straightedge, what fills it, and which ridges to shave."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import ndimage

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, FacePlane, Mask
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, metres
from flatscan.core.table import Column, read_table

LIMIT = 0.002
_COLUMNS = (
    Column("x"),
    Column("y"),
    Column("depth", signed=False),
    Column("width", signed=False),
    Column("height", signed=False),
)


@dataclass(frozen=True, slots=True)
class Low:
    """One connected low: its deepest place, depth [m], area [m2] and the volume that fills it [m3].

    Also a ridge: then depth is its height and the volume what is shaved. ``width`` and ``height`` [m] bound it.
    """

    number: int
    x: float
    y: float
    depth: float
    area: float
    volume: float
    width: float = 0.0
    height: float = 0.0


@dataclass(frozen=True, slots=True)
class HandReading:
    """A low read with straightedge and wedge: place, depth, and the size it was seen to have, all in metres."""

    x: float
    y: float
    depth: float
    width: float
    height: float


def _check_limit(limit: float) -> None:
    if not math.isfinite(limit) or limit < 0:
        raise BadValue(
            "limit of lows",
            "{limit:length.g}",
            needed="a depth from 0 up",
            remedy="Give it without a sign",
            limit=metres(limit),
        )


def _patches(relief: Relief, depth: Array, limit: float) -> tuple[Low, ...]:
    """Connected cells (stations) deeper than the limit, the deepest patch first."""
    over: Mask = np.nan_to_num(depth, nan=-np.inf) > limit
    label, count = relief.connected(over & relief.valid)
    across, upward = relief.places
    found = []
    for number in range(1, count + 1):
        part = label == number
        deepest = np.unravel_index(int(np.argmax(np.where(part, depth, -np.inf))), depth.shape)
        volume = float((depth[part] * relief.area[part]).sum())
        found.append(
            Low(
                0,
                float(across[deepest]),
                float(upward[deepest]),
                float(depth[deepest]),
                float(relief.area[part].sum()),
                volume,
                *relief.size_of(*np.nonzero(part)),
            )
        )
    return _numbered(found)


def _numbered(lows: list[Low]) -> tuple[Low, ...]:
    """Order of work: the deepest first, since deep fills need the longest to stiffen; equals from the left, up."""
    ordered = sorted(lows, key=lambda low: (-low.depth, low.x, low.y))
    return tuple(
        Low(n, low.x, low.y, low.depth, low.area, low.volume, low.width, low.height) for n, low in enumerate(ordered, 1)
    )


def find_lows(relief: Relief, deepest: Array, *, limit: float = LIMIT) -> tuple[Low, ...]:
    """Lows from the deepest gap (rows, cols) [m] a straightedge finds at each cell (`straightedge.gaps.Gaps`).

    A low is the connected cells over the limit; its volume is the sum of gap x cell area (methods/definitions 9). Empty
    when nothing is over the limit: then the work is done. Raises `BadValue` for a limit under 0 or a map of another
    shape.
    """
    _check_limit(limit)
    if np.shape(deepest) != relief.offset.shape:
        raise BadValue(
            "lows",
            "a gap map of shape {map} for a wall of {wall} cells",
            needed="the gaps of this very relief",
            remedy="Sweep it again",
            map=str(np.shape(deepest)),
            wall=str(relief.offset.shape),
        )
    return _patches(relief, np.asarray(deepest, float), limit)


def lows_under_plane(relief: Relief, plane: FacePlane, *, limit: float = LIMIT) -> tuple[Low, ...]:
    """Lows where the wall is under the plane of the screeds by more than the limit [m]."""
    _check_limit(limit)
    across, upward = relief.places
    return _patches(relief, plane.offset + plane.turn * across + plane.lean * upward - relief.offset, limit)


def ridges_over_plane(relief: Relief, plane: FacePlane, *, limit: float = LIMIT) -> tuple[Low, ...]:
    """Ridges to shave: where the wall stands over the plane of the screeds by more than the limit [m]."""
    _check_limit(limit)
    across, upward = relief.places
    return _patches(relief, relief.offset - plane.offset - plane.turn * across - plane.lean * upward, limit)


def find_ridges(relief: Relief, *, width: float = 0.300, limit: float = LIMIT) -> tuple[Low, ...]:
    """Ridges narrower than ``width`` [m] that stand over what is beside them by more than the limit [m].

    Without a plane: the grey top-hat by a square of that width (scipy.ndimage), on the relief less its best-fit plane.
    Readings have none: what lies between them was not read.
    """
    _check_limit(limit)
    if not (relief.known_between and relief.valid.any()):
        return ()
    across, upward = relief.places
    keep = relief.valid
    design = np.stack([np.ones(int(keep.sum())), across[keep], upward[keep]], axis=1)
    fit, *_ = np.linalg.lstsq(design, relief.offset[keep], rcond=None)
    off = np.where(keep, relief.offset - fit[0] - fit[1] * across - fit[2] * upward, np.nan)
    size = max(3, 2 * round(width / relief.step / 2) + 1)
    low = ndimage.minimum_filter(np.where(keep, off, np.inf), size=size, mode="constant", cval=np.inf)
    opened = ndimage.maximum_filter(np.where(keep, low, -np.inf), size=size, mode="constant", cval=-np.inf)
    return _patches(relief, np.where(keep, off - opened, np.nan), limit)


def bowl_volume(depth: float, width: float, height: float) -> float:
    """Volume [m3] of an elliptic paraboloid bowl: half its depth times its rim's area, pi/8 d w h (closed form)."""
    return math.pi / 8 * depth * width * height


def lows_from_readings(readings: Sequence[HandReading], *, limit: float = LIMIT) -> tuple[Low, ...]:
    """Lows from a handful of straightedge readings, each taken as an elliptic bowl of the size seen.

    Raises `BadValue` for a negative or unfinished reading.
    """
    _check_limit(limit)
    found = []
    for number, reading in enumerate(readings, 1):
        sizes = (reading.depth, reading.width, reading.height)
        if not all(map(math.isfinite, (reading.x, reading.y, *sizes))) or min(sizes) < 0:
            raise BadValue(
                "reading {number}",
                "x {x:span.g}, y {y:span.g}, depth {depth:length.g}, size {width:span.g} by {height:span.g}",
                needed="finite numbers, depth and size from 0 up",
                remedy="Read the gap under the straightedge; a ridge is not a low",
                number=number,
                **{name: metres(getattr(reading, name)) for name in ("x", "y", "depth", "width", "height")},
            )
        if reading.depth > limit:
            area = math.pi / 4 * reading.width * reading.height
            volume = bowl_volume(reading.depth, reading.width, reading.height)
            found.append(Low(0, reading.x, reading.y, reading.depth, area, volume, reading.width, reading.height))
    return _numbered(found)


def read_hand_readings(path: str | Path) -> tuple[tuple[HandReading, ...], tuple[Note, ...]]:
    """Readings from a table with the columns x, y, depth, width and height, and doubts about how they were read.

    Raises `ReadError` for no file, `BadTable` with line and column for what breaks the table, also for a negative
    depth or size: a ridge is not a low.
    """
    table = read_table(path, _COLUMNS)
    return tuple(HandReading(**row.numbers) for row in table.rows), table.notes


def what_is_left(lows: tuple[Low, ...], ridges: tuple[Low, ...] = (), *, limit: float = LIMIT) -> Note:
    """How much is left to do, or that nothing is over the limit."""
    if not lows and not ridges:
        return note("plan.nothing-left", limit=metres(limit))
    parts = []
    if lows:
        volume = cubic_metres(sum(low.volume for low in lows))
        parts.append(note("plan.lows-left" if len(lows) > 1 else "plan.low-left", count=len(lows), volume=volume))
    if ridges:
        parts.append(note("plan.ridges-left" if len(ridges) > 1 else "plan.ridge-left", count=len(ridges)))
    return note("plan.left", parts=tuple(parts))
