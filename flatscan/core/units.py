"""Units on paper: the only conversion factors in the package."""

from __future__ import annotations

from fractions import Fraction

from flatscan.core.choices import LENGTH_UNITS

# The international inch is exactly 25.4 mm and the foot 0.3048 m (international yard and pound agreement, 1959).
METRES_PER = dict(zip(LENGTH_UNITS, (1.0, 1e-3, 1e-2, 0.3048, 0.0254), strict=True))


def to_mm(metres: float) -> float:
    """Millimetres in so many metres."""
    return metres * 1000.0


def feet_and_inches(metres: float, *, sixteenths: int = 16) -> str:
    """A length as a tape in inches shows it, to the nearest sixteenth.

    >>> feet_and_inches(2.4)
    '7 ft 10 1/2 in'
    """
    ticks = round(abs(metres) / METRES_PER["in"] * sixteenths)
    sign = "-" if metres < 0 and ticks else ""
    feet, ticks = divmod(ticks, 12 * sixteenths)
    inches, ticks = divmod(ticks, sixteenths)
    part = f"{Fraction(ticks, sixteenths)}" if ticks else ""
    body = " ".join(word for word in (str(inches) if inches or not part else "", part) if word)
    return f"{sign}{feet} ft {body} in" if feet else f"{sign}{body} in"


def length_text(metres: float, system: str = "mm", *, decimals: int = 0) -> str:
    """A length in the words of a sheet: millimetres to ``decimals`` places, or feet, inches and sixteenths."""
    if system == "in":
        return feet_and_inches(metres)
    return f"{to_mm(metres):z.{decimals}f} mm"


# the US liquid gallon is exactly 231 cubic inches and the avoirdupois pound 0.45359237 kg (NIST Handbook 44, app. C)
_M3_PER_GALLON = 231 * METRES_PER["in"] ** 3
_KG_PER_POUND = 0.45359237


def area_text(square_metres: float, system: str = "mm", *, decimals: int = 1) -> str:
    """An area in the words of a sheet: square metres, or square feet."""
    scale, name = area_scale(system)
    return f"{square_metres * scale:z.{decimals}f} {name}"


def area_scale(system: str = "mm") -> tuple[float, str]:
    """How many square metres, or square feet, there are in a square metre, and what they are called."""
    return (1 / METRES_PER["ft"] ** 2, "sq ft") if system == "in" else (1.0, "m²")


def volume_scale(system: str = "mm") -> tuple[float, str]:
    """How many litres, or US gallons, there are in a cubic metre, and what they are called."""
    return (1 / _M3_PER_GALLON, "US gal") if system == "in" else (1000.0, "litres")


def volume_text(cubic_metres: float, system: str = "mm", *, decimals: int = 0) -> str:
    """A volume in the words of a sheet: litres, or US gallons to one place more."""
    scale, name = volume_scale(system)
    figure = f"{cubic_metres * scale:z.{decimals + 1 if system == 'in' else decimals}f}"
    return f"{figure} {'litre' if (figure, name) == ('1', 'litres') else name}"


def mass_text(kilograms: float, system: str = "mm", *, decimals: int = 0) -> str:
    """A mass in the words of a sheet: kilograms, or pounds."""
    scale, name = mass_scale(system)
    return f"{kilograms * scale:z.{decimals}f} {name}"


def mass_scale(system: str = "mm") -> tuple[float, str]:
    """How many kilograms, or pounds, there are in a kilogram, and what they are called."""
    return (1 / _KG_PER_POUND, "lb") if system == "in" else (1.0, "kg")


def slope_text(slope: float, system: str = "mm", *, decimals: int = 1) -> str:
    """A slope [m per m] in the words of a sheet: mm per m, or inches in 10 ft."""
    if system == "in":
        return f"{feet_and_inches(slope * 10 * METRES_PER['ft'])} in 10 ft"
    return f"{slope * 1000:z.{decimals}f} mm per m"
