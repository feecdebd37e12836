"""Points far from all the rest, and the part of a capture that somebody asked for: `stray_box` and `cropped`.

A scanner's beam that hits the sky, a mirror or dust gives points hundreds of metres away. Where a capture reaches far
beyond the part that holds most of it, the sample is counted in coarse boxes: the boxes that hang together with that
part, and other dense parts, stay, however far they reach; what is left is scattered and counts as stray.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.source import Block, PointSource, Rows
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import note
from flatscan.core.settled import file_place

# a file that reaches no further than this many sizes beyond its main part has no strays
STRAY = 5.0
# the main part is the shortest stretch along each axis with this share of the points: a fifth may be rubbish
_MAIN, _GENTLY = 0.8, 4.0
# boxes are this part of the main part's size; a box with under this share of the usual count is scatter
_BOX, _SPARSE = 0.25, 0.002
# a part by itself stays if it holds this share of the points
_PART = 0.01
# points this many sizes about what stays are left to the search for walls, which knows clutter
_AROUND = 1.0
# a sample of fewer points has no extent to judge strays by
_LEAST_SAMPLE = 100
_LOOK_AT = 20_000

Bounds = tuple[Array, Array]


def stray_box(sample: Array, low: Array, high: Array) -> Bounds | None:
    """The box outside of which points are strays, None where the file has none.

    ``sample`` (n, 3) is drawn evenly from the file, ``low`` and ``high`` (3,) are its least and largest coordinates.
    """
    if len(sample) < _LEAST_SAMPLE:
        return None
    main_low, main_high = main_part(sample)
    size = float((main_high - main_low).max())
    # a hall seen from one end thins out gently; where one point in 25 makes it many times larger, these are rubbish
    most_low, most_high = np.quantile(sample[:: max(1, len(sample) // _LOOK_AT)], (0.02, 0.98), axis=0)
    if float((most_high - most_low).max()) <= _GENTLY * size:
        main_low, main_high = most_low, most_high
        size = float((main_high - main_low).max())
    reach = STRAY * size
    # a cloud that is mostly one repeated place has no extent to judge by
    if size == 0 or (np.all(low >= main_low - reach) and np.all(high <= main_high + reach)):
        return None
    kept = sample[_in_dense_parts(sample, _BOX * size)]
    ends = np.concatenate([kept - _AROUND * size, kept + _AROUND * size, [main_low - reach, main_high + reach]])
    return ends.min(axis=0), ends.max(axis=0)


def main_part(sample: Array) -> Bounds:
    """Ends (3,), (3,) of the shortest stretch along each axis that holds four points in five."""
    part = np.sort(sample[:: max(1, len(sample) // _LOOK_AT)], axis=0)
    held = int(np.ceil(_MAIN * len(part))) - 1
    first = np.argmin(part[held:] - part[: len(part) - held], axis=0)
    axes = np.arange(3)
    return part[first, axes], part[first + held, axes]


def _in_dense_parts(sample: Array, edge: float) -> Mask:
    """Points (n,) in boxes that hang together in a part with a hundredth of all points or more."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    steps = np.floor((sample - np.median(sample, axis=0)) / edge)
    # a place thousands of boxes away is a stray whatever is beside it, and its number must not overflow
    steps = np.clip(steps, -1e5, 1e5).astype(np.int64) + 200_000
    number = (steps[:, 0] * 400_000 + steps[:, 1]) * 400_000 + steps[:, 2]
    boxes, of_point, count = np.unique(number, return_inverse=True, return_counts=True)
    usual = float(np.median(count[of_point]))
    dense = np.flatnonzero(count >= max(2.0, _SPARSE * usual))
    held = boxes[dense]
    links = []
    for step in product((-1, 0, 1), repeat=3):
        if step <= (0, 0, 0):
            continue
        beside = held + (step[0] * 400_000 + step[1]) * 400_000 + step[2]
        at = np.minimum(np.searchsorted(held, beside), len(held) - 1)
        there = held[at] == beside
        links.append(np.stack([np.flatnonzero(there), at[there]]))
    one, two = np.concatenate(links, axis=1)
    graph = coo_matrix((np.ones(len(one)), (one, two)), shape=(len(held), len(held)))
    _, part = connected_components(graph, directed=False)
    points = np.bincount(part, weights=count[dense])
    large = (points >= _PART * len(sample)) | (points == points.max(initial=0))
    kept = np.zeros(len(boxes), dtype=bool)
    kept[dense] = large[part]
    return kept[of_point]


def outside(points: Array, box: Bounds) -> Mask:
    """Which points (n, 3) lie outside of a box; what is not finite does not."""
    marks = np.zeros(len(points), dtype=bool)
    with np.errstate(invalid="ignore"):
        for axis in range(3):
            marks |= (points[:, axis] < box[0][axis]) | (points[:, axis] > box[1][axis])
    return marks


@dataclass(frozen=True, eq=False)
class _Inside:
    """The blocks of a source without what lies outside of a box; a plain object so that a cloud can be pickled."""

    source: PointSource
    box: Bounds

    def __call__(self) -> Iterator[Block]:
        for block in self.source.blocks():
            kept = np.flatnonzero(~outside(block.points, self.box))
            if len(kept) == len(block.points):
                yield block
                continue
            yield block._replace(
                points=block.points[kept],
                normals=None if block.normals is None else partial(_of_kept, block.normals, kept),
                colours=None if block.colours is None else partial(_of_kept, block.colours, kept),
            )


def _of_kept(values: Callable[[Rows], NDArray[Any]], kept: Rows, rows: Rows) -> NDArray[Any]:
    """Normals or colours of chosen ones of the rows that were kept."""
    return values(kept[rows])


def cropped(path: Path, source: PointSource, crop: tuple[float, ...], least: int) -> PointSource:
    """The same file without what lies outside of ``crop`` (x0, y0, z0, x1, y1, z1 in file units), which it says.

    One more pass counts what stays, so that as many points as ever are drawn from it. Raises `BadValue`, with what the
    file fills, where fewer than ``least`` points lie in the box.
    """
    corners = np.array(crop, float).reshape(2, 3)
    box = corners.min(axis=0), corners.max(axis=0)
    rows = kept = 0
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    with np.errstate(all="ignore"):
        for block in source.blocks():
            rows += len(block.points)
            kept += int(np.count_nonzero(~outside(block.points, box)))
            finite = block.points[np.isfinite(block.points).all(axis=1)]
            if len(finite):
                low, high = np.minimum(low, finite.min(axis=0)), np.maximum(high, finite.max(axis=0))
    if kept < least:
        raise BadValue(
            "{set:crop}",
            "{kept:count} of {rows:count} points of {file} lie in the box; they fill {low} to {high}",
            needed="at least {least:count} points in it, corners as the file's own numbers",
            remedy="Give a box that holds the wall, such as {set:crop} {low},{high}",
            kept=kept,
            rows=rows,
            file=path.name,
            least=least,
            low=file_place(np.floor(100 * low) / 100),
            high=file_place(np.ceil(100 * high) / 100),
            choices=(("crop", f"{file_place(np.floor(100 * low) / 100)},{file_place(np.ceil(100 * high) / 100)}"),),
        )
    said = note("capture.cropped", left=rows - kept, rows=rows, low=file_place(box[0]), high=file_place(box[1]))
    share = kept / max(rows, 1)
    return replace(
        source,
        count=kept,
        count_exact=True,
        blocks=_Inside(source, box),
        bounds=None,
        mesh_area=None if source.mesh_area is None else source.mesh_area * share,
        warnings=(*source.warnings, said),
    )
