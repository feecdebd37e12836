"""How a quantity stands in a sentence, in millimetres or in feet and inches, and how a setting is called there.

A template is a sentence with placeholders ``{name:kind}``. Kinds: ``length`` (``.1`` decimals of a millimetre, or
``.2g`` significant digits), ``exact`` (one held against another: in inches by hundredths), ``span`` (long lengths, in
metres or feet), ``stated`` (in the unit behind the dot, whoever reads it, with the reader's own in brackets where that
is another), ``area``, ``volume``, ``mass``, ``load``, ``slope``, ``angle``, ``pixels``, ``hours``, ``days``,
``share`` (per cent), ``number``, ``count`` (thousands parted by commas), ``place``, ``xy`` (a place as tables name it),
``spot`` (a place in few letters, from left / up), ``sides`` (width x height), ``list`` and ``then`` (several notes);
none for names, notes and small counts. ``bare`` is a length beside another one that carries the mm, ``amount`` a volume
beside another one; inches always carry their own. A ``+`` before the decimals writes the sign as well; a ``±`` behind
the kind adds a 95 % interval, as ± where it is the same both ways, else by its two ends, to a volume always as low and
high; ``spread`` is that of a length alone. ``{count:place|places}`` is the first word for one of them, else the second.
``{set:rule}`` is the setting called rule, ``{run:survey --list}`` that command, as the reader at hand knows them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from flatscan.core.notes import Note
from flatscan.core.quantity import COVER, Quantity
from flatscan.core.units import METRES_PER, area_text, feet_and_inches, length_text, mass_text, slope_text, volume_text

_SLOT = re.compile(r"\{([a-z_]\w*)(?::([^{}]*))?\}")
KINDS = {
    "length": "m",
    "exact": "m",
    "span": "m",
    "stated": "m",
    "area": "m2",
    "volume": "m3",
    "mass": "kg",
    "load": "kg/m2",
    "slope": "m/m",
    "angle": "deg",
    "pixels": "px",
    "hours": "h",
    "days": "d",
    "share": "1",
    "number": "1",
    "spread": "m",
    "bare": "m",
    "amount": "m3",
    "of-area": "m2",
    "of-hours": "h",
    "of-days": "d",
}
# how several values stand behind each other: as a list with semicolons, or one after the other
_JOINTS = {"list": ("; ", ""), "then": (", then ", "")}
_DECIMALS = {"area": 1, "slope": 1}
# what a sum of floats may be off: no more makes a ± longer, or an interval uneven
_EVEN = 1e-6
# two lengths along the wall, in metres with two decimals: what stands between them
_PAIRS = {"spot": "/", "sides": "x"}


def _python_name(setting: str) -> str:
    return setting


def _option(setting: str) -> str:
    return "--" + setting.replace("_", "-")


def _command(words: str) -> str:
    return f"flatscan {words}"


@dataclass(frozen=True, slots=True)
class Manner:
    """Who is spoken to: in which ``units`` (mm or in), and how settings and commands are called there."""

    units: str = "mm"
    setting: Callable[[str], str] = _python_name
    command: Callable[[str], str] = _command


LIBRARY = Manner()


def command_line(units: str = "mm") -> Manner:
    """The manner of somebody who types commands and options."""
    return Manner(units, _option, _command)


def slots(template: str) -> tuple[tuple[str, str], ...]:
    """Placeholders of a template as (name, kind), in their order, ``set`` and ``run`` among them."""
    return tuple((name, kind or "") for name, kind in _SLOT.findall(template))


def fill(
    template: str,
    values: Mapping[str, object],
    manner: Manner = LIBRARY,
    said: Callable[[Note, Manner], str] | None = None,
) -> str:
    """The template with its placeholders written out; braces that name no value stay as they are.

    ``said`` puts notes among the values into words. Raises `TypeError` for a value that is not of its kind.
    """

    def filled(found: re.Match[str]) -> str:
        name, kind = found[1], found[2] or ""
        if name == "set" and name not in values:
            return manner.setting(kind)
        if name == "run" and name not in values:
            return manner.command(kind)
        return written(values[name], kind, manner, said) if name in values else found[0]

    return _SLOT.sub(filled, template)


def written(
    value: object, kind: str = "", manner: Manner = LIBRARY, said: Callable[[Note, Manner], str] | None = None
) -> str:
    """One value as its kind asks for; tuples of values are parted by commas."""
    if "|" in kind:
        one, _, many = kind.partition("|")
        return one if value in (1, "1") else many
    base, wide, digits = _parts(kind)
    if base in ("place", "xy", *_PAIRS):
        assert isinstance(value, tuple)
        return _at(value, base, digits, manner.units)
    if isinstance(value, tuple):
        joint, kind = _JOINTS.get(base, (", ", kind))
        return joint.join(written(part, kind, manner, said) for part in value)
    if isinstance(value, Note):
        if said is None:
            raise TypeError(f"note {value.code} where nobody can put it into words")
        return said(value, manner)
    if base in KINDS:
        if not isinstance(value, Quantity) or value.unit != KINDS[base]:
            raise TypeError(f"{value!r} is no {base}")
        if base == "spread":
            return _spread(value, "length", digits, manner.units)
        text = _WRITE[base](value.value, manner.units, digits)
        return f"{text} {_spread(value, base, digits, manner.units)}" if wide else text
    if base not in ("", "count"):
        raise TypeError(f"no kind '{kind}'")
    if isinstance(value, (float, Quantity)) or value is None:
        raise TypeError(f"{value!r} needs a kind")
    return f"{value:,}" if base == "count" and not isinstance(value, str) else str(value)


def _at(value: tuple[object, ...], base: str, digits: str, units: str) -> str:
    """A place, or two lengths along the wall."""
    x, y = (_metres(part) for part in value)
    if base == "place":
        return f"{length_text(x, units)} from the left, {length_text(y, units)} up"
    if base == "xy":
        return f"x {_span(x, units, digits or '3')}, y {_span(y, units, digits or '3')}"
    return f"{_span(x, units, '2').removesuffix(' m')} {_PAIRS[base]} {_span(y, units, '2')}"


def _metres(value: object) -> float:
    assert isinstance(value, (float, int, Quantity))
    return value.value if isinstance(value, Quantity) else value


def _parts(kind: str) -> tuple[str, bool, str]:
    """Kind, whether ± is asked for, and digits such as ``1`` or ``2g``."""
    wide = kind.endswith("±")
    base, _, digits = kind.removesuffix("±").partition(".")
    return base, wide, digits


def _number(value: float, digits: str, default: int = 0) -> str:
    """``2g``: two significant digits, or all before the decimal point; ``g``: as they come; else so many decimals.

    ``+2`` writes the sign before them.
    """
    sign, digits = digits[:1] == "+", digits.removeprefix("+")
    if digits.endswith("g"):
        text = f"{value:.{digits}}" if digits != "g" else f"{value:g}"
        text = f"{value:.0f}" if "e+" in text else text
    else:
        text = f"{value:.{int(digits or default)}f}"
    # what rounds to nothing has no sign
    text = text if text.strip("-0.") else text.removeprefix("-")
    return f"+{text}" if sign and text[:1] != "-" else text


def _signed(text: str, digits: str) -> str:
    return f"+{text}" if digits[:1] == "+" and text[:1] != "-" else text


def _length(value: float, units: str, digits: str) -> str:
    if units != "in":
        return f"{_number(value * 1000, digits)} mm"
    inches = value / METRES_PER["in"]
    # thousandths where a tape's sixteenths would show nothing
    small = digits not in ("", "0") and abs(inches) < 1 / 32 and round(inches, 3) != 0
    return _signed(f"{inches:.3f} in" if small else feet_and_inches(value), digits)


def _exact(value: float, units: str, digits: str) -> str:
    """A length beside another that it is held against: in inches by hundredths where it is no sixteenth itself."""
    inches = value / METRES_PER["in"]
    if units != "in" or abs(inches * 16 - round(inches * 16)) < 1e-3 or abs(inches) >= 12:
        return _length(value, units, digits)
    return _signed(f"{inches:.{3 if abs(inches) < 0.1 else 2}f} in", digits)


def _span(value: float, units: str, digits: str) -> str:
    if units == "in":
        # a round figure stays round: whole inches, never more than it is
        return feet_and_inches(math.floor(value / METRES_PER["in"]) * METRES_PER["in"] if digits == "0" else value)
    return f"{_number(value, digits or 'g')} m"


def _stated(value: float, units: str, unit: str) -> str:
    """A length as a document states it, in mm, cm, m, in or ft; the reader's own unit follows in brackets."""
    unit = unit or units
    long, imperial = unit in ("m", "ft"), unit in ("in", "ft")
    count = value / METRES_PER[unit]
    text = f"{_number(count, '3g' if unit == 'm' else '4g')} {unit}"
    parts = abs(count * 16 - round(count * 16))
    if unit == "ft" and abs(count - round(count)) > 1e-9 or unit == "in" and parts < 1e-6 and count % 1:
        text = feet_and_inches(value)
    if imperial == (units == "in"):
        return text
    own = _span(value, units, "3g" if units != "in" else "") if long else _exact(value, units, "4g")
    return f"{text} ({own})"


