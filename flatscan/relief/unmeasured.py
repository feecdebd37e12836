"""Which parts of a wall were not measured, where each lies and why: the largest first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Mask
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, square_metres
from flatscan.core.reliefs import Grid, Why

# smaller parts are told together: a cell here and there [m2], and what comes after so many
SCRAP, MOST = 0.01, 6
# a part that fills less of its rectangle than this is ragged: its area is said beside its size
_RAGGED = 0.7
_REASONS = {
    Why.NO_POINTS: note("relief.no-points"),
    Why.OBJECT: note("relief.object"),
    Why.SKIRTING: note("relief.skirting-board"),
    Why.STRIP: note("relief.strip"),
    Why.COLLAR: note("relief.collar"),
    Why.SEAM: note("relief.seam"),
    Why.DRAWN: note("relief.drawn-out"),
}
_STRIPS = {
    "left": "relief.strip-left",
    "bottom": "relief.strip-bottom",
    "right": "relief.strip-right",
    "top": "relief.strip-top",
}
_ABOVE_SKIRTING = "relief.strip-above-skirting"


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """A part of the wall that was not measured: why, its rectangle [m] in wall coordinates, and its area [m2].

    ``side`` is the edge a strip lies along, ``bottom`` also for one above a ``skirting`` board.
    """

    why: Why
    left: float
    bottom: float
    width: float
    height: float
    area: float
    side: str = ""
    skirting: bool = False

    @property
    def reason(self) -> Note:
        """Why it was not measured, in a few words."""
        return _REASONS[self.why]

    @property
    def said(self) -> Note:
        """Where it lies and why, to stand before "not judged" or after "not measured"."""
        if self.why == Why.STRIP:
            wide = metres(self.width if self.side in ("left", "right") else self.height)
            return note(_ABOVE_SKIRTING if self.skirting else _STRIPS[self.side], wide=wide)
        if self.why == Why.SKIRTING:
            return note("relief.behind-skirting", high=metres(self.height))
        if self.why == Why.COLLAR:
            return note("relief.round-openings", area=square_metres(self.area))
        if self.why == Why.DRAWN:
            return note("relief.drawn-over", (self.left, self.bottom), area=square_metres(self.area))
        size = {"width": metres(self.width), "height": metres(self.height), "area": square_metres(self.area)}
        ragged = self.area < _RAGGED * self.width * self.height
        if self.why == Why.SEAM:
            return note("relief.seam-at", (self.left, self.bottom), width=size["width"], height=size["height"])
        if self.why == Why.OBJECT:
            return note("relief.object-ragged" if ragged else "relief.object-at", (self.left, self.bottom), **size)
        return note("relief.no-points-ragged" if ragged else "relief.no-points-at", (self.left, self.bottom), **size)


def unmeasured(relief: Relief, wall: Wall) -> tuple[Unmeasured, ...]:
    """The parts of a wall that a relief of cells does not measure, the largest first; none where there are no cells.

    Strips, the skirting and collars are a part each, the rest one for each group of cells that touch.
    """
    if not isinstance(relief, Grid):
        return ()
    lost = relief.inside & ~relief.valid
    if not lost.any():
        return ()
    why = np.full(lost.shape, Why.NO_POINTS) if relief.why is None else relief.why
    # what was taken for measured and has no value (as in a change) is not known either
    why = np.where(lost & (why == Why.MEASURED), Why.NO_POINTS, why)
    parts = [_part(relief, wall, lost & (why == one), one) for one in (Why.SKIRTING, Why.COLLAR)]
    strips = lost & (why == Why.STRIP)
    edges = _along_edges(relief, wall) if strips.any() else []
    parts += [_part(relief, wall, strips & at, Why.STRIP, side) for side, at in edges]
    for one in (Why.NO_POINTS, Why.OBJECT, Why.SEAM):
        gone = lost & (why == one)
        if gone.any():
            labels, number = relief.connected(gone)
            parts += [_part(relief, wall, labels == group, one) for group in _large(relief, labels, number)]
    parts += [Unmeasured(Why.DRAWN, one.left, one.bottom, one.width, one.height, one.area) for one in relief.aside]
    found = [part for part in parts if part is not None and part.area >= SCRAP]
    return tuple(sorted(found, key=lambda part: (-part.area, part.left, part.bottom)))


def reasons_in(relief: Relief) -> tuple[Note, ...]:
    """Why some of a relief was not measured, in a few words each; none where that is not known."""
    why = relief.why if isinstance(relief, Grid) else None
    lost = relief.inside & ~relief.valid
    return () if why is None else tuple(said for one, said in _REASONS.items() if (why[lost] == one).any())


def not_measured(parts: tuple[Unmeasured, ...], area: float) -> tuple[Note, ...]:
    """What to say of the parts, of which all that is not measured has an ``area`` [m2]: the rest in one."""
    some = parts[:MOST]
    rest = area - sum(part.area for part in some)
    said = tuple(part.said for part in some)
    return (*said, note("relief.smaller-places", area=square_metres(rest))) if rest >= SCRAP else said


def _large(relief: Grid, labels: np.ndarray, number: int) -> list[int]:
    """Numbers of the groups of at least `SCRAP`."""
    size = np.bincount(labels.ravel(), relief.area.ravel(), minlength=number + 1)
    return [group for group in range(1, number + 1) if size[group] >= SCRAP]


def _along_edges(relief: Grid, wall: Wall) -> list[tuple[str, Mask]]:
    """Which cells (rows, cols) lie between the wall's edge and what is measured of it, for each side."""
    across, upward = relief.places
    (left, bottom), (right, top) = wall.outline.min(axis=0), wall.outline.max(axis=0)
    # a cell belongs to the edge it lies nearest to, beyond half of it
    off = np.stack([left - across, bottom - upward, across - right, upward - top]) + relief.cell / 2
    nearest = off.argmax(axis=0)
    return [(side, nearest == number) for number, side in enumerate(_STRIPS)]


def _part(relief: Grid, wall: Wall, cells: Mask, why: Why, side: str = "") -> Unmeasured | None:
    row, col = np.nonzero(cells)
    if not len(row):
        return None
    half = relief.cell / 2
    low, high = wall.whole.min(axis=0), wall.whole.max(axis=0)
    left, right = max(relief.x[col.min()] - half, low[0]), min(relief.x[col.max()] + half, high[0])
    bottom, top = max(relief.y[row.min()] - half, low[1]), min(relief.y[row.max()] + half, high[1])
    area = float(relief.area[cells].sum())
    place = (float(left), float(bottom), float(right - left), float(top - bottom))
    return Unmeasured(why, *place, area, side, side == "bottom" and wall.skirting > 0)
