"""The unit of a file that does not say: what is plausible for a wall, or an error that shows the readings."""

from __future__ import annotations

import numpy as np

from flatscan.core.errors import UnitsUnknown
from flatscan.core.geometry import Array
from flatscan.core.units import METRES_PER

# A capture of a wall or room as one meets them (METHODS 4: storeys of 2 to 4 m) ...
_STOREY = (1.9, 4.5)
_WIDEST_TYPICAL, _SECOND_TYPICAL = 30.0, 1.5
# ... and what is still possible: a pier, a facade, a site seen by a scanner (engineering estimate)
_SMALLEST, _NARROWEST = 1.0, 0.3
_WIDEST_WALL, _TALLEST_WALL, _THICKEST_WALL, _WIDEST_SITE = 60.0, 30.0, 3.0, 300.0
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


def _is_possible(size: Array) -> bool:
    if size[2] < min(0.15 * size[1], _THICKEST_WALL):
        return _SMALLEST <= size[0] <= _WIDEST_WALL and _NARROWEST <= size[1] <= _TALLEST_WALL
    return bool(_SMALLEST <= size[0] <= _WIDEST_SITE and size[1] >= _NARROWEST)


def size_text(size: Array) -> str:
    """A size (3,) in metres in words: ``4.20 x 2.70 x 0.02 m``."""
    return " x ".join(f"{part:.3g}" if part >= 1000 else f"{part:.2f}" for part in size) + " m"


def decide_unit(where: object, extents: Array) -> tuple[str, str]:
    """Unit of a capture with ``extents`` (3,) in file units, largest first, and the sentence that says so.

    Metres if they make a typical room or wall of it; another unit only if metres make nothing possible of it and it
    is the one typical (else the one possible) reading. Raises `UnitsUnknown` with the readings otherwise.
    """
    readings = {unit: extents * factor for unit, factor in METRES_PER.items()}
    typical = [unit for unit, size in readings.items() if _is_typical(size)]
    possible = [unit for unit, size in readings.items() if _is_possible(size)]
    if "m" in typical:
        choice = ["m"]
    elif "m" in possible:
        choice = sorted({"m", *typical}, key=list(METRES_PER).index)
    else:
        choice = typical or possible
    if len(choice) == 1:
        size = size_text(readings[choice[0]])
        return choice[0], f"the file does not say its unit: taken as {choice[0]}, which makes the capture {size}"
    shown = choice or ["m", "mm"]
    words = " or ".join(f"{size_text(readings[unit])} if in {unit}" for unit in shown)
    found = f"the file does not say its unit and the capture would be {words}"
    needed = "one plausible reading for a wall" if choice else f"a wall {_SMALLEST:g} to {_WIDEST_WALL:g} m wide"
    raise UnitsUnknown(where, found, needed=needed, remedy="Give the unit, for example --file-unit " + shown[0])


def check_size(where: object, extents: Array, unit: str, unit_from: str) -> None:
    """Raise `UnitsUnknown` if the unit that was given makes a thing of it that is no wall."""
    size = extents * METRES_PER[unit]
    if _LEAST_SIZE <= size[0] <= _MOST_SIZE:
        return
    other = [name for name, factor in METRES_PER.items() if _is_typical(extents * factor)]
    hint = f"; in {other[0]} it would be {size_text(extents * METRES_PER[other[0]])}" if other else ""
    found = f"the capture is {size_text(size)} in {unit} ({unit_from}){hint}"
    needed = f"a capture {_LEAST_SIZE:g} to {_MOST_SIZE:g} m wide"
    raise UnitsUnknown(
        where,
        found,
        needed=needed,
        remedy="Give the right unit, for example --file-unit " + (other[0] if other else "mm"),
    )
