"""Entry checks of a laser grid: sentences that name the station; nothing is dropped (TRADE, Reading a wall)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from flatscan.core.geometry import Array, fit_plane, fit_plane_robust, robust_scale
from flatscan.core.units import METRES_PER, to_mm

# the control reading may move this much before the laser is taken to have moved (TRADE, P)
CONTROL_MOVE = 1e-3
# a lone reading this far off its neighbours is worth a second look: no wall has such a nib unseen (common practice)
_WILD, _WILD_SCALES, _NEIGHBOURS, _LEAST_STATIONS = 0.015, 6.0, 6, 5
# how the wrong unit shows itself: the reading times this comes back to its neighbours
_SLIPS = {
    "mm": ((10.0, "typed in cm"), (25.4, "typed in inches"), (0.1, "one nought too many")),
    "cm": ((0.1, "typed in mm"), (2.54, "typed in inches"), (10.0, "one nought too few")),
    "in": ((1 / 25.4, "typed in mm"), (1 / 2.54, "typed in cm")),
    "m": ((1e-3, "typed in mm"), (1e-2, "typed in cm")),
    "ft": ((1 / 304.8, "typed in mm"), (1 / 12, "typed in inches")),
}
# where a laser stands off a wall: beyond this the unit is to be doubted (common practice 40 to 150 mm)
_NEAREST, _FARTHEST = 0.012, 1.0


def place_text(x: float, y: float) -> str:
    """A station in words: ``station x 1.100 m, y 2.600 m``."""
    return f"station x {x:.3f} m, y {y:.3f} m"


def reading_text(reading: float, unit: str) -> str:
    """A reading in the unit it was typed in."""
    return f"{reading / METRES_PER[unit]:.5g} {unit}"


def expected_readings(x: Array, y: Array, reading: Array) -> Array:
    """What each reading would be after its neighbours (n,): robust plane plus the median of what is left around it."""
    from scipy.spatial import cKDTree

    plane = np.full_like(reading, float(np.median(reading)))
    try:
        coefficients, _ = fit_plane_robust(x, y, reading)
        plane = coefficients[0] + coefficients[1] * x + coefficients[2] * y
    except np.linalg.LinAlgError:
        # all on one line: the median will do
        pass
    left = reading - plane
    near = min(_NEIGHBOURS, len(reading) - 1)
    _, beside = cKDTree(np.stack([x, y], axis=1)).query(np.stack([x, y], axis=1), k=near + 1)
    return plane + np.median(left[beside[:, 1:]], axis=1)


def wild_readings(x: Array, y: Array, reading: Array, unit: str) -> Iterator[str]:
    """A sentence for each reading far off its neighbours, with the slip that would explain it.

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
        yield _wild_text(x[left[worst]], y[left[worst]], reading[left[worst]], expected[worst], unit)
        left = np.delete(left, worst)


def _wild_text(x: float, y: float, reading: float, expected: float, unit: str) -> str:
    near = max(_WILD / 2, 0.1 * abs(expected))
    slip = next((f"; {words}?" for factor, words in _SLIPS[unit] if abs(reading * factor - expected) < near), ".")
    return (
        f"{place_text(x, y)} reads {reading_text(reading, unit)} where its neighbours read about "
        f"{reading_text(round(expected, 4), unit)}: {to_mm(abs(reading - expected)):.0f} mm off{slip} Kept; check it"
    )


def range_doubts(reading: Array, unit: str) -> Iterator[str]:
    """Sentences where the readings as a whole, or some, cannot be distances from a laser to a wall."""
    middle = float(np.median(reading))
    if not _NEAREST <= middle <= _FARTHEST:
        yield (
            f"the readings lie about {to_mm(middle):.0f} mm from the laser plane, usual are 40 to 150 mm: "
            f"is {unit} their unit?"
        )
    if (behind := int(np.count_nonzero(reading < 0))) and middle > 0:
        yield f"{behind} of {len(reading)} readings are negative: the wall would pass through the laser plane there"


def control_doubts(first: float, again: float, unit: str) -> Iterator[str]:
    """A sentence if the control station moved by more than 1 mm between first and last."""
    if abs(again - first) > CONTROL_MOVE + 1e-9:
        yield (
            f"the control station read {reading_text(first, unit)} first and {reading_text(again, unit)} last: "
            f"{to_mm(abs(again - first)):.1f} mm apart, more than 1 mm: the laser moved; every reading is in doubt"
        )


def row_doubts(heights: Sequence[float], first: Sequence[float | None], control: float | None) -> Iterator[str]:
    """A sentence if a table's rows seem to stand the wrong way up.

    ``heights`` [m] and the ``first`` readings [m] (None: not read) belong to the rows down the page, ``control`` [m]
    to the first station. The form runs like the wall, from the ceiling down, and its first station is the first cell.
    """
    if len(heights) < 2:
        return
    top, bottom = first[0], first[-1]
    if control is not None and top is not None and bottom is not None:
        if abs(control - top) > 3 * CONTROL_MOVE and abs(control - bottom) <= CONTROL_MOVE + 1e-9:
            yield (
                f"the control reading is that of the table's last row (y {heights[-1]:.3f} m), not of its first "
                f"(y {heights[0]:.3f} m): are the rows upside down? Kept as the heights say; check them"
            )
    elif list(heights) == sorted(heights):
        yield (
            f"the table's rows run upward down the page, from y {heights[0]:.3f} to {heights[-1]:.3f} m: are they "
            "upside down? Kept as the heights say; check them"
        )


def merge_repeats(x: Array, y: Array, reading: Array, unit: str) -> tuple[Array, Array, Array, tuple[str, ...]]:
    """Readings read more than once become one with the mean reading, each with a sentence that says so."""
    place = np.round(np.stack([x, y], axis=1), 6)
    _, first, group = np.unique(place, axis=0, return_index=True, return_inverse=True)
    if len(first) == len(x):
        return x, y, reading, ()
    group = group.reshape(-1)
    said, mean = [], np.bincount(group, reading) / np.bincount(group)
    for number in np.flatnonzero(np.bincount(group) > 1):
        values = reading[group == number]
        at = place_text(x[first[number]], y[first[number]])
        shown = ", ".join(reading_text(value, unit) for value in values)
        apart = f"{to_mm(np.ptp(values)):.1f} mm apart"
        said.append(f"{at} was read {len(values)} times ({shown}; {apart}): the mean is used")
    order = np.argsort(first)
    return x[first[order]], y[first[order]], mean[order], tuple(said)


def spread_out(x: Array, y: Array) -> bool:
    """Whether stations (n,) span a plane, so that lean and turn can be told."""
    try:
        fit_plane(x, y, np.zeros_like(x))
    except np.linalg.LinAlgError:
        return False
    return True
