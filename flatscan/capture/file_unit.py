"""The unit of a file: what its format says, what the user says, or what makes a wall of it, and how sure that is.

Nothing is guessed in silence: where two units make a wall or a room of the capture, the user is asked.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.source import PointSource
from flatscan.core.errors import BadValue, ReadError, UnitsUnknown
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.settled import GIVEN, LIKELY, SURE, Otherwise, Settled
from flatscan.core.units import METRES_PER

# A capture of a wall or room as one meets them (methods/walls 2: storeys of 2 to 4 m) ...
_STOREY = (1.9, 4.5)
_WIDEST_TYPICAL, _SECOND_TYPICAL = 30.0, 1.5
# ... and what is still possible: a pier, a facade, a site seen by a scanner (engineering estimate)
_SMALLEST, _NARROWEST = 1.0, 0.3
_WIDEST_WALL, _TALLEST_WALL, _THICKEST_WALL, _WIDEST_SITE = 60.0, 30.0, 3.0, 300.0
# rooms are 2 to 6 m high; points further apart than 200 mm show no wall, and 600 mm apart nobody scans
_ORDINARY, _LEAST_DENSITY, _NEVER = 6.0, 25.0, 2.5
# outside this no unit, however it is known, makes a wall of it
_LEAST_SIZE, _MOST_SIZE = 0.3, 1500.0
_LOOK_AT = 100_000


def main_extents(points: Array) -> Array:
    """Sizes (3,) of a cloud along its principal axes, largest first, between its 0.2 % and 99.8 % quantiles."""
    # the ends of a distribution are known well enough from this many points
    points = points[:: max(1, len(points) // _LOOK_AT)]
    centred = points - np.median(points, axis=0)
    _, axes = np.linalg.eigh(centred.T @ centred / len(points))
    low, high = np.quantile(centred @ axes, (0.002, 0.998), axis=0)
    return np.sort(high - low)[::-1]


def _is_typical(size: Array) -> bool:
    has_storey = bool(np.any((size >= _STOREY[0]) & (size <= _STOREY[1])))
    return has_storey and size[0] <= _WIDEST_TYPICAL and size[1] >= _SECOND_TYPICAL


def _is_dense(size: Array, points: int | None, least: float = _LEAST_DENSITY) -> bool:
    """Whether so many points on the two largest sides are ``least`` a m2 or more, as in a scan."""
    return points is None or bool(points >= least * size[0] * size[1])


def _is_thin(size: Array) -> bool:
    return bool(size[2] < min(0.15 * size[1], _THICKEST_WALL))


def _is_low(size: Array) -> bool:
    """Whether the capture, laid with its least side upright, is no higher than rooms and most facades are."""
    return bool((size[1] if _is_thin(size) else size[2]) <= _ORDINARY)


def _is_possible(size: Array) -> bool:
    if _is_thin(size):
        return _SMALLEST <= size[0] <= _WIDEST_WALL and _NARROWEST <= size[1] <= _TALLEST_WALL
    return bool(_SMALLEST <= size[0] <= _WIDEST_SITE and size[1] >= _NARROWEST)


def _sizes(size: Array, prefix: str = "") -> dict[str, Any]:
    """A size (3,) [m] as three quantities with the names that `_template` asks for."""
    return {f"{prefix}{name}": metres(part) for name, part in zip(("long", "wide", "deep"), size, strict=True)}


def _template(prefix: str = "") -> str:
    return " x ".join(f"{{{prefix}{name}:span.2}}" for name in ("long", "wide", "deep"))


def decide_unit(where: object, extents: Array, points: int | None = None) -> tuple[Settled, Note]:
    """Unit of a capture with ``extents`` (3,) in file units, largest first, and the note that says so.

    Metres if they make a typical room or wall of it; another unit only if metres make nothing possible of it and it
    is the one typical (else the one possible) reading. A reading in which the ``points`` stand further apart than
    anybody scans is none that is typical. Raises `UnitsUnknown` with the readings otherwise.
    """
    readings = {unit: extents * factor for unit, factor in METRES_PER.items()}
    possible = [unit for unit, size in readings.items() if _is_possible(size)]
    typical = [unit for unit, size in readings.items() if _is_typical(size) and _is_dense(size, points)]
    if "m" in typical:
        choice = ["m"]
    elif "m" in possible and (_is_dense(readings["m"], points, _NEVER) or not typical):
        lower = [] if _is_low(readings["m"]) else [unit for unit in possible if _is_low(readings[unit])]
        lower = [unit for unit in lower if readings[unit][1] >= _SECOND_TYPICAL]
        choice = sorted({"m", *typical, *lower}, key=list(METRES_PER).index)
    else:
        choice = typical or possible
    if len(choice) != 1 or (choice[0] != "m" and not typical):
        raise _ask_for_unit(where, readings, choice)
    unit = choice[0]
    others = [other for other in possible if other != unit and _is_low(readings[other])]
    others = [other for other in others if other in typical or (unit not in typical) or _is_thin(extents)]
    sure = LIKELY if any(other in typical for other in others) or unit not in typical else SURE
    taken = note("capture.unit-taken", unit=unit, **_sizes(readings[unit]))
    by = note("capture.unit-by-size", **_sizes(readings[unit]))
    return Settled("file_unit", unit, by, sure, tuple(Otherwise(other) for other in others)), taken


def _ask_for_unit(where: object, readings: dict[str, Array], choice: list[str]) -> UnitsUnknown:
    """The error that shows every reading and asks which it is."""
    shown = choice or ["m", "mm"]
    values: dict[str, Any] = {"least": metres(_SMALLEST), "most": metres(_WIDEST_WALL)}
    for unit in shown:
        values |= _sizes(readings[unit], f"{unit}_")
    would_be = " or ".join(f"{_template(f'{unit}_')} if in {unit}" for unit in shown)
    ways = " or ".join(f"{{set:file_unit}} {unit}" for unit in shown)
    return UnitsUnknown(
        where,
        f"the file does not say its unit and the capture would be {would_be}",
        needed="one plausible reading for a wall" if choice else "a wall {least:span} to {most:span} wide",
        remedy=f"Give the unit: {ways}" if choice else f"Give the unit, for example {{set:file_unit}} {shown[0]}",
        choices=tuple(("file_unit", unit) for unit in choice),
        **values,
    )


def check_size(where: object, extents: Array, unit: str, given: bool) -> None:
    """Raise `UnitsUnknown` if ``unit`` makes a thing of the capture that is no wall; ``given`` says the user chose it.

    ``extents`` (3,) are in file units.
    """
    size = extents * METRES_PER[unit]
    if _LEAST_SIZE <= size[0] <= _MOST_SIZE:
        return
    other = next((name for name, factor in METRES_PER.items() if _is_typical(extents * factor)), None)
    values = _sizes(size) | {"least": metres(_LEAST_SIZE), "most": metres(_MOST_SIZE)}
    found = f"the capture is {_template()} in {unit} ({'as given' if given else 'as the file or its format says'})"
    if other is not None:
        values |= _sizes(extents * METRES_PER[other], "other_")
        found += f"; in {other} it would be {_template('other_')}"
    raise UnitsUnknown(
        where,
        found,
        needed="a capture {least:span} to {most:span} wide",
        remedy=f"Give the right unit, for example {{set:file_unit}} {other}"
        if other
        else "Give the right unit with {set:file_unit}",
        choices=(("file_unit", other),) if other else (),
        **values,
    )


def settle_unit(
    path: Path, source: PointSource, sample: Array, asked: str | None, points: int
) -> tuple[Settled, tuple[Note, ...]]:
    """The unit of a file whose points are like its ``sample`` (n, 3), how it is known, and notes on it."""
    extents = main_extents(sample) if len(sample) > 3 else np.zeros(3)
    if extents[1] <= 1e-9 * extents[0]:
        raise ReadError(
            path, "all points lie on one line", needed="points spread over a wall", remedy="Export the scan again"
        )
    if asked is not None and asked not in METRES_PER:
        raise BadValue(
            "{set:file_unit}",
            "'{asked}'",
            needed=" or ".join(METRES_PER),
            remedy="Give one of these units",
            asked=asked,
        )
    unit = source.unit if asked is None else asked
    if unit is None:
        settled, taken = decide_unit(path, extents, points)
        return settled, (taken,)
    check_size(path, extents, unit, given=asked is not None)
    if asked is not None:
        known = Settled("file_unit", unit, note("capture.unit-given"), GIVEN)
    else:
        known = Settled("file_unit", unit, source.unit_from or note("capture.unit-by-file"), SURE)
    if source.unit is None or unit == source.unit:
        return known, ()
    return known, (note("capture.unit-against-file", unit=unit, other=source.unit, unit_from=source.unit_from),)
