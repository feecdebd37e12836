"""Rows, and the one place where numbers are scaled to the unit their key ends in, and rounded."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.notes import Unknown
from flatscan.core.phrase import command_line, expanded_length, written
from flatscan.core.quantity import COVER, Quantity, metres
from flatscan.core.units import area_scale, mass_scale, volume_scale
from flatscan.report.say import Said, printed, say

# decimals of a number that is shown as it was worked out, such as whole bags
AS_IS = -1
Cell = float | int | Said | None
# a key's ending names its unit, and the unit of the quantity under it
_UNITS = (("mm_per_m", "m/m"), ("_mm", "m"), ("_m2", "m2"), ("_m", "m"), ("litres", "m3"), ("_l", "m3"), ("_kg", "kg"))


@dataclass(frozen=True, slots=True)
class Column:
    """One column: ``key`` as in JSON and CSV (its ending is the unit), ``heading`` and ``decimals`` on paper.

    ``why`` is the reason a number of it can be missing for. ``spread`` are standard uncertainties, in JSON
    and CSV as they are (k = 1), on paper the ± (95 %).
    """

    key: str
    heading: str
    decimals: int = 0
    why: Unknown | None = None
    spread: bool = False


AT = (Column("x_mm", "from left"), Column("y_mm", "up"))


@dataclass(frozen=True, slots=True)
class Table:
    """Rows in SI units under ``columns``, ``empty`` instead of them.

    ``rows_in_inches`` stand in their place on a sheet in inches, where round steps of the units make the rows.
    """

    name: str
    title: Said
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    empty: str
    rows_in_inches: tuple[tuple[Cell, ...], ...] | None = None

    def rows_as_values(self) -> tuple[dict[str, object], ...]:
        """Rows as the values of a section: quantities, words, and reasons where a number is not there."""
        return tuple(
            {column.key: _value(column, cell) for column, cell in zip(self.columns, row, strict=True)}
            for row in self.rows
        )

    def headings(self, system: str) -> list[str]:
        """Column heads on paper, with the unit where the cells do not carry it."""
        return [_heading(column, system) for column in self.columns]

    def texts(self, system: str) -> list[list[str]]:
        """Rows as they stand on paper."""
        rows = self.rows if system != "in" or self.rows_in_inches is None else self.rows_in_inches
        return [[_text(c, v, system) for c, v in zip(self.columns, row, strict=True)] for row in rows]


def unit_of(key: str) -> str:
    """The unit of the quantity that stands under a key; "1" where its ending names none."""
    return "m" if key in PLACES else next((unit for ending, unit in _UNITS if key.endswith(ending)), "1")


def _value(column: Column, cell: Cell) -> object:
    if cell is None:
        return Unknown("unknown.not-known") if column.why is None else column.why
    if isinstance(cell, bool) or not isinstance(cell, (int, float, np.number)):
        return cell
    unit = unit_of(column.key)
    return cell if isinstance(cell, int) and unit == "1" else Quantity(float(cell), None, unit)


def _is_length(key: str) -> bool:
    return key.endswith("_mm")


def _heading(column: Column, system: str) -> str:
    if _is_length(column.key):
        return column.heading if system == "in" else f"{column.heading}, mm"
    scale = _scale(column.key, system)
    return column.heading if scale is None else f"{column.heading}, {scale[1]}"


def _scale(key: str, system: str) -> tuple[float, str] | None:
    """What values under a key are multiplied by on paper, and the unit's name there; None for what is no quantity."""
    if key.endswith("_m2"):
        return area_scale(system)
    if key.endswith(("_l", "litres")):
        return volume_scale(system)
    return mass_scale(system) if key == "kg" or key.endswith("_kg") else None


def _text(column: Column, value: Cell, system: str) -> str:
    if value is None:
        return "-"
    if not isinstance(value, (int, float, np.number)):
        # tables stand on paper and pages, where nobody types an option
        return say(printed(value), system)
    if column.spread and not _is_length(column.key):
        return _text(replace(column, spread=False), COVER * value, system)
    if column.spread:
        return expanded_length(float(value), system, bare=True)
    if _is_length(column.key):
        # the column's head carries mm; inches carry their own unit
        kind = f"length.{column.decimals}" if system == "in" else f"bare.{column.decimals}"
        return written(metres(float(value)), kind, command_line(system))
    scale = _scale(column.key, system)
    shown = value * (factor(column.key) if scale is None else scale[0]) + 0.0
    text = f"{shown:g}" if column.decimals == AS_IS else f"{shown:.{column.decimals}f}"
    # what rounds to nothing has no sign
    return text if text.strip("-0.") else text.removeprefix("-")


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


def shows(length: float) -> bool:
    """Whether a length [m], either way, is more than the 0.0 mm it would be on paper."""
    return round(abs(length) * 1000, 1) > 0
