"""Humps and hollows that stand off the best-fit plane: where, how far and how large, and how sure that is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from flatscan.core.geometry import Array
from flatscan.core.model import Counts, Relief
from flatscan.core.quantity import COVER
from flatscan.relief.shape import PATCH_OVER, Patch, Shape, halves_of

# places that stand for the wall where the common error's part of the fitted plane is worked out
_SOME = 300
# of what the same noise once more adds to a peak: what has been added, and how sure that is; and how much more than as
# stated a common error may put on it, since not all are of the stated form (by trial, methods/definitions 8)
_ADDED, _DOUBT, _OTHER_FORM = 1.75, 1.0, 1.25
Box = tuple[slice, slice]


def patches_of(relief: Relief, shape: Shape) -> tuple[Patch, ...]:
    """Humps and hollows over max(3 mm, 2 u) from the best-fit plane, 8-connected, the largest deviation first."""
    threshold = np.nan_to_num(np.maximum(PATCH_OVER, 2 * relief.u))
    halves = [np.nan_to_num(shape.residual + half - relief.offset) for half in halves_of(relief)]
    found: list[Patch] = []
    for kind, sign in (("hump", 1.0), ("hollow", -1.0)):
        off = np.where(relief.valid, sign * np.nan_to_num(shape.residual), 0.0)
        labels, number = relief.connected(relief.valid & (off > threshold))
        boxes = ndimage.find_objects(labels, number)
        some = [_patch(relief, off, labels, box, i, kind) for i, box in enumerate(boxes, 1)]
        found += _with_doubt(relief, some, (labels, number), off, threshold, [sign * half for half in halves])
    return tuple(sorted(found, key=lambda patch: (-abs(patch.deviation), patch.x, patch.y)))


def _patch(relief: Relief, off: Array, labels: Counts, box: Box, number: int, kind: str) -> Patch:
    """The patch of that number as found, looked for only in the ``box`` of rows and columns it fills."""
    row, col = np.nonzero(labels[box] == number)
    row, col = row + box[0].start, col + box[1].start
    peak = int(np.argmax(off[row, col]))
    wide, high = relief.ground_of(row, col)
    return Patch(
        kind=kind,
        x=float(relief.x[col[peak]]),
        y=float(relief.y[row[peak]]),
        width=wide,
        height=high,
        deviation=float(off[row[peak], col[peak]]) * (1 if kind == "hump" else -1),
        area=float(relief.area[row, col].sum()),
    )


def _with_doubt(
    relief: Relief,
    found: list[Patch],
    labelled: tuple[Counts, int],
    off: Array,
    threshold: Array,
    halves: list[Array],
) -> list[Patch]:
    """The patches of one kind with what noise adds to their peaks taken out, and how sure deviation and area are.

    ``off`` (rows, cols) [m] is how far cells stand off that way, ``halves`` the same in each half of the points.
    """
    if not found:
        return []
    labels, number = labelled
    each = range(1, number + 1)
    largest = np.array([abs(patch.deviation) for patch in found])
    added = np.zeros(number)
    if halves:
        lifted = [np.asarray(ndimage.maximum(half, labels, each)) for half in halves]
        added = np.maximum(np.mean(lifted, axis=0) - largest, 0.0)
    at = [(int(np.abs(relief.y - patch.y).argmin()), int(np.abs(relief.x - patch.x).argmin())) for patch in found]
    common = _OTHER_FORM * u_off_plane(relief, np.array([(patch.x, patch.y) for patch in found]))
    own = np.array([relief.u[place] for place in at])
    u = np.sqrt(own**2 + common**2 + (_DOUBT * added) ** 2)
    best = np.maximum(largest - _ADDED * added, 0.0)
    margin = COVER * np.hypot(np.nan_to_num(relief.u), float(common.max()))
    low, high = _areas(relief, labelled, off - threshold, margin)
    return [
        replace(
            patch,
            deviation=float(np.copysign(best[i], patch.deviation)),
            u=float(u[i]) if np.isfinite(u[i]) else None,
            area_between=(float(low[i]), float(high[i])) if np.isfinite(u[i]) else (None, None),
        )
        for i, patch in enumerate(found)
    ]


def u_off_plane(relief: Relief, at: Array) -> Array:
    """What the common error puts on how far places ``at`` (n, 2) stand off the plane that is fitted with it (n,) [m].

    e(at) less the least-squares plane of e at some places: w C w' with w = (1, -row of the fit) [derived].
    """
    across, upward = (place[relief.valid] for place in relief.places)
    some = np.linspace(0, len(across) - 1, min(len(across), _SOME)).astype(int)
    seen = np.stack([across[some], upward[some]], axis=1)
    fit = np.linalg.pinv(np.column_stack([np.ones(len(seen)), seen]))
    rows = np.column_stack([np.ones(len(at)), at]) @ fit
    own = np.array([relief.common.covariance(one[None], one[None])[0, 0] for one in at])
    cross = np.einsum("ns,ns->n", rows, relief.common.covariance(at, seen))
    plane = np.einsum("ns,st,nt->n", rows, relief.common.covariance(seen, seen), rows, optimize=True)
    return np.asarray(np.sqrt(np.maximum(own - 2 * cross + plane, 0.0)))


def _areas(relief: Relief, labelled: tuple[Counts, int], over: Array, margin: Array) -> tuple[Array, Array]:
    """Least and largest area (n,) [m2] of each patch: with every cell as far off as it may be, either way."""
    labels, number = labelled
    each = range(1, number + 1)
    low = np.asarray(ndimage.sum_labels(np.where(over > margin, relief.area, 0.0), labels, each), float)
    wide, count = relief.connected(relief.valid & (over > -margin))
    sizes = np.asarray(ndimage.sum_labels(relief.area, wide, range(count + 1)), float)
    holds: NDArray[np.int64] = np.asarray(ndimage.maximum(wide, labels, each), np.int64)
    return low, sizes[holds]
