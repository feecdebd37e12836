"""Lengths as people write them."""

from __future__ import annotations

import math
import re
import unicodedata
from fractions import Fraction

from flatscan.core.errors import BadValue
from flatscan.core.units import METRES_PER

_NAMES = {
    "millimetres": "mm", "millimeters": "mm", "millimetre": "mm", "millimeter": "mm",
    "centimetres": "cm", "centimeters": "cm", "centimetre": "cm", "centimeter": "cm",
    "metres": "m", "meters": "m", "metre": "m", "meter": "m",
    "inches": "in", "inch": "in", '"': "in", "feet": "ft", "foot": "ft", "'": "ft",
}  # fmt: skip
# what editors and phones put in place of plain marks
_PLAIN = str.maketrans(
    {"\u00a0": " ", "\u2009": " ", "\u202f": " ", "′": "'", "’": "'", "″": '"', "”": '"', "⁄": "/", "−": "-"}
)
_NUMBER = r"(?:[0-9]+(?:[ \t]+|-)[0-9]+/[0-9]+|[0-9]+/[0-9]+|[0-9]+(?:[.,][0-9]*)?(?:[eE][+-]?[0-9]+)?|[.,][0-9]+)"
_PART = re.compile(rf"({_NUMBER})\s*([A-Za-z]+\.?|''|['\"]|)\s*")
_LONGEST = 60
# a foot has inches behind it and a metre has centimetres: no other pair of units stands for one length
_SMALLER = {"ft": ("in",), "m": ("cm", "mm"), "cm": ("mm",)}


def unit_named(text: str) -> str | None:
    """Unit a word names (m, mm, cm, ft or in, in full or as a mark), or None."""
    word = text.translate(_PLAIN).strip().lower().rstrip(".").replace("''", '"')
    word = _NAMES.get(word, word)
    return word if word in METRES_PER else None


def parse_length(text: str, *, where: str = "length", unit: str | None = None) -> float:
    """Metres in a text such as ``3mm``, ``1,8 m``, ``5 7/8 in``, ``13ft 9in`` or ``13' 9"``.

    ``unit`` is assumed when the text gives none; without it a bare number raises `BadValue`, as does anything that is
    not one finite length in known units. A comma is a decimal mark.

    >>> parse_length("1.8m"), parse_length("1/8in")
    (1.8, 0.003175)
    """
    metres = _metres(text, unit)
    if metres is None:
        raise BadValue(
            where,
            "'{text}' is not a length",
            needed="a number with its unit (mm, cm, m, in or ft), such as 3mm",
            remedy="Write the unit behind the number",
            text=text[:_LONGEST],
        )
    return metres


def in_metres(length: float | str, setting: str) -> float:
    """Metres of a length given as a number of metres, or as text with its unit; raises as `parse_length` does."""
    return parse_length(length, where=f"{{set:{setting}}}") if isinstance(length, str) else float(length)


def is_length(text: str, unit: str | None = "m") -> bool:
    """Whether a text is one length; a bare number is one in ``unit``, and none where that is None."""
    return _metres(text, unit) is not None


def _metres(text: str, unit: str | None) -> float | None:
    """Metres in a text; None where it is no length."""
    text = "".join(map(_fraction, text)).translate(_PLAIN).strip() if len(text) <= _LONGEST else ""
    sign = -1.0 if text[:1] == "-" else 1.0
    text = text[1:].lstrip() if text[:1] in ("-", "+") else text
    metres, before, at = 0.0, "", 0
    while at < len(text):
        part = _PART.match(text, at)
        if part is None:
            return None
        name = unit_named(part[2]) if part[2] else "in" if before == "ft" else None if before else unit
        value = _number(part[1])
        if name is None or value is None:
            return None
        size = value * METRES_PER[name]
        if before and (name not in _SMALLER.get(before, ()) or size >= METRES_PER[before]):
            return None
        metres, before, at = metres + size, name if part[2] else "end", part.end()
    return sign * metres if text and math.isfinite(metres) else None


def _fraction(sign: str) -> str:
    """A fraction that is one sign, as ``½``, in digits; any other sign as it is."""
    parts = unicodedata.decomposition(sign)
    return f" {unicodedata.normalize('NFKC', sign)}" if parts.startswith("<fraction>") else sign


def _number(text: str) -> float | None:
    """A number, a fraction or both, without a sign; None for a fraction of nothing."""
    whole, part = "", text.replace(",", ".")
    if "/" in part:
        *words, part = re.split(r"[ \t-]+", part)
        whole = words[0] if words else ""
        if int(part.partition("/")[2]) == 0:
            return None
        return float(whole or 0) + float(Fraction(part))
    return float(part)