def _slope(value: float, units: str, digits: str) -> str:
    if digits == "g" and units != "in":
        return f"{_number(value * 1000, digits)} mm per m"
    return _signed(slope_text(value, units, decimals=int(digits.strip("+g") or _DECIMALS["slope"])), digits)


def _load(value: float, units: str, digits: str) -> str:
    if units == "in":
        return f"{mass_text(value * METRES_PER['ft'] ** 2, units, decimals=1)} per sq ft"
    return f"{mass_text(value, units, decimals=int(digits or 0))} per m²"


_WRITE: dict[str, Callable[[float, str, str], str]] = {
    "length": _length,
    "exact": _exact,
    "bare": lambda v, units, d: _length(v, units, d) if units == "in" else _number(v * 1000, d),
    "span": _span,
    "stated": _stated,
    "area": lambda v, units, d: area_text(v, units, decimals=int(d or _DECIMALS["area"])),
    "volume": lambda v, units, d: volume_text(v, units, decimals=int(d or 0)),
    "amount": lambda v, units, d: volume_text(v, units, decimals=int(d or 0)).split()[0],
    "mass": lambda v, units, d: mass_text(v, units, decimals=int(d or 0)),
    "load": _load,
    "slope": _slope,
    "angle": lambda v, _, d: f"{_number(v, d or 'g')} degrees",
    "pixels": lambda v, _, d: f"{_number(v, d or '1')} px",
    "hours": lambda v, _, d: f"{_number(v, d or 'g')} h",
    "days": lambda v, _, d: _days(_number(v, d or "1")),
    "of-area": lambda v, units, d: area_text(v, units, decimals=int(d or _DECIMALS["area"])).split()[0],
    "of-hours": lambda v, _, d: _number(v, d or "g"),
    "of-days": lambda v, _, d: _number(v, d or "1"),
    "share": lambda v, _, d: f"{_share(v, d)} %",
    "number": lambda v, _, d: _number(v, d or "g"),
}


