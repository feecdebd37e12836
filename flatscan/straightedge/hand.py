"""Readings that people took with a straightedge and a wedge, set beside the scan's gap at the same place."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.core.errors import BadTable, BadValue, ReadError
from flatscan.core.lengths import parse_length
from flatscan.core.model import Relief
from flatscan.core.reliefs import Grid
from flatscan.core.units import METRES_PER
from flatscan.straightedge.gaps import Gap
from flatscan.straightedge.laying import Laying, gap_of, lay_out
from flatscan.straightedge.lines import Direction, directions_of, find_triple
from flatscan.straightedge.sweeping import sweep

# straightedge and wedge read with care, common practice (METHODS 1a and 3e: 0.5 mm, k = 1)
DEFAULT_U = 0.0005
# how far off the marked place a person reads, common practice
PLACE = 0.05
_WORDS = {"along": 0.0, "horizontal": 0.0, "level": 0.0, "up": 90.0, "vertical": 90.0, "plumb": 90.0}
_COLUMNS = ("x", "y", "direction", "gap")


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
    """All readings of a file, with the straightedge's length [m] (None: not said) and u of a reading [m]."""

    file: str
    readings: tuple[HandReading, ...]
    rule: float | None
    u: float


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
    words: str
    rule: float


def read_hand(path: str | Path) -> HandReadings:
    """Read a file of straightedge readings.

    A head of ``units``, ``rule`` and ``u`` lines (comma separated, any order, ``units`` needed), an empty line, then
    a table with the columns x, y (m on the wall), direction (along, up or degrees from horizontal) and gap. Raises
    `ReadError` for a missing or unreadable file and `BadTable`, naming the line, for what does not fit.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as trouble:
        raise ReadError(path, str(trouble), needed="a CSV file of readings", remedy="Check the name") from None
    rows = [[field.strip() for field in row] for row in csv.reader(text.splitlines())]
    start = next((number for number, row in enumerate(rows) if [name.lower() for name in row] == list(_COLUMNS)), None)
    if start is None:
        raise BadTable(path, "no header line", needed="a line 'x, y, direction, gap' before the readings",
                       remedy="Add it")  # fmt: skip
    head = {row[0].lower(): ", ".join(row[1:]) for row in rows[:start] if row and row[0]}
    unknown = head.keys() - {"units", "rule", "u", "wall"}
    if unknown or head.get("units") not in ("mm", "cm", "in", "m"):
        raise BadTable(path, f"units '{head.get('units', '')}', other lines {sorted(unknown)}",
                       needed="a line 'units, mm' (or cm, in, m), and at most 'rule', 'u' and 'wall'",
                       remedy="Correct the head of the file")  # fmt: skip
    unit = head["units"]
    rule = parse_length(head["rule"], where=f"{path}, rule") if "rule" in head else None
    u = parse_length(head["u"], where=f"{path}, u", unit=unit) if "u" in head else DEFAULT_U
    if u <= 0 or (rule is not None and rule <= 0):
        raise BadTable(path, f"rule {rule}, u {u}", needed="lengths over 0", remedy="Correct the head of the file")
    readings = tuple(
        _reading(path, number + 1, row, unit) for number, row in enumerate(rows) if number > start and any(row)
    )
    if not readings:
        raise BadTable(path, "no readings", needed="at least one line under the header", remedy="Add the readings")
    return HandReadings(str(path), readings, rule, u)


def _reading(path: str | Path, line: int, row: list[str], unit: str) -> HandReading:
    """One line of the table; raises `BadTable` naming it."""
    try:
        x, y, gap = (float(row[number]) for number in (0, 1, 3))
        direction = _WORDS[row[2].lower()] if row[2].lower() in _WORDS else float(row[2].rstrip("°")) % 180.0
        good = len(row) == 4 and all(map(math.isfinite, (x, y, gap, direction))) and gap >= 0
    except (ValueError, IndexError):
        good = False
    if not good:
        raise BadTable(f"{path}, line {line}", f"'{', '.join(row)}'",
                       needed="x, y in m, direction (along, up or degrees), gap of 0 or more",
                       remedy="Correct the line")  # fmt: skip
    gap *= METRES_PER[unit]
    if gap > 0.1:
        raise BadTable(f"{path}, line {line}", f"a gap of {gap * 1000:g} mm", needed=f"a gap under 100 mm in {unit}",
                       remedy="Correct the unit or the reading")  # fmt: skip
    return HandReading(x, y, direction, gap, line)


def compare_hand(
    relief: Relief, hand: HandReadings, *, rule: float | None = None, k: float = 1.96
) -> tuple[HandCheck, ...]:
    """Set every reading beside the scan's gap; a reading off the wall is said, not dropped.

    ``rule`` [m] is used where the file names none; with neither, `BadValue`.
    """
    length = hand.rule if hand.rule is not None else rule
    if length is None:
        raise BadValue(hand.file, "no length of the straightedge", needed="a line 'rule, 1.8 m'", remedy="Add it")
    return tuple(_check(relief, reading, hand.u, length, k) for reading in hand.readings)


def _check(relief: Relief, reading: HandReading, u_hand: float, rule: float, k: float) -> HandCheck:
    scan = gap_near(relief, reading.x, reading.y, reading.direction, rule)
    said = f"{reading.gap * 1000:.1f} mm by hand"
    if scan is None:
        return HandCheck(
            reading, None, u_hand, None, None, f"{said}; the scan has no straightedge position there", rule
        )
    difference = reading.gap - scan.value
    said = f"{said}, {scan.value * 1000:.1f} mm by the scan"
    if scan.u is None:
        return HandCheck(reading, scan, u_hand, difference, None, f"{said}; the scan's uncertainty is not known", rule)
    both = k * math.hypot(u_hand, scan.u)
    agrees = abs(difference) <= both
    word = "agree within" if agrees else "DISAGREE beyond"
    words = f"{said}: they {word} both uncertainties ({abs(difference) * 1000:.1f} against {both * 1000:.1f} mm)"
    return HandCheck(reading, scan, u_hand, difference, agrees, words, rule)


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
