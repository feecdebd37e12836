"""Entry checks of a laser grid: notes that name the station; nothing is dropped (methods/trade 11)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from flatscan.core.geometry import Array, fit_plane_robust, neighbour_pairs, robust_scale
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres

# the control reading may move this much before the laser is taken to have moved (methods/trade 11)
CONTROL_MOVE = 1e-3
# a lone reading this far off its neighbours is worth a second look: no wall has such a nib unseen (common practice)
_WILD, _WILD_SCALES, _NEIGHBOURS, _LEAST_STATIONS = 0.015, 6.0, 6, 5
_TOO_MANY, _TOO_FEW = note("grid.nought-too-many"), note("grid.nought-too-few")
_MM, _CM, _INCHES = note("grid.typed-in", unit="mm"), note("grid.typed-in", unit="cm"), note("grid.typed-in-inches")
# how the wrong unit shows itself: the reading times this comes back to its neighbours
_SLIPS = {
    "mm": ((10.0, _CM), (25.4, _INCHES), (0.1, _TOO_MANY)),
    "cm": ((0.1, _MM), (2.54, _INCHES), (10.0, _TOO_FEW)),
    "in": ((1 / 25.4, _MM), (1 / 2.54, _CM)),
    "m": ((1e-3, _MM), (1e-2, _CM)),
    "ft": ((1 / 304.8, _MM), (1 / 12, _INCHES)),
}
# where a laser stands off a wall: beyond this the unit is to be doubted (common practice 40 to 150 mm)
_NEAREST, _FARTHEST = 0.012, 1.0
_USUAL = {"near": metres(0.040), "far": metres(0.150)}
# notes on the readings as a whole, which whoever types the next one should hear too
OF_ALL = ("grid.range", "grid.negative")
_NAMED_AT_MOST = 6


def at_station(x: float, y: float, what: Note) -> Note:
    """A note on one station, ``what`` is to be said of it as a predicate."""
    return note("grid.station", (float(x), float(y)), what=what)


def expected_readings(x: Array, y: Array, reading: Array) -> Array:
    """What each reading would be after its neighbours (n,): robust plane plus the median of what is left around it."""
    plane = np.full_like(reading, float(np.median(reading)))
    try:
        coefficients, _ = fit_plane_robust(x, y, reading)
        plane = coefficients[0] + coefficients[1] * x + coefficients[2] * y
    except np.linalg.LinAlgError:
        # all on one line: the median will do
        pass
    left = reading - plane
    return plane + np.array([np.median(left[near]) if near else 0.0 for near in _beside(x, y)])


def _beside(x: Array, y: Array) -> list[list[int]]:
    """Neighbours of each station, and where it has fewer than six of them, as at the wall's edge, theirs too."""
    around: list[set[int]] = [set() for _ in x]
    for one, other in neighbour_pairs(x, y).tolist():
        around[one].add(other)
        around[other].add(one)
    wider = [
        near if len(near) >= _NEIGHBOURS else near.union(*(around[k] for k in near)) - {station}
        for station, near in enumerate(around)
    ]
    return [sorted(near) for near in wider]


def wild_readings(x: Array, y: Array, reading: Array, unit: str) -> Iterator[Note]:
    """A note for each reading [m] far off its neighbours, with the slip that would explain it in ``unit``.

    The worst is taken out before the next is looked for: its neighbours only look wild because of it.
    """
    left = np.arange(len(reading))
    for _ in range(len(reading) // 2):
        if len(left) < _LEAST_STATIONS:
            return
        expected = expected_readings(x[left], y[left], reading[left])
        off = np.abs(reading[left] - expected)
        worst = int(np.argmax(off))
        if off[worst] <= max(_WILD, _WILD_SCALES * robust_scale(reading[left] - expected)):
            return
        here = left[worst]
        yield at_station(x[here], y[here], _wild(float(reading[here]), float(expected[worst]), unit))
        left = np.delete(left, worst)


def _wild(reading: float, expected: float, unit: str) -> Note:
    near = max(_WILD / 2, 0.1 * abs(expected))
    slip = next((words for factor, words in _SLIPS[unit] if abs(reading * factor - expected) < near), None)
    values = {
        "reading": metres(reading),
        "expected": metres(round(expected, 4)),
        "off": metres(abs(reading - expected)),
    }
    return note("grid.wild", None, **values) if slip is None else note("grid.wild-slip", None, slip=slip, **values)


def range_doubts(reading: Array, unit: str) -> Iterator[Note]:
    """Notes where the readings [m] as a whole, or some, cannot be distances from a laser to a wall."""
    middle = float(np.median(reading))
    if not _NEAREST <= middle <= _FARTHEST:
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


def row_doubts(heights: Sequence[float], first: Sequence[float | None], control: float | None) -> Iterator[Note]:
    """A note if a table's rows seem to stand the wrong way up.

    ``heights`` [m] and the ``first`` readings [m] (None: not read) belong to the rows down the page, ``control`` [m]
    to the first station. The form runs like the wall, from the ceiling down, and its first station is the first cell.
    """
    if len(heights) < 2:
        return
    top, bottom = first[0], first[-1]
    heights_said = {"first": metres(heights[0]), "last": metres(heights[-1])}
    if control is not None and top is not None and bottom is not None:
        if abs(control - top) > 3 * CONTROL_MOVE and abs(control - bottom) <= CONTROL_MOVE + 1e-9:
            yield note("grid.control-of-last-row", None, **heights_said)
    elif list(heights) == sorted(heights):
        yield note("grid.rows-upward", None, **heights_said)


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
