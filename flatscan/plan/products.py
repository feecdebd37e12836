"""What is bought: every product in whole units as a shop sells it, with beads, strips and mesh by their lengths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from flatscan.core.notes import Note, note
from flatscan.plan.coats import LOOSE, OrderLine

# lengths beads and strips are sold in [m] (common practice)
BEAD, STRIP = 3.0, 2.4
# loose damp sand [kg/m3] and the bag it comes in [kg] (common practice)
SAND_DENSITY, SAND_BAG = 1600.0, 25.0
_HAIR = 1e-9
# a length under this [m] is none
_LEAST = 1e-6


@dataclass(frozen=True, slots=True)
class Product:
    """So many (``count``) of a ``unit`` of one product; ``instead`` (unit, count) is how else it is sold, or None.

    ``piece`` is how long one piece is, in words, empty for what is not sold by the piece.
    """

    name: Note | str
    unit: str
    count: float
    instead: tuple[str, float] | None = None
    piece: str = ""


def products_of(
    order: tuple[OrderLine, ...], *, edges: Sequence[float] = (), strips: Sequence[float] = (), mesh: float = 0.0
) -> tuple[Product, ...]:
    """Products of an order, then beads for ``edges``, screed ``strips`` and ``mesh`` off the roll, all three in metres.

    What is mixed on site is said by loose volume and by the bag.
    """
    found = [Product(line.product, line.unit, line.order, _instead(line)) for line in order]
    lengths = (("plan.product-bead", edges, BEAD), ("plan.product-strip", strips, STRIP))
    found += [
        Product(note(code), f"{stock:g} m length", float(pieces(needed, stock)), piece=f"{stock:g} m")
        for code, needed, stock in lengths
        if needed
    ]
    if mesh > 0:
        found.append(Product(note("plan.product-mesh"), "m off a 1 m roll", float(math.ceil(mesh - _HAIR))))
    return tuple(found)


def _instead(line: OrderLine) -> tuple[str, float] | None:
    if line.in_bags:
        # to the next hundredth of a m3: a shovel
        return None if line.loose is None else (LOOSE, math.ceil(line.order * line.loose * 100 - _HAIR) / 100)
    return f"{SAND_BAG:g} kg bag", float(math.ceil(line.wanted * SAND_DENSITY / SAND_BAG - _HAIR))


def pieces(needed: Sequence[float], stock: float) -> int:
    """Pieces of length ``stock`` that the ``needed`` lengths are cut from, the longest first (first fit decreasing).

    What is longer than a piece is joined from whole ones and a rest. At most 11/9 of the fewest there can be, and a
    piece more (Johnson 1973; Dósa 2007).
    """
    whole, left = 0, []  # type: int, list[float]
    rests = []
    for length in needed:
        full = math.floor(length / stock + _HAIR)
        whole += full
        rests.append(length - full * stock)
    for rest in sorted((rest for rest in rests if rest > _LEAST), reverse=True):
        fits = next((k for k, room in enumerate(left) if room >= rest - _LEAST), None)
        if fits is None:
            left.append(stock - rest)
        else:
            left[fits] -= rest
    return whole + len(left)
