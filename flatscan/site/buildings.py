"""Storeys of a building, and the rooms of a storey: free space under its ceiling, parted by what stands up to it.

Between two storeys lies a slab that no scanner sees into.

Doors end below the ceiling, so just under it every wall is closed: the free cells there fall into one piece a room.
Every place within reach of a piece belongs to the nearest one, so that each room takes its own face of a partition.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.capture.cleaning import sample_rows
from flatscan.capture.source import BLOCK
from flatscan.core.choices import AXES
from flatscan.core.errors import OutputError, ReadError
from flatscan.core.geometry import Array, Mask, unit
from flatscan.core.model import Cloud, Origin
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share
from flatscan.core.records import from_plain, to_plain

_BIN = 0.02
LEAST_STOREY = 1.8
# a slab is at least so thick, and even a stairwell leaves it emptier than this share of what walls hold
_SLAB, _EMPTY = 0.10, 0.10
FINEST, COARSEST = 0.05, 0.15
_POINTS_A_CELL = 2.5
LEAST_ROOM = 1.5
REACH = 0.30
# a wall shows in at least half of the cells of its column between these distances under the column's top
_UNDER_TOP, _DOWN_TO, _WALL_SHARE = 0.10, 0.50, 0.5
_MOST_CELLS = 600_000_000

Storey = tuple[float, float]
Labels = NDArray[np.int16]


def storeys(heights: Array) -> list[Storey]:
    """Lower and upper end [m] of each storey, lowest first, from heights (n,) of an even sample of points.

    A storey is a run of heights at which points stand, at least 1.8 m tall; runs are parted by 100 mm or more with
    less than a tenth of the points that the middle height of the building holds.
    """
    if len(heights) == 0:
        return []
    low, high = np.quantile(heights, (0.0005, 0.9995))
    edges = np.arange(low - 2 * _BIN, high + 3 * _BIN, _BIN)
    count, _ = np.histogram(heights, edges)
    typical = float(np.median(count[count > 0]))
    filled = np.flatnonzero(count > _EMPTY * typical)
    breaks = np.flatnonzero(np.diff(filled) * _BIN > _SLAB) + 1
    runs = [(float(edges[run[0]]), float(edges[run[-1] + 1])) for run in np.split(filled, breaks)]
    return [run for run in runs if run[1] - run[0] >= LEAST_STOREY]


@dataclass(eq=False)
class Columns:
    """Which cells of a storey hold points, (rows, cols, levels), filled block by block; ``cell`` is their size [m]."""

    storey: Storey
    low: Array
    cell: float
    filled: Mask

    @classmethod
    def empty(cls, storey: Storey, low: Array, high: Array, cell: float) -> Columns:
        """Cells for a storey over the plan from ``low`` (2,) to ``high`` (2,) [m]; coarser where that is too many."""
        while True:
            cols, rows = (np.ceil((high - low) / cell) + 1).astype(int)
            levels = int(np.ceil((storey[1] - storey[0]) / cell)) + 1
            if int(rows) * int(cols) * levels <= _MOST_CELLS:
                return cls(storey, low, cell, np.zeros((int(rows), int(cols), levels), dtype=bool))
            cell *= 1.25

    def add(self, points: Array, axes: Array) -> None:
        """Mark the cells of points (n, 3); ``axes`` (3, 3) has the two plan axes and up as rows."""
        from flatscan.site import columns_kernel

        columns_kernel.mark(points, axes, self.low, self.cell, np.array(self.storey), self.filled)

    def number(self, points: Array, axes: Array, labels: Labels, base: int, numbers: NDArray[np.int64]) -> None:
        """Write ``base`` + label into ``numbers`` (n,) for points (n, 3) in one of this storey's rooms."""
        from flatscan.site import columns_kernel

        ends = np.array(self.storey)
        columns_kernel.room_numbers(points, axes, self.low, self.cell, ends, labels, base, numbers)


def cell_for(sample: Array, count: int) -> float:
    """Size of cells [m] that two or three of ``count`` points fall into where there is a surface.

    The area of all surfaces is judged by how many cubes of 200 mm an even ``sample`` (n, 3) touches.
    """
    cube = 0.2
    place = np.floor((sample - sample.min(axis=0)) / cube).astype(np.int64)
    wide = place.max(axis=0) + 1
    cubes = len(np.unique((place[:, 0] * wide[1] + place[:, 1]) * wide[2] + place[:, 2]))
    return float(np.clip(np.sqrt(_POINTS_A_CELL * cubes * cube**2 / max(count, 1)), FINEST, COARSEST))


