"""Several captures of one wall in shared coordinates: where they overlap, how far they stand apart, what that costs.

See methods/uncertainty 14. Nothing is moved or levelled: the difference is part of the error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask, fit_plane
from flatscan.core.model import Counts, Relief
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.relief.seams import SeamError

BLOCK = 0.10
# an overlap of less ties nothing [m2]
LEAST_AREA = 0.05
# surfaces further apart do not meet: two sweeps of one wall are two surfaces [m]
DOUBLED = 0.005
_FILLED, _FEWEST, _LEAST_CHORDS = 0.25, 5, 10
_LARGE = 0.95


@dataclass(frozen=True, slots=True)
class Covered:
    """What one capture covers of the wall: its ``share`` of the measured area, and left, bottom, right, top [m]."""

    share: float
    box: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Overlap:
    """Where captures number ``one`` and ``two`` (from 1) both cover the wall, ``two`` less ``one``, lengths in metres.

    ``mean`` is how far ``two`` stands proud, ``u_mean`` the random part of its error; ``along`` and ``up`` [m per m]
    are the slopes of the difference, ``rms`` its size in all, ``large`` what 95 % of it stays under, both less noise;
    ``rest`` is what a plane leaves of it, ``chord`` the spread of that over chords of ``span`` (None: too narrow).
    """

    one: int
    two: int
    area: float
    box: tuple[float, float, float, float]
    mean: float
    u_mean: float
    along: float
    up: float
    rms: float
    large: float
    rest: float
    chord: float | None
    span: float

    @property
    def middle(self) -> tuple[float, float]:
        """Middle of the box [m]."""
        return (self.box[0] + self.box[2]) / 2, (self.box[1] + self.box[3]) / 2


@dataclass(frozen=True, eq=False)
class Mosaic:
    """How the captures of a wall lie together: what each covers, their overlaps, and the captures nothing ties.

    ``files`` are their names; ``loose`` numbers captures (from 1) that no overlap ties to the first, directly or over
    others. ``doubled`` [m] is the largest distance of two that do not meet, None where all do.
    """

    files: tuple[str, ...]
    covered: tuple[Covered, ...]
    overlaps: tuple[Overlap, ...]
    loose: tuple[int, ...]
    doubled: float | None


def lie_together(files: Sequence[str], taken: Sequence[Relief], span: float) -> Mosaic:
    """Compare reliefs of one wall on the same cells, one a capture, pair by pair; chords are ``span`` [m] long."""
    reliefs = _of_cells(taken)
    seen = np.any([one.valid for one in reliefs], axis=0)
    area = max(float(reliefs[0].area[seen].sum()), 1e-12)
    covered = tuple(Covered(float(one.area[one.valid].sum()) / area, _box(one, one.valid)) for one in reliefs)
    pairs = [(i, j) for i in range(len(reliefs)) for j in range(i + 1, len(reliefs))]
    found = [_overlap(i + 1, j + 1, reliefs[i], reliefs[j], span) for i, j in pairs]
    overlaps = tuple(one for one in found if one is not None)
    apart = [max(abs(one.mean), one.large) for one in overlaps]
    doubled = max((one for one in apart if one > DOUBLED), default=None)
    return Mosaic(tuple(files), covered, overlaps, _loose(len(reliefs), overlaps), doubled)


def _of_cells(reliefs: Sequence[Relief]) -> list[Grid]:
    """The reliefs, all of cells: captures put together are scans."""
    grids = [one for one in reliefs if isinstance(one, Grid)]
    assert len(grids) == len(reliefs)
    return grids


def _box(relief: Grid, mask: Mask) -> tuple[float, float, float, float]:
    row, col = np.nonzero(mask)
    if not len(row):
        return 0.0, 0.0, 0.0, 0.0
    half = relief.cell / 2
    x, y = relief.x[col], relief.y[row]
    return float(x.min() - half), float(y.min() - half), float(x.max() + half), float(y.max() + half)


def _overlap(number: int, other: int, one: Grid, two: Grid, span: float) -> Overlap | None:
    both = one.valid & two.valid
    area = float(one.area[both].sum())
    if area < LEAST_AREA:
        return None
    (x, y, d, u), numbers = _blocks(one, two, both)
    if len(d) < _FEWEST:
        return None
    noise = float(np.mean(u**2))
    mean = float(d.mean())
    along, up, rest = _slopes(x, y, d)
    rms = float(np.sqrt(max(float(np.mean(d**2)) - noise, 0.0)))
    large = float(np.sqrt(max(float(np.quantile(np.abs(d), _LARGE)) ** 2 - 1.96**2 * noise, 0.0)))
    left = float(np.sqrt(max(float(np.mean(rest**2)) - noise, 0.0)))
    chord = _chord(numbers, rest, noise, round(span / 2 / (_cells_of(one) * one.cell)))
    u_mean = float(np.sqrt(noise / len(d)))
    return Overlap(
        number, other, area, _box(one, both), mean, u_mean, along, up, max(rms, abs(mean)), large, left, chord, span
    )


def _cells_of(relief: Grid) -> int:
    """How many cells a block of about 100 mm is wide."""
    return max(1, round(BLOCK / relief.cell))


def _blocks(one: Grid, two: Grid, both: Mask) -> tuple[tuple[Array, Array, Array, Array], Counts]:
    """Middles, mean difference and its random u (n,) [m] of blocks that both captures cover, and (n, 2) their places.

    Blocks are about 100 mm wide, counted along and up.
    """
    size = _cells_of(one)
    row, col = np.nonzero(both)
    wide = -(-both.shape[1] // size)
    number = (row // size) * wide + col // size
    count = np.bincount(number)
    held = count >= max(1, _FILLED * size**2)
    count = np.maximum(count, 1)
    difference = (two.offset - one.offset)[both]
    variance = (one.u**2 + two.u**2)[both]
    x, y, d = (np.bincount(number, values) / count for values in (one.x[col], one.y[row], difference))
    u = np.sqrt(np.bincount(number, variance)) / count
    at = np.flatnonzero(held)
    return (x[held], y[held], d[held], u[held]), np.stack([at % wide, at // wide], axis=1)


def _slopes(x: Array, y: Array, d: Array) -> tuple[float, float, Array]:
    """Slopes along and up of the plane through the differences, and what it leaves (n,) [m]."""
    try:
        plane, _ = fit_plane(x, y, d)
    except np.linalg.LinAlgError:
        return 0.0, 0.0, d - d.mean()
    return float(plane[1]), float(plane[2]), d - plane[0] - plane[1] * x - plane[2] * y


def _chord(numbers: Counts, rest: Array, noise: float, half: int) -> float | None:
    """Spread [m] of the middles of chords, ``half`` blocks to both sides along and up; None where few fit."""
    places = {(int(a), int(b)): value for (a, b), value in zip(numbers, rest, strict=True)}
    half = max(1, half)
    found = []
    for (a, b), middle in places.items():
        for step in ((half, 0), (0, half)):
            ends = [places.get((a + side * step[0], b + side * step[1])) for side in (-1, 1)]
            if ends[0] is not None and ends[1] is not None:
                found.append((ends[0] + ends[1]) / 2 - middle)
    if len(found) < _LEAST_CHORDS:
        return None
    return float(np.sqrt(max(float(np.mean(np.square(found))) - 1.5 * noise, 0.0)))


def _loose(count: int, overlaps: Sequence[Overlap]) -> tuple[int, ...]:
    tied, grew = {1}, True
    while grew:
        new = {b for one in overlaps for a, b in ((one.one, one.two), (one.two, one.one)) if a in tied} - tied
        grew = bool(new)
        tied |= new
    return tuple(number for number in range(1, count + 1) if number not in tied)


def with_seams(whole: Relief, taken: Sequence[Relief], together: Mosaic) -> Grid:
    """The relief of all points with the common error of a wall put together: see `SeamError`.

    The difference of two captures counts in full, half of its variance to each. What nothing ties differs by as much
    as its type's error allows.
    """
    relief, *reliefs = _of_cells([whole, *taken])
    common, block = relief.common, max(1, round(BLOCK / 2 / relief.cell))
    step = block * relief.cell
    wide, high = (max(float(np.ptp(at)), relief.cell) for at in (relief.x, relief.y))
    bend = common.sd / common.length
    offsets, slopes, middles = _differences(len(reliefs), together, (wide, high), bend)
    for number in _untied(len(reliefs), together):
        left, bottom, right, top = together.covered[number].box
        offsets[number] = max(float(offsets[number]), common.u_offset)
        slopes[number] = np.maximum(slopes[number], bend)
        middles[number] = (left + right) / 2, (bottom + top) / 2
    box = np.array([relief.x[0], relief.y[0], relief.x[-1], relief.y[-1]])
    error = SeamError(
        sd=_warp(common, together),
        length=common.length,
        u_offset=float(np.hypot(common.u_offset, offsets.max())),
        scale=common.scale,
        source=common.source,
        weights=_weights(reliefs, block),
        start=np.array([relief.x[0], relief.y[0]]) - relief.cell / 2 + step / 2,
        step=step,
        offsets=offsets,
        slopes=slopes,
        middles=middles,
        box=box,
    )
    return replace(relief, common=error, doubled=together.doubled)


def _untied(count: int, together: Mosaic) -> list[int]:
    """Captures (from 0) that do not hang together with the largest group; all others know their offset from it."""
    if not together.loose:
        return []
    return [number for number in range(count) if number + 1 in together.loose or len(together.loose) == count - 1]


def _differences(count: int, together: Mosaic, size: tuple[float, float], bend: float) -> tuple[Array, Array, Array]:
    """Offsets (n,) [m], slopes (n, 2) [m per m] and the middles (n, 2) they are about, of each capture.

    Where an overlap is narrower than the wall its slope beyond is not seen: a warp may bend away from it by
    ``bend`` [m per m], in proportion to what of the wall's ``size`` (2,) [m] it leaves out.
    """
    offsets, slopes, middles = np.zeros(count), np.zeros((count, 2)), np.zeros((count, 2))
    for number in range(count):
        here = [one for one in together.overlaps if number + 1 in (one.one, one.two)]
        if not here:
            continue
        # a larger part of the difference than its root mean square counts where it is not even
        offsets[number] = max(max(one.rms, one.large / 1.645) for one in here) / np.sqrt(2)
        total = sum(one.area for one in here)
        middles[number] = np.sum([np.array(one.middle) * one.area for one in here], axis=0) / total
        for axis, (low, high) in enumerate(((0, 2), (1, 3))):
            seen = max(one.box[high] - one.box[low] for one in here) / size[axis]
            slope = max(abs((one.along, one.up)[axis]) for one in here) / np.sqrt(2)
            slopes[number, axis] = float(np.hypot(slope, bend * np.sqrt(max(1 - min(seen, 1.0), 0.0))))
    return offsets, slopes, middles


def _warp(common: CommonError, together: Mosaic) -> float:
    """The warp's sd [m]: as declared, or where overlaps show more, as they show it."""
    sd = common.sd
    for one in together.overlaps:
        if one.chord is not None:
            unit = float(CommonError(1.0, common.length).u_gap(np.array(one.span / 2), np.array(one.span / 2)))
            sd = max(sd, one.chord / np.sqrt(2) / max(unit, 1e-9))
    return sd


