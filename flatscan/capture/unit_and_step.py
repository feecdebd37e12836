"""What a file's numbers stand for: their unit where the file does not say, and how coarsely they are rounded."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from flatscan.core.errors import UnitsUnknown
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
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
# a step above this is worth a note whatever the limit turns out to be: a fifth of the tightest usual limit, 5 mm
_WORTH_SAYING = 1e-3
# points of a scan laid out in rows and columns stand no further apart than this
_WIDEST_RASTER = 0.1


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


def _sizes(size: Array, prefix: str = "") -> dict[str, Any]:
    """A size (3,) [m] as three quantities with the names that `_template` asks for."""
    return {f"{prefix}{name}": metres(part) for name, part in zip(("long", "wide", "deep"), size, strict=True)}


def _template(prefix: str = "") -> str:
    return " x ".join(f"{{{prefix}{name}:span.2}}" for name in ("long", "wide", "deep"))


def decide_unit(where: object, extents: Array) -> tuple[str, Note]:
    """Unit of a capture with ``extents`` (3,) in file units, largest first, and the note that says so.

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
        return choice[0], note("capture.unit-taken", unit=choice[0], **_sizes(readings[choice[0]]))
    shown = choice or ["m", "mm"]
    values: dict[str, Any] = {"least": metres(_SMALLEST), "most": metres(_WIDEST_WALL)}
    for unit in shown:
        values |= _sizes(readings[unit], f"{unit}_")
    would_be = " or ".join(f"{_template(f'{unit}_')} if in {unit}" for unit in shown)
    raise UnitsUnknown(
        where,
        f"the file does not say its unit and the capture would be {would_be}",
        needed="one plausible reading for a wall" if choice else "a wall {least:span} to {most:span} wide",
        remedy=f"Give the unit, for example {{set:file_unit}} {shown[0]}",
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
        remedy=f"Give the right unit, for example {{set:file_unit}} {other or 'mm'}",
        **values,
    )


def axis_step(values: Array) -> float:
    """Step of the numbers ``values`` (n,) along one axis, 0 where they show none.

    A lattice is recognised when every distance between neighbours is a whole multiple of the least one; steps of
    changing size (a depth camera's) when few values are shared by many points: then the step the middle point sees.
    """
    level, count = np.unique(values[:_LOOK_AT], return_counts=True)
    if len(level) < 2:
        return 0.0
    gap = np.diff(level)
    # numbers that went through a unit or a float differ in their last digits though they mean one value
    noise = 4 * np.spacing(np.abs(level).max())
    gap = gap[gap > noise]
    if not len(gap):
        return 0.0
    least = float(gap.min())
    ratio = gap / least
    lattice = bool(np.all(np.abs(ratio - np.round(ratio)) < 0.02)) and len(gap) > 5
    shared = len(level) * 10 < min(len(values), _LOOK_AT)
    if shared:
        beside = np.minimum(np.append(np.diff(level), np.inf), np.append(np.inf, np.diff(level)))
        order = np.argsort(beside)
        middle = np.searchsorted(np.cumsum(count[order]), count.sum() / 2)
        return max(least if lattice else 0.0, float(beside[order][middle]))
    return least if lattice else 0.0


def file_step(sample: Array, stored: Array | None) -> Array:
    """Step (3,) along each axis in file units: the coarser of what the numbers show and what the format stores."""
    seen = np.array([axis_step(sample[:, axis]) for axis in range(3)])
    return seen if stored is None else np.maximum(seen, stored)


def notes_on_step(sample: Array, step: Array, float32: bool, middle: Array) -> Iterator[Note]:
    """Notes on a step over 1 mm; all in metres. ``float32``: the step is what 32-bit floats leave."""
    if float32 and step.max() > _WORTH_SAYING / 5:
        yield note("capture.stored-as-float32", away=metres(np.abs(middle).max()), step=metres(step.max()))
        return
    flat = np.ptp(sample, axis=0) == 0
    if flat.any():
        yield note("capture.same-coordinate", axes=tuple("xyz"[axis] for axis in np.flatnonzero(flat)))
    coarse = step > _WORTH_SAYING
    if coarse.any() and not coarse.all():
        centred = sample - sample.mean(axis=0)
        spread, axes = np.linalg.eigh(centred.T @ centred)
        # a regular raster on the wall is how a scan is laid out, not how it is rounded: only the thin direction counts
        if spread[0] < 0.01 * spread[1]:
            coarse &= (np.abs(axes[:, 0]) > 0.05) | (step > _WIDEST_RASTER)
    if coarse.any():
        steps = (
            note("capture.axis-step", axis="xyz"[axis], step=metres(step[axis])) for axis in np.flatnonzero(coarse)
        )
        yield note("capture.coarse-steps", steps=tuple(steps))
