"""Numbered spots that keep their number from survey to survey, until they are signed off."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

# two finds within this are one spot however small it is: hand marks and cells are not surer (common practice)
NEAR = 0.15
OPEN, CLOSED, REOPENED = "open", "closed", "open again"


@dataclass(frozen=True, slots=True)
class Found:
    """A spot as one survey found it: its place, depth [m] and size [m]."""

    x: float
    y: float
    depth: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Entry:
    """One spot's history: ``number`` for good, where it was first found, and its depth [m] at each survey (None: not).

    ``state`` is open, closed or open again, as of the last survey.
    """

    number: int
    x: float
    y: float
    width: float
    height: float
    depths: tuple[float | None, ...]
    state: str


def ledger(surveys: Sequence[Sequence[Found]]) -> tuple[Entry, ...]:
    """Every spot ever found, numbered in the order of first finding, the deepest first.

    A find belongs to the spot whose centre lies nearest, if within 150 mm or half that spot's size; each find and each
    spot is used once a survey. New finds get new numbers: a number is never used again.
    """
    book: list[Entry] = []
    for turn, finds in enumerate(surveys):
        book = [replace(entry, depths=(*entry.depths, None)) for entry in book]
        pairs = sorted(
            (apart, entry.number, k)
            for entry in book
            for k, find in enumerate(finds)
            if (apart := _apart(entry, find)) is not None
        )
        taken: set[int] = set()
        known: set[int] = set()
        for _, number, k in pairs:
            if number not in known and k not in taken:
                known.add(number)
                taken.add(k)
                old = book[number - 1]
                book[number - 1] = replace(old, depths=(*old.depths[:-1], finds[k].depth))
        rest = sorted((f for k, f in enumerate(finds) if k not in taken), key=lambda f: (-f.depth, f.x, f.y))
        for find in rest:
            past = (None,) * turn
            book.append(Entry(len(book) + 1, find.x, find.y, find.width, find.height, (*past, find.depth), OPEN))
    return tuple(replace(entry, state=_state(entry.depths)) for entry in book)


def _apart(entry: Entry, find: Found) -> float | None:
    """Distance of a find from a spot [m], None where it is another one."""
    apart = math.hypot(entry.x - find.x, entry.y - find.y)
    inside = abs(entry.x - find.x) <= entry.width / 2 and abs(entry.y - find.y) <= entry.height / 2
    return apart if apart <= NEAR or inside else None


def _state(depths: Sequence[float | None]) -> str:
    if depths[-1] is None:
        return CLOSED
    before = [depth is not None for depth in depths[:-1]]
    first = before.index(True) if True in before else len(before)
    return REOPENED if False in before[first:] else OPEN
