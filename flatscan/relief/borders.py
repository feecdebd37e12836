"""What a piece that stands proud looks like: how high, how sharp its borders, how flat its top, how even its sides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask, fit_plane_robust, fit_quadratic_robust, quadratic_terms
from flatscan.relief.pieces import EIGHT, FURTHEST, THINNEST, Cells, Window, box_mean

# the wall around a piece is looked at this far [m], and at least so many cells
_AROUND, _AROUND_CELLS = 0.15, 7
_SHARP = 0.7
_MAD = 1.4826
# share of cells before which something stands, from which on a piece is a screen (leaves) and no sheet
SCREEN = 0.3
_QUADRATIC_FROM = 0.3


@dataclass(frozen=True, slots=True)
class Border:
    """Of a piece's border: the share over which it rises within three cells, the part of its height it rises there.

    ``tested`` is the share that lies against measured wall.
    """

    sharp: float
    rise: float
    tested: float


@dataclass(frozen=True, slots=True)
class Ring:
    """The wall around a piece: its middle, the scatter of its cells, and half of what it spans without tails [m]."""

    middle: float
    scatter: float
    uneven: float


@dataclass(frozen=True, slots=True)
class CrossSection:
    """A piece across its length: what stands there is ``height`` high [m], ``shape`` times as high as it is wide.

    ``long`` [m] is its length, ``volume`` [m3] what it holds.
    """

    height: float
    shape: float
    long: float
    volume: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Piece:
    """A proud piece: where it is, and what it looks like.

    ``mask`` lies in ``window`` of the relief, ``q`` [m] are heights over the wall around it. ``height`` [m] is its
    middle's, ``peak`` [m] what it reaches. ``wide`` and ``tall`` [m] are its extent, ``narrow`` its least width in
    cells. ``filled`` is its part of its bounding rectangle, ``drop`` how far its top falls from its middle to its sides
    as a share of its height, ``rough`` the scatter of its top, likewise. ``screen`` [m] is how far what lets the wall
    be seen through stands off it.
    """

    window: Window
    mask: Mask
    q: Array
    height: float
    peak: float
    wide: float
    tall: float
    narrow: float
    filled: float
    drop: float
    rough: float
    screen: float
    border: Border
    ring: Ring
    section: CrossSection
    area: float

    @property
    def size(self) -> float:
        """The larger of its width and height [m]."""
        return max(self.wide, self.tall)


def measured(cells: Cells, window: Window, mask: Mask, taken: Mask) -> Piece | None:
    """What a piece looks like against the wall around it; None where it does not stand proud of that."""
    found = _against(cells, window, mask, taken)
    # the ring lies better around what the first round cut out
    found = None if found is None else _against(cells, found[0], found[1], taken)
    return None if found is None else _described(cells, *found, taken)


def _around(window: Window, mask: Mask, reach: int, shape: tuple[int, int]) -> tuple[Window, Mask]:
    """The window drawn ``reach`` cells around what is set in the mask, and the mask in it."""
    row, col = np.nonzero(mask)
    low, left = window[0].start, window[1].start
    rows = slice(max(low + int(row.min()) - reach, 0), min(low + int(row.max()) + 1 + reach, shape[0]))
    cols = slice(max(left + int(col.min()) - reach, 0), min(left + int(col.max()) + 1 + reach, shape[1]))
    grown = np.zeros((rows.stop - rows.start, cols.stop - cols.start), dtype=bool)
    grown[row + low - rows.start, col + left - cols.start] = True
    return (rows, cols), grown


def _against(cells: Cells, window: Window, mask: Mask, taken: Mask) -> tuple[Window, Mask, Array] | None:
    """The piece cut where it stands half as high as its middle, over the wall around it: window, mask, heights q."""
    if not mask.any():
        return None
    size = max(np.ptp(index) + 1 for index in np.nonzero(mask))
    reach = max(_AROUND_CELLS, round(_AROUND / cells.cell), int(size) // 5)
    window, mask = _around(window, mask, reach, cells.z.shape)
    z, off = cells.z[window], taken[window]
    known = np.isfinite(z)
    away = ndimage.distance_transform_edt(np.pad(mask, 1))
    # what is thin, or lets the wall be seen through, has no top to be cut at half of
    narrow = away.max() < 2.5 and mask.sum() > 4 * away.max() ** 2
    narrow |= float(cells.veiled[window][mask].mean()) > SCREEN
    whole = mask if narrow else ndimage.binary_fill_holes(mask)
    away = ndimage.distance_transform_edt(~whole)
    ring = known & ~off & (away > 2.5) & (away <= reach)
    q = z - _plane_under(z, ring, whole, cells.cell)
    core = whole & known
    if ring.sum() < 12 or not core.any():
        return None
    height = float(np.median(q[core]))
    if narrow:
        return window, mask, q
    if height < THINNEST:
        return None
    labels, _ = ndimage.label((known & ~off & (q > height / 2) & (q < FURTHEST)) | (whole & ~known), structure=EIGHT)
    here = np.bincount(labels[whole], minlength=labels.max() + 1)
    here[0] = 0
    if not here.any():
        return None
    return window, ndimage.binary_fill_holes(labels == here.argmax()), q


def _plane_under(z: Array, ring: Mask, whole: Mask, cell: float) -> Array:
    """The wall under a piece, out of cells of a ring around it: a plane, under a large one all round a quadratic."""
    row, col = np.nonzero(ring)
    if len(row) < 12 or np.ptp(row) == 0 or np.ptp(col) == 0:
        return np.full(z.shape, np.nan)
    every = max(1, len(row) // 3000)
    x, y, off = ((at[::every]).astype(np.float64) * by for at, by in ((col, cell), (row, cell), (z[ring], 1.0)))
    up, along = np.nonzero(whole)
    across, upward = np.meshgrid(np.arange(z.shape[1]) * cell, np.arange(z.shape[0]) * cell)
    sides = (row.min() < up.min(), row.max() > up.max(), col.min() < along.min(), col.max() > along.max())
    if all(sides) and max(np.ptp(up), np.ptp(along)) * cell > _QUADRATIC_FROM and len(x) > 60:
        middle, scale = (x.mean(), y.mean()), max(float(np.ptp(x)), float(np.ptp(y)))
        terms = fit_quadratic_robust(quadratic_terms((x - middle[0]) / scale, (y - middle[1]) / scale), off)
        flat = quadratic_terms(((across - middle[0]) / scale).ravel(), ((upward - middle[1]) / scale).ravel())
        fitted: Array = (flat @ terms).reshape(z.shape)
        return fitted
    plane = fit_plane_robust(x, y, off)[0]
    return plane[0] + plane[1] * across + plane[2] * upward


def _described(cells: Cells, window: Window, mask: Mask, q: Array, taken: Mask) -> Piece | None:
    known = np.isfinite(q)
    if not (mask & known).any():
        return None
    wide, tall = (_extent(np.where(mask & known, q, 0.0), axis) * cells.cell for axis in (0, 1))
    away = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    core = mask & known & (away > 1.5)
    core = core if core.sum() >= 6 else mask & known
    top, screen = float(np.median(q[core])), _screen(cells, window, mask, q)
    if not (top > 0 and wide > 0 and tall > 0):
        if screen == 0:
            return None
        row, col = np.nonzero(mask)
        wide, tall, top = float(np.ptp(col) + 1) * cells.cell, float(np.ptp(row) + 1) * cells.cell, THINNEST
    share = np.clip(np.where(known, q, top) / top, 0, 1)[mask]
    return Piece(
        window=window,
        mask=mask,
        q=q,
        height=top,
        peak=float(np.quantile(q[mask & known], 0.95)),
        wide=wide,
        tall=tall,
        narrow=2 * float(away.max()) - 0.5,
        filled=float(share.sum()) * cells.cell**2 / (wide * tall),
        drop=_drop(q, core, top),
        rough=_MAD * float(np.median(np.abs(q[core] - top))) / top,
        screen=screen,
        border=_border(q, mask, known & ~taken[window], cells.inside[window]),
        ring=_ring(q, mask, known & ~taken[window]),
        section=_section(cells, window, mask, q, max(wide, tall)),
        area=float(mask.sum()) * cells.cell**2,
    )


def _ring(q: Array, mask: Mask, known: Mask) -> Ring:
    """The wall three to eight cells off a piece."""
    outer = ndimage.distance_transform_edt(~mask)
    around = q[known & (outer > 3) & (outer <= 8)]
    if not around.size:
        return Ring(0.0, 0.0, 0.0)
    low, middle, high = np.quantile(around, (0.1, 0.5, 0.9))
    return Ring(float(middle), _MAD * float(np.median(np.abs(around - middle))), float(high - low) / 2)


def _screen(cells: Cells, window: Window, mask: Mask, q: Array) -> float:
    """How far what lets the wall be seen through stands off it [m]: the median, 0 where nothing does."""
    off = cells.before[window] - (cells.z[window] - q)
    there = mask & cells.veiled[window] & np.isfinite(off)
    return float(np.median(off[there])) if there.mean() > 0 and there.sum() > SCREEN * mask.sum() else 0.0


def _extent(q: Array, axis: int) -> float:
    """Cells that a piece reaches across: those at its ends count as far as they stand as high as the ones between."""
    best = np.sort(q, axis=axis)
    line = best[-min(3, len(best)) :].mean(axis=0) if axis == 0 else best[:, -min(3, best.shape[1]) :].mean(axis=1)
    there = np.flatnonzero(line > 0)
    line = line[there[0] : there[-1] + 1] if len(there) else line[:0]
    if len(line) < 3:
        return float(len(line))
    usual = max(float(np.median(line)), 1e-9)
    return float(np.clip(line / usual, 0, 1)[[0, -1]].sum()) + len(line) - 2


def _border(q: Array, mask: Mask, known: Mask, inside: Mask) -> Border:
    """How a piece rises from the wall: just inside its border less just outside, over what is further in and out."""
    one = ndimage.binary_erosion(mask, EIGHT, border_value=1)
    two = ndimage.binary_erosion(one, EIGHT, border_value=1)
    near = ndimage.binary_dilation(mask, EIGHT)
    beside = ndimage.binary_dilation(near, EIGHT)
    third = ndimage.binary_dilation(beside, EIGHT)
    further = ndimage.binary_dilation(third, EIGHT, iterations=2) & ~third
    wall, body = known & inside, mask & known
    inner = _first_known(box_mean(q, one & ~two & known, 5), box_mean(q, body, 5))
    top = _first_known(box_mean(q, one & known, 13), box_mean(q, body, 7))
    foot = box_mean(q, beside & ~near & wall, 5)
    far = _first_known(box_mean(q, further & wall, 9), foot)
    part = (inner - foot) / np.maximum(top - far, 1e-4)
    rim = body & ~one
    tested = rim & np.isfinite(part)
    if not tested.any():
        return Border(0.0, 0.0, 0.0)
    steep = part[tested]
    return Border(float((steep > _SHARP).mean()), float(np.median(steep)), float(tested.sum() / rim.sum()))


def _first_known(values: Array, others: Array) -> Array:
    return np.where(np.isfinite(values), values, others)


def _drop(q: Array, core: Mask, top: float) -> float:
    """How far a quadratic through the top falls from its middle to its sides, over its height."""
    row, col = np.nonzero(core)
    if len(row) < 9:
        return float("nan")
    x, y = ((index - index.mean()) / max(float(np.ptp(index)) / 2, 1.0) for index in (col, row))
    try:
        every = max(1, len(x) // 2000)
        terms = fit_quadratic_robust(quadratic_terms(x, y)[::every], q[core][::every])
    except np.linalg.LinAlgError:
        return float("nan")
    return float(-(terms[3] + terms[5]) / 2) / max(top, 1e-9)


def _section(cells: Cells, window: Window, mask: Mask, q: Array, size: float) -> CrossSection:
    """How high and wide a piece is where cells are larger than it is wide.

    Each cell holds a part p of something h high: its mean stands off by m = p h and its points scatter by
    v = p (1 - p) h^2 beyond the noise, so the sum of m^2 + v over that of m is h whatever p is.
    """
    known = np.isfinite(q)
    near = ndimage.binary_dilation(mask, EIGHT)
    spread = np.nan_to_num(cells.spread[window])
    beyond = ndimage.binary_dilation(near, EIGHT, iterations=5) & ~near & np.isfinite(cells.spread[window])
    noise = float(np.median(spread[beyond])) if beyond.any() else 0.0
    m, use = np.where(known, q, 0.0), mask & known
    first, volume = float(m[use].sum()), float(m[near].sum()) * cells.cell**2
    second = float((m**2 + spread**2 - noise**2)[use].sum())
    long = max(size, float(mask.sum()) * cells.cell / max(2 * _middle_width(mask), 1.0))
    if first < 0.6 * float(np.abs(m[use]).sum()) or second <= 0 or volume <= 0:
        return CrossSection(0.0, 0.0, long, 0.0)
    height = second / first
    return CrossSection(height, height / max(volume / (height * long), 1e-3), long, volume)


def _middle_width(mask: Mask) -> float:
    """Half the width in cells along a piece's spine: the median of the ridges of its distances to the border."""
    away = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    ridge = mask & (away >= ndimage.maximum_filter(away, 3) - 1e-9)
    return float(np.median(away[ridge])) - 0.25 if ridge.any() else 0.5
