"""After ruling off: where the wall is under the straightedge, what fills it, in the order of one walk along it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, FacePlane, Mask
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, metres
from flatscan.core.table import Column, read_table
from flatscan.plan.hollows import Hollow, background, hollows

LIMIT = 0.002
# less than this is not worth mixing for [m3]
LEAST = 0.05e-3
# how much of a wall a person reaches from one stand [m]: the usual distance of screeds (methods/trade 2)
REACH = 1.2
_TWO_SIDED = 2.0
# no wall is longer or higher [m]: where nobody gave its size, a place beyond is a slip
_LARGEST = 100.0
# straightedge and wedge, k = 1 [m] (methods/trade 6), and the size of a low as it was seen, as a share
_BY_HAND, _SIZE = 0.0005, 0.15
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
    ``number`` follows the walk along the wall, ``rank`` the depth (1: the worst). ``u`` [m3] is the volume's standard
    uncertainty, None where it is not known.
    """

    number: int
    x: float
    y: float
    depth: float
    area: float
    volume: float
    width: float = 0.0
    height: float = 0.0
    rank: int = 0
    u: float | None = None


@dataclass(frozen=True, eq=False)
class Filling:
    """The lows of a wall, and ``where`` (rows, cols) they are filled.

    ``small`` are the lows left out because they hold less than 0.05 litres, ``doubtful`` those that hold less than
    their own 95 % interval; ``notes`` say so.
    """

    lows: tuple[Low, ...]
    where: Mask
    small: tuple[Low, ...] = ()
    doubtful: tuple[Low, ...] = ()
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class HandReading:
    """A low read with straightedge and wedge: place, depth, and the size it was seen to have, all in metres."""

    x: float
    y: float
    depth: float
    width: float
    height: float


def check_limit(limit: float) -> None:
    """Raises `BadValue` for a limit under 0 or none at all."""
    if not math.isfinite(limit) or limit < 0:
        raise BadValue(
            "limit of lows",
            "{limit:length.g}",
            needed="a depth from 0 up",
            remedy="Give it without a sign",
            limit=metres(limit),
        )


def in_order(lows: Iterable[Low]) -> tuple[Low, ...]:
    """Numbered along one walk past the wall: from the left, all that is reached from one stand, that from the top down.

    The rank goes by depth, of equals in the order of the walk.
    """
    walked = sorted(lows, key=lambda low: (math.floor(low.x / REACH + 1e-9), -low.y, low.x))
    deepest = sorted(range(len(walked)), key=lambda at: (-walked[at].depth, at))
    rank = {at: place for place, at in enumerate(deepest, 1)}
    return tuple(replace(low, number=at + 1, rank=rank[at]) for at, low in enumerate(walked))


def patches(relief: Relief, depth: Array, limit: float) -> tuple[Low, ...]:
    """Connected places (cells or stations) deeper than the limit, without their rims, as numbered by `in_order`."""
    over: Mask = np.nan_to_num(depth, nan=-np.inf) > limit
    label, count = relief.connected(over & relief.valid)
    found = []
    for number in range(1, count + 1):
        part = label == number
        row, col = np.unravel_index(int(np.argmax(np.where(part, depth, -np.inf))), depth.shape)
        volume = float((depth[part] * relief.area[part]).sum())
        found.append(_low(relief, part, (int(row), int(col)), float(depth[row, col]), volume))
    return in_order(found)


def _low(relief: Relief, part: Mask, at: tuple[int, int], depth: float, volume: float) -> Low:
    row, col = at
    area, size = float(relief.area[part].sum()), relief.size_of(*np.nonzero(part))
    return Low(0, float(relief.x[col]), float(relief.y[row]), depth, area, volume, *size)


def find_lows(relief: Relief, deepest: Array, *, limit: float = LIMIT, fill: Array | None = None) -> tuple[Low, ...]:
    """The lows of `filling` alone."""
    return filling(relief, deepest, limit=limit, fill=fill).lows


def filling(relief: Relief, deepest: Array, *, limit: float = LIMIT, fill: Array | None = None) -> Filling:
    """Lows from the deepest gap (rows, cols) [m] a straightedge finds at each cell once the ridges are shaved.

    A low is the connected cells over the limit that lie below the surface around them; its volume fills it flush with
    the straightedge, rim included (methods/definitions 9). ``fill`` (rows, cols) [m] is what fills each cell, without
    it the gaps. What holds under 0.05 litres, or less than its own 95 % interval, is left out. None are left when
    nothing is over the limit: then the work is done. Raises `BadValue` for a limit under 0 or a map of another shape.
    """
    check_limit(limit)
    if np.shape(deepest) != relief.offset.shape:
        raise BadValue(
            "lows",
            "a gap map of shape {map} for a wall of {wall} cells",
            needed="the gaps of this very relief",
            remedy="Sweep it again",
            map=str(np.shape(deepest)),
            wall=str(relief.offset.shape),
        )
    deepest = np.asarray(deepest, float)
    where = np.zeros(deepest.shape, dtype=bool)
    kept, small, doubtful = [], [], []
    for hollow in hollows(relief, deepest, limit, fill):
        low = _filled(relief, hollow)
        if low.u is not None and low.volume < _TWO_SIDED * low.u:
            doubtful.append(low)
        elif low.volume < LEAST:
            small.append(low)
        else:
            kept.append(low)
            where |= hollow.part
    lows = in_order(kept)
    said = (*_under_noise(relief, deepest, limit), *_left_out(small, doubtful))
    if not relief.known_between:
        said = (*said, note("plan.lows-at-stations"))
    return Filling(lows, where, in_order(small), in_order(doubtful), said)


