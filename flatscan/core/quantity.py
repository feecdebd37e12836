"""A number with its standard uncertainty and its unit."""

from __future__ import annotations

import math
from dataclasses import dataclass

# SI throughout; "1" is a share or a plain number, "h" and "d" are hours and days of work
UNITS = ("m", "m2", "m3", "m/m", "kg", "kg/m2", "deg", "px", "h", "d", "1")


# two-sided 95 % of a normal error: what every ± shows, and the two bounds a decision compares with its limit
COVER = 1.959964


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value and its standard uncertainty (k = 1) in ``unit``; ``u`` is None where it cannot be known.

    ``low`` and ``high`` are the ends of a 95 % interval that is not value -+ 1.96 u, None where it is.
    Independent quantities combine by the law of propagation (JCGM 100:2008, 5.1.2). Raises `ValueError` for an unknown
    unit and where two units meet.
    """

    value: float
    u: float | None = None
    unit: str = "m"
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise ValueError(f"unit '{self.unit}' is none of {', '.join(UNITS)}")

    def __add__(self, other: Quantity) -> Quantity:
        return Quantity(self.value + other.value, root_sum_square(self.u, other.u), self._same(other))

    def __sub__(self, other: Quantity) -> Quantity:
        return Quantity(self.value - other.value, root_sum_square(self.u, other.u), self._same(other))

    def _same(self, other: Quantity) -> str:
        if other.unit != self.unit:
            raise ValueError(f"{self.unit} and {other.unit} do not add up")
        return self.unit

    @property
    def ends(self) -> tuple[float | None, float | None]:
        """Both ends of the 95 % interval, None where it cannot be known."""
        if self.low is not None and self.high is not None:
            return self.low, self.high
        return (None, None) if self.u is None else (self.value - COVER * self.u, self.value + COVER * self.u)

    def beyond(self, limit: float) -> Quantity:
        """What it is over an exact ``limit``; an interval's lower end is not under 0."""
        low, high = (None if end is None else end - limit for end in (self.low, self.high))
        return Quantity(self.value - limit, self.u, self.unit, None if low is None else max(low, 0.0), high)

    def scaled(self, factor: float, unit: str | None = None) -> Quantity:
        """Multiplied by an exact number, which may bring another ``unit``."""
        return Quantity(
            self.value * factor, None if self.u is None else abs(factor) * self.u, self.unit if unit is None else unit
        )


def root_sum_square(*parts: float | None) -> float | None:
    """Combined standard uncertainty of independent parts; None as soon as one of them is unknown."""
    known = [part for part in parts if part is not None]
    return math.hypot(*known) if len(known) == len(parts) else None


def metres(value: float, u: float | None = None, within: tuple[float | None, float | None] = (None, None)) -> Quantity:
    """A length, ``within`` the ends of its 95 % interval where these are not value -+ 1.96 u."""
    return Quantity(float(value), u, "m", *within)


def square_metres(
    value: float, u: float | None = None, within: tuple[float | None, float | None] = (None, None)
) -> Quantity:
    """An area, ``within`` the ends of its 95 % interval where these are not value -+ 1.96 u."""
    return Quantity(float(value), u, "m2", *within)


def cubic_metres(value: float, u: float | None = None) -> Quantity:
    """A volume."""
    return Quantity(float(value), u, "m3")


def slope(value: float, u: float | None = None) -> Quantity:
    """A slope in metres per metre."""
    return Quantity(float(value), u, "m/m")


def kilograms(value: float, u: float | None = None) -> Quantity:
    """A mass."""
    return Quantity(float(value), u, "kg")


def load(value: float, u: float | None = None) -> Quantity:
    """A mass on an area in kilograms per square metre."""
    return Quantity(float(value), u, "kg/m2")


def degrees(value: float, u: float | None = None) -> Quantity:
    """An angle in degrees."""
    return Quantity(float(value), u, "deg")


def pixels(value: float, u: float | None = None) -> Quantity:
    """A length in a picture."""
    return Quantity(float(value), u, "px")


def hours(value: float, u: float | None = None) -> Quantity:
    """Hours of work or waiting."""
    return Quantity(float(value), u, "h")


def days(value: float, u: float | None = None) -> Quantity:
    """Days of work or waiting."""
    return Quantity(float(value), u, "d")


def share(value: float, u: float | None = None) -> Quantity:
    """A part of a whole, 1 for all of it; also any number without a unit that is not a count."""
    return Quantity(float(value), u, "1")