def rooms_of(columns: Columns) -> Labels:
    """Number of the room, from 1, that each plan cell (rows, cols) belongs to; 0 for none."""
    filled, cell = columns.filled, columns.cell
    levels = filled.shape[2]
    top = levels - 1 - np.argmax(filled[:, :, ::-1], axis=2)
    covered = filled.any(axis=2) & (top * cell >= LEAST_STOREY)
    wall = covered & (_filled_below(filled, top, cell) >= _WALL_SHARE)
    wall = ndimage.binary_dilation(wall, np.ones((3, 3), bool))
    pieces, number = ndimage.label(covered & ~wall)
    sizes = ndimage.sum_labels(np.ones_like(pieces), pieces, np.arange(1, number + 1)) * cell**2
    kept = np.zeros(number + 1, np.int16)
    large = np.flatnonzero(sizes >= LEAST_ROOM) + 1
    kept[large] = np.arange(1, len(large) + 1)
    labels = kept[pieces]
    if not len(large):
        return labels
    away, (row, col) = ndimage.distance_transform_edt(labels == 0, return_indices=True)
    return np.where(away * cell <= REACH + 2 * cell, labels[row, col], np.int16(0))


def _filled_below(filled: Mask, top: NDArray[np.int64], cell: float) -> Array:
    """Share of filled cells in each column between 100 and 500 mm under its top."""
    first, last = round(_UNDER_TOP / cell), round(_DOWN_TO / cell)
    total = np.zeros(top.shape)
    for step in range(first, last + 1):
        level = np.maximum(top - step, 0)
        total += np.take_along_axis(filled, level[:, :, None], axis=2)[:, :, 0]
    return total / (last - first + 1)


# a capture wider than this in plan may hold several rooms; so may one of two storeys
WIDE = 6.0
_MARGIN = 0.5
# the share of points a room must hold for its walls to be worth looking for
_LEAST_POINTS = 2_000


@dataclass(frozen=True, eq=False)
class _Level:
    """Axes of a building: ``up`` (3,) and two level axes as columns of ``plan`` (3, 2)."""

    up: Array
    plan: Array

    @property
    def axes(self) -> Array:
        """The two plan axes and up as rows (3, 3)."""
        return np.vstack([self.plan.T, self.up])


def is_building(cloud: Cloud, up: str | None = None) -> bool:
    """Whether a capture is large enough to hold more than one room, or has more than one storey."""
    level = _level(cloud, up)
    spread = np.quantile(cloud.sample @ level.plan, (0.001, 0.999), axis=0)
    return bool((spread[1] - spread[0]).max() > WIDE) or len(storeys(cloud.sample @ level.up)) > 1


def split(cloud: Cloud, folder: Path, up: str | None = None) -> tuple[list[str], tuple[Note, ...]]:
    """Cut a cloud into rooms in ``folder`` and return their names and what is said about it.

    The first pass marks which cells of the building hold points, the second writes each room's points. With fewer
    than two rooms nothing is written. A disk that takes no more raises `OutputError`.
    """
    level = _level(cloud, up)
    columns = _mark(cloud, level)
    labels = [rooms_of(column) for column in columns]
    found = [int(label.max(initial=0)) for label in labels]
    if sum(found) < 2:
        return [], ()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        counts = _write(cloud, level, columns, labels, folder)
        names = _describe(cloud, level, columns, labels, counts, folder)
    except OSError as error:
        raise OutputError(
            folder,
            "cannot be written ({reason})",
            needed="about {size:number.1} GB for the rooms of {file}",
            remedy="Make room and run the same command again",
            reason=(error.strerror or str(error)).lower(),
            size=share(cloud.count * 12 / 1e9),
            file=cloud.origin.file,
        ) from error
    spare = 1 - sum(counts.values()) / max(cloud.count, 1)
    return names, (note("site.cut-into-rooms", rooms=len(names), storeys=len(columns), spare=share(spare)),)


@dataclass(frozen=True, eq=False)
class _Part:
    """What is known of one room beside its points, which lie in a file of their own, less ``offset`` (3,) [m]."""

    origin: Origin
    count: int
    offset: Array
    shift: Array
    u_step: Array
    up: Array | None
    up_from: Note | None
    stands: Array | None
    independent_share: float
    drawn: bool


def read_part(folder: Path, name: str) -> Cloud:
    """One room as a cloud, as `split` left it; raises `ReadError` where it is missing or cut off."""
    rows = folder / f"{name}.f32"
    try:
        part = from_plain(_Part, json.loads((folder / f"{name}.json").read_bytes()))
        held = rows.stat().st_size
    except (OSError, ValueError) as error:
        raise _lost(rows, "{reason}", reason=str(error)) from error
    if held != part.count * 12:
        raise _lost(rows, "{held:count} bytes instead of {whole:count}", held=held, whole=part.count * 12)
    number = sample_rows(part.count)
    sample = np.array(np.memmap(rows, np.float32, "r", shape=(part.count, 3))[number], dtype=np.float64) + part.offset
    return Cloud(
        origin=part.origin,
        sample=sample,
        chunks=_Chunks(rows, part.count, part.offset),
        count=part.count,
        shift=part.shift,
        u_step=part.u_step,
        up=part.up,
        up_from=part.up_from,
        stands=part.stands,
        independent_share=part.independent_share,
        drawn=part.drawn,
    )