def _filled(relief: Relief, hollow: Hollow) -> Low:
    return replace(_low(relief, hollow.filled, hollow.deepest, hollow.depth, hollow.volume), u=hollow.u)


def _left_out(small: Sequence[Low], doubtful: Sequence[Low]) -> tuple[Note, ...]:
    """What is not listed, and why."""
    said = []
    if doubtful:
        volume = cubic_metres(sum(low.volume for low in doubtful))
        said.append(note("plan.lows-doubtful", count=len(doubtful), volume=volume))
    if small:
        said.append(note("plan.lows-small", count=len(small), least=cubic_metres(LEAST)))
    return tuple(said)


def _under_noise(relief: Relief, deepest: Array, limit: float) -> tuple[Note, ...]:
    """Say where what the wall shows everywhere, or the error of a gap, comes up to the limit."""
    u = relief.u[relief.valid]
    random = float(np.nanmedian(u)) * math.sqrt(1.5) if np.isfinite(u).any() else 0.0
    half = REACH / 2
    error = _TWO_SIDED * math.hypot(random, float(relief.common.u_gap(np.array(half), np.array(half))))
    shown = background(relief, deepest, limit)
    if error <= limit and shown <= limit / 2:
        return ()
    return (note("plan.limit-under-noise", limit=metres(limit), noise=metres(max(error, shown))),)


def lows_under_plane(relief: Relief, plane: FacePlane, *, limit: float = LIMIT) -> tuple[Low, ...]:
    """Lows where the wall is under the plane of the screeds by more than the limit [m]."""
    check_limit(limit)
    across, upward = relief.places
    return patches(relief, plane.offset + plane.turn * across + plane.lean * upward - relief.offset, limit)


def ridges_over_plane(relief: Relief, plane: FacePlane, *, limit: float = LIMIT) -> tuple[Low, ...]:
    """Ridges to shave: where the wall stands over the plane of the screeds by more than the limit [m]."""
    check_limit(limit)
    across, upward = relief.places
    return patches(relief, relief.offset - plane.offset - plane.turn * across - plane.lean * upward, limit)


def bowl_volume(depth: float, width: float, height: float) -> float:
    """Volume [m3] of an elliptic paraboloid bowl: half its depth times its rim's area, pi/8 d w h (closed form)."""
    return math.pi / 8 * depth * width * height


def by_hand(readings: Sequence[HandReading], *, limit: float = LIMIT) -> tuple[tuple[Low, ...], tuple[Note, ...]]:
    """Lows from a handful of straightedge readings, each taken as an elliptic bowl of the size seen; what is left out.

    Their u is that of the wedge and of a size seen to 15 % each way [setting]. Under 0.05 litres they are left out.
    Raises `BadValue` for a negative or unfinished reading.
    """
    check_limit(limit)
    kept: list[Low] = []
    small: list[Low] = []
    for number, reading in enumerate(readings, 1):
        _check_reading(number, reading)
        if reading.depth > limit:
            low = _bowl(reading)
            (kept if low.volume >= LEAST else small).append(low)
    return in_order(kept), _left_out(small, ())


def _bowl(reading: HandReading) -> Low:
    area = math.pi / 4 * reading.width * reading.height
    volume = bowl_volume(reading.depth, reading.width, reading.height)
    # the volume goes with depth, width and height in proportion
    u = volume * math.hypot(_BY_HAND / reading.depth, _SIZE, _SIZE)
    return Low(0, reading.x, reading.y, reading.depth, area, volume, reading.width, reading.height, u=u)


def _check_reading(number: int, reading: HandReading) -> None:
    sizes = (reading.depth, reading.width, reading.height)
    if not all(map(math.isfinite, (reading.x, reading.y, *sizes))) or min(sizes) < 0:
        raise BadValue(
            "reading {number}",
            "x {x:span.g}, y {y:span.g}, depth {depth:length.g}, size {width:span.g} by {height:span.g}",
            needed="real numbers, depth and size from 0 up",
            remedy="Read the gap under the straightedge; a ridge is not a low",
            number=number,
            **{name: metres(getattr(reading, name)) for name in ("x", "y", "depth", "width", "height")},
        )


def lows_from_readings(readings: Sequence[HandReading], *, limit: float = LIMIT) -> tuple[Low, ...]:
    """The lows of `by_hand` alone."""
    return by_hand(readings, limit=limit)[0]


def read_hand_readings(
    path: str | Path, width: float | None = None, height: float | None = None
) -> tuple[tuple[HandReading, ...], tuple[Note, ...]]:
    """Readings from a table with the columns x, y, depth, width and height, and doubts about how they were read.

    ``width`` and ``height`` [m] are the wall's where they are known. Raises `ReadError` for no file, `BadTable` with
    line and column for what breaks the table, also for a negative depth or size (a ridge is not a low) and for a place
    off the wall.
    """
    table = read_table(path, _COLUMNS)
    for row in table.rows:
        for name, size, word in (("x", width, "width"), ("y", height, "height")):
            at = row.numbers[name]
            if not 0 <= at <= (_LARGEST if size is None else size):
                raise table.wrong(
                    row,
                    "{name} {at:span.2} lies off the wall",
                    needed="0 to {size:span.2}, the {word} given" if size is not None else "0 to {size:span}",
                    remedy="Put the place right: from the left edge, and up from the floor",
                    name=name,
                    at=metres(at),
                    size=metres(_LARGEST if size is None else size),
                    word=word,
                )
    said = () if table.ended else (note("table.no-line-end"),)
    return tuple(HandReading(**row.numbers) for row in table.rows), (*table.notes, *said)


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
