"""Entry checks of a laser grid: notes that name the station; nothing is dropped (methods/trade 11)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from flatscan.core.errors import BadTable, UnitsUnknown
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.core.typed import Lines
from flatscan.core.units import METRES_PER

# the control reading may move this much before the laser is taken to have moved (methods/trade 11)
CONTROL_MOVE = 1e-3
# units that readings are typed in by mistake, how near a ratio comes to theirs, and ratios that walls have [setting]
_TYPED, _ALIKE, _ON_WALLS = ("mm", "cm", "in", "m"), 0.35, 5.0
# where a laser stands off a wall: beyond this the unit is to be doubted (common practice 40 to 150 mm)
_NEAREST, _FARTHEST = 0.012, 1.0
_USUAL = {"near": metres(0.040), "far": metres(0.150)}
# notes on the readings as a whole, which whoever types the next one should hear too
OF_ALL = ("grid.range", "grid.negative")
_NAMED_AT_MOST = 6

# no laser plane is set up farther from the wall that it is for [m] (common practice: it stands in the room)
REACH = 50.0
# stations are kept in a matrix of all their rows and columns: what a hand reads in weeks fits many times
MOST_PLACES = 4_000_000


def at_station(x: float, y: float, what: Note) -> Note:
    """A note on one station, ``what`` is to be said of it as a predicate."""
    return note("grid.station", (float(x), float(y)), what=what)


def check_number(path: Path, x: Array, y: Array) -> None:
    """Raise `BadTable` for stations (n,) that no hand has read: a point cloud in a form meant for readings."""
    if len(np.unique(x)) * len(np.unique(y)) > MOST_PLACES:
        raise BadTable(
            path,
            "{count:count} stations at {across:count} different x and {up:count} different y",
            needed="readings taken by hand: some 2,000 at free places, or {most:count} in rows and columns",
            remedy="Save a scan as points (x, y, z, a line each, in a file ending in .xyz)",
            count=len(x),
            across=len(np.unique(x)),
            up=len(np.unique(y)),
            most=MOST_PLACES,
        )


def check_reach(path: Path, reading: Array, unit: str) -> None:
    """Raise `BadTable` for a reading [m] that is no distance from a laser to a wall of any building."""
    worst = float(np.abs(reading).max())
    if worst > REACH:
        raise BadTable(
            path,
            "a reading of {reading:number.4g} {unit}",
            needed="readings up to {most:span}: the laser stands before the wall",
            remedy="Correct the reading, or the line units",
            reading=share(worst / METRES_PER[unit]),
            unit=unit,
            most=metres(REACH),
        )


def check_unit(path: Path, reading: Array, control: float | None, unit: str) -> None:
    """Raise `UnitsUnknown` where the readings [m] are another unit's as the ``control`` [m] beside them shows.

    No wall is ten times as far from the laser as its first station; a table in cm under mm looks as if it were.
    """
    middle = float(np.median(np.abs(reading)))
    if control is None or middle <= 0 or abs(control) <= 0:
        return
    ratio = abs(control) / middle
    for other in _TYPED:
        factor = METRES_PER[other] / METRES_PER[unit]
        if max(factor, 1 / factor) < _ON_WALLS or abs(abs(np.log(ratio)) - abs(np.log(factor))) > _ALIKE:
            continue
        which = "the readings look" if np.log(ratio) * np.log(factor) > 0 else "the control looks"
        raise UnitsUnknown(
            path,
            "readings about {middle:number.4g} {unit} beside a control of {control:number.4g} {unit}: "
            + which
            + " typed in {other}",
            needed="readings and control in one unit",
            remedy="Correct the line units, or the control",
            middle=share(middle / METRES_PER[unit]),
            control=share(abs(control) / METRES_PER[unit]),
            unit=unit,
            other=other,
        )


def range_doubts(reading: Array, unit: str, *, sure: bool = False) -> Iterator[Note]:
    """Notes where the readings [m] as a whole, or some, cannot be distances from a laser to a wall.

    ``sure``: somebody stated the unit once more, so it is not doubted.
    """
    middle = float(np.median(reading))
    if not sure and not _NEAREST <= middle <= _FARTHEST:
        yield note("grid.range", None, middle=metres(middle), unit=unit, **_USUAL)
    if (behind := int(np.count_nonzero(reading < 0))) and middle > 0:
        yield note("grid.negative", behind=behind, all=len(reading))


def control_doubts(first: float, last: float) -> Iterator[Note]:
    """A note if the control station's first and last reading [m] are more than 1 mm apart."""
    if abs(last - first) > CONTROL_MOVE + 1e-9:
        yield note(
            "grid.control-moved",
            first=metres(first),
            last=metres(last),
            apart=metres(abs(last - first)),
            most=metres(CONTROL_MOVE),
        )


def not_read(blank: Array, read: int) -> Iterator[Note]:
    """A note on the stations (m, 2) named but not read, beside ``read`` that were."""
    if not len(blank):
        return
    named = tuple(note("grid.place", (float(x), float(y))) for x, y in blank[:_NAMED_AT_MOST])
    values = {"many": len(blank), "all": read + len(blank), "places": named}
    if len(blank) > _NAMED_AT_MOST:
        yield note("grid.not-read-and-more", None, more=len(blank) - _NAMED_AT_MOST, **values)
    elif len(blank) == 1:
        yield note("grid.one-not-read", None, **values)
    else:
        yield note("grid.not-read", None, **values)


def cut_rows(typed: Lines, start: int) -> Iterator[Note]:
    """Rows that end before the line of positions does, which begins the table at ``start``.

    What is missing counts as not read; in a last row without a line end it is likely to have been cut off.
    """
    most = len(typed.lines[start].cells)
    for line in typed.lines[start + 1 :]:
        many = len(line.cells)
        values = {"line": line.number, "many": max(many - 1, 0), "most": most - 1}
        if line is typed.lines[-1] and not typed.ended and many < most:
            yield note("grid.cut-off", None, **values)
        elif line.written < most:
            yield note("grid.short-row", None, **values)


def merge_repeats(x: Array, y: Array, reading: Array) -> tuple[Array, Array, Array, tuple[Note, ...]]:
    """Readings read more than once become one with the mean reading, each with a note that says so. In metres."""
    place = np.round(np.stack([x, y], axis=1), 6)
    _, first, group = np.unique(place, axis=0, return_index=True, return_inverse=True)
    if len(first) == len(x):
        return x, y, reading, ()
    group = group.reshape(-1)
    said, mean = [], np.bincount(group, reading) / np.bincount(group)
    for number in np.flatnonzero(np.bincount(group) > 1):
        values = reading[group == number]
        shown, apart = tuple(metres(value) for value in values), metres(np.ptp(values))
        words = note("grid.repeated", times=len(values), readings=shown, apart=apart)
        said.append(at_station(x[first[number]], y[first[number]], words))
    order = np.argsort(first)
    return x[first[order]], y[first[order]], mean[order], tuple(said)
