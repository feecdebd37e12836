"""Lengths as people write them."""

from __future__ import annotations

import re
from fractions import Fraction

from flatscan.core.errors import BadValue
from flatscan.core.units import METRES_PER

_SPELLINGS = {"'": "ft", '"': "in", "″": "in", "′": "ft", "inch": "in", "foot": "ft", "feet": "ft"}
_NUMBER = r"[+-]?(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d*)?(?:[eE][+-]?\d+)?|[.,]\d+)"
_LENGTH = re.compile(rf"\s*({_NUMBER})\s*([A-Za-z'\"″′]*)\s*")


def parse_length(text: str, *, where: str = "length", unit: str | None = None) -> float:
    """Metres in a text such as ``3mm``, ``1.8 m``, ``1/8in`` or ``5 ft``.

    ``unit`` is assumed when the text gives none; without it a bare number raises `BadValue`,
    as does anything that is not one number with a known unit.

    >>> parse_length("1.8m"), parse_length("1/8in")
    (1.8, 0.003175)
    """
    match = _LENGTH.fullmatch(text)
    name = _SPELLINGS.get(match[2].lower(), match[2].lower()) if match else ""
    name = name or (unit or "")
    if match is None or name not in METRES_PER:
        raise BadValue(
            where,
            f"'{text}' is not a length",
            needed="a number with its unit (mm, cm, m, in or ft), such as 3mm",
            remedy="Write the unit behind the number",
        )
    whole, _, part = match[1].replace(",", ".").rpartition(" ")
    value = float(Fraction(part)) if "/" in part else float(part)
    if whole.strip():
        value = float(whole) + (-value if whole.strip().startswith("-") else value)
    return value * METRES_PER[name]