def _weights(reliefs: Sequence[Grid], block: int) -> Array:
    """Share of each capture (captures, rows, cols) in the means of blocks of cells; empty ones as the nearest."""
    counts = np.stack([_block_sum(np.where(one.valid, one.count, 0), block) for one in reliefs]).astype(float)
    total = counts.sum(axis=0)
    if not total.any():
        return np.full(counts.shape, 1 / len(reliefs))
    nearest = ndimage.distance_transform_edt(total == 0, return_distances=False, return_indices=True)
    shares: Array = (counts / np.maximum(total, 1))[:, nearest[0], nearest[1]]
    return shares


def _block_sum(values: Array, block: int) -> Array:
    rows, cols = (-(-size // block) for size in values.shape)
    padded = np.zeros((rows * block, cols * block))
    padded[: values.shape[0], : values.shape[1]] = values
    return padded.reshape(rows, block, cols, block).sum(axis=(1, 3))


def plane_apart(one: Relief, two: Relief) -> tuple[float, float]:
    """How far the plane of capture ``two`` lies from that of ``one`` in its middle [m], and the angle between [rad]."""
    planes = []
    for relief in (one, two):
        x, y = (values[relief.valid] for values in relief.places)
        planes.append((fit_plane(x, y, relief.offset[relief.valid])[0], float(x.mean()), float(y.mean())))
    (first, _, _), (second, across, upward) = planes
    off = float((second - first) @ np.array([1.0, across, upward]))
    return off, float(np.arctan(np.hypot(*(second - first)[1:])))