def _days(count: str) -> str:
    return f"{count} day" if count == "1" else f"{count} days"


def _share(value: float, digits: str) -> str:
    """A share in per cent; what is not all of it never reads 100, and what is some of it never 0.

    Where it would, it has one more decimal, so that it and what it leaves add up to 100 as they are read.
    """
    text = _number(value * 100, digits)
    if not (digits or "0").isdigit():
        return text
    finer, step = str(int(digits or 0) + 1), 10 ** (int(digits or 0) + 1)
    if float(text) == 100 and value < 1 - 1e-6:
        return _number(min(value * 100, 100 - 1 / step), finer)
    if float(text) == 0 and value > 1e-6:
        return _number(max(value * 100, 1 / step), finer)
    return text


def _spread(value: Quantity, base: str, digits: str, units: str) -> str:
    """The 95 % interval: ±, lengths rounded up so that a sheet never shows less than there is.

    Where it is not the same both ways, its two ends in brackets, rounded as they stand elsewhere.
    """
    u = value.u
    if value.low is not None and value.high is not None:
        if base == "volume" or abs(value.low + value.high - 2 * value.value) > _EVEN * (value.high - value.low):
            return f"({_ends(value.low, value.high, base, digits, units)})"
        u = (value.high - value.low) / (2 * COVER)
    if base == "volume":
        return _range(value, digits, units)
    if u is None:
        return "(± not known)"
    if base == "exact" and units == "in" and COVER * u >= METRES_PER["in"] / 16:
        # hundredths beside hundredths
        return f"± {math.ceil(COVER * u / METRES_PER['in'] * 100 - _EVEN) / 100:.2f} in"
    if base in ("length", "exact"):
        return f"± {expanded_length(u, units)}"
    return f"± {_WRITE[base](COVER * u, units, digits)}"


def _range(value: Quantity, digits: str, units: str) -> str:
    """A volume's 95 % interval where its error is symmetric: litres never carry a ±."""
    if value.u is None:
        return "(how far off is not known)"
    low, high = (_WRITE["volume"](value.value + k * value.u, units, digits) for k in (-COVER, COVER))
    return f"({low} to {high})"


def _ends(low: float, high: float, base: str, digits: str, units: str) -> str:
    """Both ends of an interval; lengths to a tenth of a millimetre or a hundredth of an inch, without the unit."""
    if base not in ("length", "exact"):
        return f"{_WRITE[base](low, units, digits)} to {_WRITE[base](high, units, digits)}"
    if units == "in":
        return f"{_number(low / METRES_PER['in'], '2')} to {_number(high / METRES_PER['in'], '2')}"
    return f"{_number(low * 1000, '1')} to {_number(high * 1000, '1')}"


def expanded_length(u: float, units: str, *, bare: bool = False) -> str:
    """Half of the 95 % interval of a length with standard uncertainty ``u`` [m], rounded up, without its ±.

    ``bare`` leaves the mm to the head of a column; inches always carry their own.
    """
    if units != "in":
        return f"{math.ceil(COVER * u * 10000 - _EVEN) / 10:.1f}{'' if bare else ' mm'}"
    inches = COVER * u / METRES_PER["in"]
    if inches < 1 / 32:
        # a sixteenth would be more than twice too much
        return f"{math.ceil(inches * 1000 - _EVEN) / 1000:.3f} in"
    return length_text(math.ceil(inches * 16 - _EVEN) / 16 * METRES_PER["in"], units)
