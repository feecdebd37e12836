"""Sizes of walls, rules and places as people type them: a bare number is what a person means by one of its size."""

from __future__ import annotations

import re

from flatscan.core.errors import BadValue
from flatscan.core.typed import parse_length
from flatscan.core.units import METRES_PER

# a number alone, with a comma or a point
_BARE = re.compile(r"\s*[0-9]+(?:[.,][0-9]*)?\s*|\s*[.,][0-9]+\s*")
# bare metric numbers up to this are metres, from the second on millimetres; between them they may be centimetres too
_METRES, _MILLIMETRES = 50.0, 1000.0
# bare numbers in inches from this on are inches; below it a wall or a rule may be meant in feet
_INCHES = 24.0


def parse_size(text: str, *, where: str, units: str, place: bool = False) -> float:
    """Metres of a wall's size, a rule or the distance between columns, for somebody who works in ``units`` mm or in.

    Of a bare number "3600" is millimetres and "3,6" metres; where two units are as likely `BadValue` asks for one. A
    ``place`` may be small. Raises as `parse_length` does.
    """
    if _BARE.fullmatch(text) is None:
        return parse_length(text, where=where)
    number = float(text.replace(",", "."))
    if units == "in":
        if number and number < _INCHES and not place:
            raise _either(where, text, "ft", "in")
        return number * METRES_PER["in"]
    if _METRES < number < _MILLIMETRES:
        raise _either(where, text, "cm", "mm")
    return number if number <= _METRES else number / 1000


def _either(where: str, text: str, one: str, other: str) -> BadValue:
    return BadValue(
        where,
        "'{text}' may be {one} or {other}",
        needed="the unit behind the number",
        remedy="Write {text} {one} or {text} {other}",
        text=text.strip()[:40],
        one=one,
        other=other,
    )
