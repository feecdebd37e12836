"""Readings that people took with a straightedge and a wedge, set beside the scan's gap at the same place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.core.errors import BadTable, BadValue
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import COVER, metres
from flatscan.core.reliefs import Grid
from flatscan.core.table import Column, Row, Table, read_table
from flatscan.core.typed import length_in, unit_named
from flatscan.straightedge.gaps import Direction, Gap, Laying, directions_of, lay_out
from flatscan.straightedge.sweeping import sweep
from flatscan.straightedge.triples import find_triple, gap_of

# straightedge and wedge read with care, common practice (methods/straightedge 10: 0.5 mm, k = 1)
DEFAULT_U = 0.0005
# how far off the marked place a person reads, common practice
PLACE = 0.05
_LARGEST = 0.1
_WORDS = {"along": 0.0, "horizontal": 0.0, "level": 0.0, "up": 90.0, "vertical": 90.0, "plumb": 90.0}
_COLUMNS = (
    Column("x", unit="m"),
    Column("y", unit="m"),
    Column("direction", "angle", words=_WORDS),
    Column("gap", signed=False),
)


@dataclass(frozen=True, slots=True)
class HandReading:
    """A gap [m] read under a straightedge at a place [m], laid in a direction (degrees from horizontal)."""

    x: float
    y: float
    direction: float
    gap: float
    line: int


@dataclass(frozen=True, slots=True)
class HandReadings:
    """All readings of a file, the straightedge's length [m] (None: not said), u of a reading [m], and doubts."""

    file: str
    readings: tuple[HandReading, ...]
    rule: float | None
    u: float
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class HandCheck:
    """A reading beside the scan's deepest gap within 50 mm of it in the same direction, None where there is none.

    ``rule`` is the straightedge's length [m] and ``difference`` is reading minus scan; ``agrees`` is None where
    nothing can be compared, else whether the difference is within ``k`` times both standard uncertainties together.
    """

    reading: HandReading
    scan: Gap | None
    u_hand: float
    difference: float | None
    agrees: bool | None
    note: Note
    rule: float


def read_hand(path: str | Path) -> HandReadings:
    """Read a file of straightedge readings.

    A head of ``units``, ``rule`` and ``u`` lines (any order; ``units`` needed unless the gaps have their own), then a
    table with the columns x, y (m on the wall), direction (along, up or degrees from horizontal) and gap. Raises
    `ReadError` for a missing or unreadable file and `BadTable`, naming the line, for what does not fit.
    """
    table = read_table(path, _COLUMNS, head=("units", "rule", "u", "wall"))
    unit = unit_named(table.head["units"].cell(1)) if "units" in table.head else None
    rule = length_in(table.path, table.head["rule"], 1, None, "a length") if "rule" in table.head else None
    u = length_in(table.path, table.head["u"], 1, unit, "a length") if "u" in table.head else DEFAULT_U
    if u <= 0 or (rule is not None and rule <= 0):
        found = "rule {length:length.g}, u {u:length.g}" if rule is not None else "u {u:length.g}"
        values = {"length": metres(rule or 0.0), "u": metres(u)}
        remedy = "Correct the head of the file"
        raise BadTable(table.path, found, needed="lengths over 0", remedy=remedy, **values)
    readings = tuple(_reading(table, row) for row in table.rows)
    return HandReadings(str(path), readings, rule, u, table.notes)


def _reading(table: Table, row: Row) -> HandReading:
    """One line of the table; raises `BadTable` naming it."""
    if row.numbers["gap"] > _LARGEST:
        raise table.wrong(
            row,
            "a gap of {gap:length.g}",
            needed="a gap under {most:length}",
            remedy="Correct the unit or the reading",
            gap=metres(row.numbers["gap"]),
            most=metres(_LARGEST),
        )
    return HandReading(
        row.numbers["x"], row.numbers["y"], row.numbers["direction"] % 180.0, row.numbers["gap"], row.line
    )


def compare_hand(
    relief: Relief, hand: HandReadings, *, rule: float | None = None, k: float = COVER
) -> tuple[HandCheck, ...]:
    """Set every reading beside the scan's gap; a reading off the wall is said, not dropped.

    ``rule`` [m] is used where the file names none; with neither, `BadValue`.
    """
    length = hand.rule if hand.rule is not None else rule
    if length is None:
        raise BadValue(
            "{file}",
            "no length of the straightedge",
            needed="a line 'rule, 1.8 m'",
            remedy="Add it, or give {set:rule}",
            file=hand.file,
        )
    return tuple(_check(relief, reading, hand.u, length, k) for reading in hand.readings)


def _check(relief: Relief, reading: HandReading, u_hand: float, rule: float, k: float) -> HandCheck:
    scan = gap_near(relief, reading.x, reading.y, reading.direction, rule)
    by_hand = metres(reading.gap)
    if scan is None:
        said = note("straightedge.hand-alone", hand=by_hand)
        return HandCheck(reading, None, u_hand, None, None, said, rule)
    difference, by_scan = reading.gap - scan.value, metres(scan.value)
    if scan.u is None:
        said = note("straightedge.hand-scan-unsure", hand=by_hand, scan=by_scan)
        return HandCheck(reading, scan, u_hand, difference, None, said, rule)
    both = k * math.hypot(u_hand, scan.u)
    agrees = abs(difference) <= both
    said = note(
        "straightedge.hand-agrees" if agrees else "straightedge.hand-disagrees",
        hand=by_hand,
        scan=by_scan,
        apart=metres(abs(difference)),
        both=metres(both),
    )
    return HandCheck(reading, scan, u_hand, difference, agrees, said, rule)


def gap_near(relief: Relief, x: float, y: float, degrees: float, rule: float) -> Gap | None:
    """The deepest resting gap that straightedges in one direction find within 50 mm of a place; None without one.

    All in metres but ``degrees`` from horizontal. On stations only stations that near count.
    """
    across, upward = relief.places
    near = np.hypot(across - x, upward - y) <= max(PLACE, 0.75 * relief.step)
    gaps = sweep(relief, rule, directions=[degrees], bounded=False)
    here = np.where(near & np.isfinite(gaps.deepest), gaps.deepest, -np.inf)
    if not np.isfinite(here).any():
        return None
    flat = int(np.argmax(here))
    if not isinstance(relief, Grid):
        at = (float(across.flat[flat]), float(upward.flat[flat]))
        same = [place for place in (gaps.worst, *gaps.worst_places) if place is not None and place.at == at]
        return same[0] if same else Gap(float(here.flat[flat]), None, at, at, at, degrees)
    (turn,) = directions_of([degrees])
    return _gap_at(lay_out(relief, rule, (turn,), 1.645, "resting"), turn, flat, float(here.flat[flat]))


def _gap_at(work: Laying, turn: Direction, flat: int, value: float) -> Gap:
    """The gap at a cell with its contacts; where the cell is a contact itself, at itself."""
    triple = find_triple(work.grid, work.z, turn, flat)
    if triple is not None:
        return gap_of(work, triple, value)
    row, col = divmod(flat, work.z.shape[1])
    at = (float(work.relief.x[col]), float(work.relief.y[row]))
    u = float(work.relief.u[row, col])
    return Gap(value, u if math.isfinite(u) else None, at, at, at, turn.degrees)
