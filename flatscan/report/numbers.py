"""From metres to the units a name ends in, rounded: the only place in the package where numbers are rounded."""

from __future__ import annotations

import math
import numbers
from collections.abc import Mapping

# a key's ending names its unit, so a number and its unit cannot part; the longer ending is looked at first
_PER_METRE = (
    ("mm_per_m", 1000.0),
    ("_mm", 1000.0),
    ("_m2", 1.0),
    ("_m", 1.0),
    ("litres", 1000.0),
    ("_l", 1000.0),
    ("_kg", 1.0),
)
# keys that hold a place, x and y, in mm
PLACES = ("from", "to")
DECIMALS = 3


def factor(key: str) -> float:
    """What a value in SI units is multiplied by to stand under ``key``; 1 where the key names no unit.

    >>> factor("gap_mm"), factor("volume_l"), factor("share")
    (1000.0, 1000.0, 1.0)
    """
    if key in PLACES:
        return 1000.0
    return next((scale for ending, scale in _PER_METRE if key.endswith(ending)), 1.0)


def rounded(value: float) -> float | None:
    """A number to 0.001, minus zero made zero; None for what is not finite."""
    return round(value, DECIMALS) + 0.0 if math.isfinite(value) else None


def record(values: Mapping[str, object]) -> dict[str, object]:
    """Values in SI units as a document's object: numbers scaled by their key's ending and rounded, words as they are.

    Counts stay whole, tuples become lists; None and what is not finite become None.
    """
    return {key: _entry(key, value) for key, value in values.items()}


def _entry(key: str, value: object) -> object:
    if value is None or isinstance(value, (str, list, dict)):
        return value
    if isinstance(value, tuple):
        return [_entry(key, part) for part in value]
    if isinstance(value, numbers.Integral) and factor(key) == 1.0:
        return int(value)
    if isinstance(value, numbers.Real):
        return rounded(float(value) * factor(key))
    raise TypeError(f"{key}: a {type(value).__name__} has no place in a document")