@dataclass(frozen=True, eq=False)
class _Chunks:
    """Streams one room's points in the building's coordinates."""

    rows: Path
    count: int
    offset: Array

    def __call__(self) -> Iterator[Array]:
        with self.rows.open("rb") as stream:
            for start in range(0, self.count, BLOCK):
                size = min(BLOCK, self.count - start)
                block = np.frombuffer(stream.read(size * 12), np.float32)
                if len(block) < 3 * size:
                    raise _lost(self.rows, "it ended early")
                yield block.reshape(-1, 3).astype(np.float64) + self.offset


def _lost(path: Path, found: str, **values: object) -> ReadError:
    remedy = "Run again with {set:overwrite}"
    return ReadError(path, found, needed="a room cut out of the scan", remedy=remedy, **values)


def _level(cloud: Cloud, up: str | None) -> _Level:
    """Up as given, else as the file says, else the file's z axis, as scanners of buildings write it."""
    direction = unit(np.array(AXES[up]) if up else np.array([0.0, 0.0, 1.0]) if cloud.up is None else cloud.up)
    first = np.eye(3)[int(np.argmin(np.abs(direction)))]
    first = unit(first - np.dot(first, direction) * direction)
    return _Level(direction, np.stack([first, np.cross(direction, first)], axis=1))


def _mark(cloud: Cloud, level: _Level) -> list[Columns]:
    plan = cloud.sample @ level.plan
    low, high = np.quantile(plan, (0.0005, 0.9995), axis=0)
    cell = cell_for(cloud.sample, cloud.count)
    columns = [
        Columns.empty(storey, low - _MARGIN, high + _MARGIN, cell) for storey in storeys(cloud.sample @ level.up)
    ]
    for points in cloud.chunks():
        for column in columns:
            column.add(points, level.axes)
    return columns


def _name(storey: int, room: int) -> str:
    return f"level-{storey + 1}-room-{room}"


def _write(
    cloud: Cloud, level: _Level, columns: list[Columns], labels: list[Labels], folder: Path
) -> dict[tuple[int, int], int]:
    """Points of every room into a file of its own, 32-bit from the middle of the room; returns how many each has."""
    from flatscan.site import columns_kernel

    base = np.concatenate([[0], np.cumsum([int(label.max(initial=0)) for label in labels])])
    keys = [(storey, room) for storey in range(len(labels)) for room in range(1, int(np.diff(base)[storey]) + 1)]
    middles = np.array([[0.0, 0.0, 0.0], *(_middle(columns[s], labels[s], room, level) for s, room in keys)])
    counts = np.zeros(len(keys), np.int64)
    with ExitStack() as stack:
        files = [stack.enter_context((folder / f"{_name(*key)}.f32").open("wb")) for key in keys]
        for points in cloud.chunks():
            numbers = np.zeros(len(points), np.int64)
            for storey, (column, label) in enumerate(zip(columns, labels, strict=True)):
                column.number(points, level.axes, label, int(base[storey]), numbers)
            rows, start = columns_kernel.gather(points, numbers, middles)
            for k, stream in enumerate(files, 1):
                stream.write(rows[start[k] : start[k + 1]])
            counts += np.diff(start)[1:]
        for stream in files:
            stream.flush()
            os.fsync(stream.fileno())
    return dict(zip(keys, counts.tolist(), strict=True))


def _middle(column: Columns, label: Labels, room: int, level: _Level) -> Array:
    """A round place (3,) [m] near the middle of a room: differences from it are small enough for 32 bits."""
    row, col = np.nonzero(label == room)
    plan = column.low + (np.array([col.mean(), row.mean()]) + 0.5) * column.cell
    return np.round(level.plan @ plan + level.up * column.storey[0])


def _describe(
    cloud: Cloud,
    level: _Level,
    columns: list[Columns],
    labels: list[Labels],
    counts: dict[tuple[int, int], int],
    folder: Path,
) -> list[str]:
    """Write what `read_part` needs beside each room's points, last of all, and return the rooms' names."""
    names = []
    for (storey, room), count in counts.items():
        name = _name(storey, room)
        if count < _LEAST_POINTS:
            (folder / f"{name}.f32").unlink()
            continue
        offset = _middle(columns[storey], labels[storey], room, level)
        part = _Part(
            origin=cloud.origin,
            count=count,
            offset=offset,
            shift=cloud.shift,
            u_step=cloud.u_step,
            up=cloud.up,
            up_from=cloud.up_from,
            stands=_stands_in(cloud, level, columns[storey], labels[storey], room),
            independent_share=cloud.independent_share,
            drawn=cloud.drawn,
        )
        beside = folder / f"{name}.part"
        beside.write_text(json.dumps(to_plain(part)), encoding="utf-8")
        beside.replace(folder / f"{name}.json")
        names.append(name)
    return names


def _stands_in(cloud: Cloud, level: _Level, column: Columns, label: Labels, room: int) -> Array | None:
    """Scanner positions in the room; None if the file tells none, or none of them stood here."""
    if cloud.stands is None:
        return None
    numbers = np.zeros(len(cloud.stands), np.int64)
    column.number(cloud.stands, level.axes, label, 0, numbers)
    here = cloud.stands[numbers == room]
    return here if len(here) else None
