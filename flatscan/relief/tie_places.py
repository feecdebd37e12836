"""Where laser readings stand on a scan: what the scan shows there, and how surely the two can be compared."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import BadTable, TooFewPoints
from flatscan.core.geometry import Array, in_polygon
from flatscan.core.model import Readings, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.reliefs import Grid

# a reading is compared with the scan's cells within this distance of it [m], or one and a half cells
_REACH = 0.060
# positions are taped to a wall's edge that a scan shows to a few cells
_EDGE_SLACK = 0.050
_SIZE_APART = 0.02
_FEWEST = 3
# so many of the places not used are named
_SAID = 4


@dataclass(frozen=True, eq=False)
class Differences:
    """Readings on a scan: ``places`` (n, 2), ``scan`` (n,) there, ``difference`` (n,) scan minus reading, its ``u``."""

    places: Array
    scan: Array
    difference: Array
    u: Array
    relief: Grid
    size: tuple[float, float]

    def without(self, numbers: list[int]) -> Differences:
        """All but the readings of these numbers."""
        kept = np.delete(np.arange(len(self.u)), numbers)
        return replace(
            self, places=self.places[kept], scan=self.scan[kept], difference=self.difference[kept], u=self.u[kept]
        )

    def moved(self, *, mirror_x: bool = False, mirror_y: bool = False) -> Differences | None:
        """The same readings with their positions counted from the other end; None where the scan has a gap there."""
        x, y = self.places.T
        at = np.column_stack([self.size[0] - x if mirror_x else x, self.size[1] - y if mirror_y else y])
        shown = [_scan_at(self.relief, *place) for place in at]
        if any(one is None for one in shown):
            return None
        scan = np.array([one.value for one in shown if one is not None])
        return replace(self, places=at, scan=scan, difference=scan - (self.scan - self.difference))


@dataclass(frozen=True, slots=True)
class _Shown:
    value: float
    u: float
    slope: float
    roughness2: float


def differences(relief: Grid, wall: Wall, readings: Readings, u_place: float) -> tuple[Differences, list[Note]]:
    """Scan minus reading at every station that stands on measured cells, and notes on the others.

    ``u`` holds the reading's own error, the scan's noise there, the slope of the surface times how well the place is
    known (``u_place`` [m], and the scan's scale), and the roughness a scan averages and a rule's end does not. Raises
    `BadTable` for a station off the wall and `TooFewPoints` if no station is left.
    """
    _refuse_outside(wall, readings)
    kept, shown, gone = [], [], list[Note]()
    for i, (x, y) in enumerate(zip(readings.x, readings.y, strict=True)):
        one = _scan_at(relief, float(x), float(y))
        if one is None:
            gone.append(note("relief.spot", (float(x), float(y))))
        else:
            kept.append(i)
            shown.append(one)
    if not shown:
        raise TooFewPoints(
            "{file}",
            "none of {count} readings stands where the scan measured the wall",
            needed="at least one, better six or more",
            remedy="Read places that the scan covers",
            file=readings.origin.file,
            count=len(readings.x),
        )
    places = np.column_stack([readings.x[kept], readings.y[kept]])
    scan = np.array([one.value for one in shown])
    rough2 = max(float(np.median([one.roughness2 for one in shown])), 0.0)
    u_at = np.hypot(u_place, relief.common.scale * np.hypot(*places.T))
    own = np.array([one.u for one in shown])
    u = np.sqrt(readings.u**2 + own**2 + (np.array([one.slope for one in shown]) * u_at) ** 2 + rough2)
    found = Differences(places, scan, scan - readings.offset[kept], u, relief, (wall.width, wall.height))
    return found, [*_size_notes(wall, readings), *_gone_notes(gone), *_count_notes(places)]


def _scan_at(relief: Grid, x: float, y: float) -> _Shown | None:
    """The scan's surface at one place by a local plane through the cells around it; None where too few are measured."""
    cell = relief.cell
    reach = max(_REACH, 1.5 * cell)
    cols = np.flatnonzero(np.abs(relief.x - x) <= reach)
    rows = np.flatnonzero(np.abs(relief.y - y) <= reach)
    if not (len(cols) and len(rows)):
        return None
    part = np.ix_(rows, cols)
    here = relief.valid[part] & np.isfinite(relief.u[part])
    across, upward = np.meshgrid(relief.x[cols] - x, relief.y[rows] - y)
    z, u2 = relief.offset[part][here], relief.u[part][here] ** 2
    design = np.column_stack([np.ones(len(z)), across[here], upward[here]])
    if len(z) < _FEWEST or np.hypot(*design[:, 1:].T).min() > cell:
        return None
    if np.linalg.matrix_rank(design, tol=1e-6) < 3:
        design = design[:, :1]
    solve = np.linalg.pinv(design)
    coefficients = solve @ z
    floor2 = relief.u_floor**2
    u = float(np.sqrt((solve[0] ** 2 * np.maximum(u2 - floor2, 0.0)).sum() + floor2))
    free = len(z) - design.shape[1]
    spread2 = float(((z - design @ coefficients) ** 2).sum() / free) if free > 0 else 0.0
    slope = float(np.hypot(*coefficients[1:])) if len(coefficients) == 3 else 0.0
    return _Shown(float(coefficients[0]), u, slope, spread2 - float(np.maximum(u2 - floor2, 0.0).mean()))


def _refuse_outside(wall: Wall, readings: Readings) -> None:
    corners = wall.whole
    middle = corners.mean(axis=0)
    for x, y in zip(readings.x, readings.y, strict=True):
        # pulled in by the slack toward the middle: a taped edge and a scanned one differ by some cells
        toward = middle - np.array([x, y])
        pulled = np.array([x, y]) + toward * min(1.0, _EDGE_SLACK / max(float(np.hypot(*toward)), 1e-9))
        if not in_polygon(pulled[:1], pulled[1:], corners)[0]:
            raise BadTable(
                "{file}",
                "the reading at {at:xy} stands outside wall {wall}",
                needed="places on a wall of {width:length} x {height:length}, from its left edge and lowest edge",
                remedy="Correct the position, or choose the wall with {set:wall}",
                file=readings.origin.file,
                at=(float(x), float(y)),
                wall=wall.number,
                width=metres(wall.width),
                height=metres(wall.height),
            )


def _size_notes(wall: Wall, readings: Readings) -> list[Note]:
    said = []
    for up, given, seen in ((False, readings.width, wall.width), (True, readings.height, wall.height)):
        if given is not None and abs(given - seen) > max(_SIZE_APART * seen, _EDGE_SLACK):
            said.append(
                note("relief.height-apart" if up else "relief.width-apart", given=metres(given), seen=metres(seen))
            )
    return said


def _gone_notes(gone: list[Note]) -> list[Note]:
    if not gone:
        return []
    if len(gone) > _SAID:
        spots, more = tuple(gone[:_SAID]), len(gone) - _SAID
        return [note("relief.more-off-the-scan", count=len(gone), spots=spots, more=more)]
    if len(gone) == 1:
        return [note("relief.one-off-the-scan", spots=tuple(gone))]
    return [note("relief.off-the-scan", count=len(gone), spots=tuple(gone))]


def _count_notes(places: Array) -> list[Note]:
    spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    if len(places) < 3 or spread[-1] < 0.05 * np.sqrt(len(places)):
        return [note("relief.on-one-line", count=len(places))]
    return []
