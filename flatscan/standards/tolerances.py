"""Published tolerances: one limit from one edition of one document, where it was read, and whether that decides."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from flatscan.core import choices
from flatscan.core.errors import BadValue
from flatscan.core.quantity import metres
from flatscan.core.units import METRES_PER

CRITERIA = ("flatness", "plumb", "step", "corner", "reveal", "square")
METHODS = (*choices.METHODS, "chord", "")
INTERPOLATIONS = ("none", "linear", "class", "pro rata", "per storey")
HALF_UP = "half up to whole mm"
ROUNDINGS = ("", HALF_UP)
DOCUMENT, PAGE, NOTES, MEMORY = "document itself", "page that prints it", "shared notes", "memory"
KINDS = (DOCUMENT, PAGE, NOTES, MEMORY)


@dataclass(frozen=True, slots=True)
class Reading:
    """One place where a limit was read: a document, or a page that prints its values.

    ``kind`` is ``document itself``, ``page that prints it``, ``shared notes`` (read by others, page not named) or
    ``memory``. ``date`` is the day it was read (ISO 8601), ``copies`` the name of the reading it repeats word for word,
    ``says`` how far it bears the entry out.
    """

    name: str
    title: str
    publisher: str
    kind: str
    date: str
    copies: str = ""
    says: str = ""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A limit as a document states it (lengths in metres).

    ``criterion`` is flatness, plumb, step, corner, reveal or square. ``method`` is ``resting``, ``equal offsets``,
    ``balanced end gap`` or ``chord`` (the limit follows the distance between the contacts) for flatness and empty for
    the rest. ``lengths`` and ``limits`` run in parallel; several of them are joined by ``interpolation``:

    - ``none``: each length has its own limit, judged by itself;
    - ``linear``: between two lengths the limit runs straight; it stays at the first below the first;
    - ``class``: the limit of the first length that is not exceeded;
    - ``pro rata``: a slope, ``limits[0]`` in every ``lengths[0]``; of several the least among those that fit;
    - ``per storey``: the whole of ``limits[0]`` in each storey, however high; ``lengths[0]`` is the most that is taken
      for one storey.

    ``beyond`` [m] is the limit over more than the last length; None: a slope goes on, the last limit stays. Where
    ``rounding`` is not empty the document rounds half up to whole millimetres. ``directions`` (degrees from
    horizontal) are the only ones it speaks of; empty means every direction. ``readings`` say where it was read, and
    with them ``decides``; somebody may have ``accepted`` it on his word. ``line`` is the document's line in our words,
    ``anywhere`` where the straightedge may lie, ``short`` what counts on a wall shorter than the length named and
    ``doubt`` what is not confirmed. ``unit`` and ``length_unit`` are those of the document.
    """

    id: str
    document: str
    edition: str
    clause: str
    criterion: str
    applies_to: str
    method: str
    lengths: tuple[float, ...]
    limits: tuple[float, ...]
    interpolation: str
    rounding: str = ""
    beyond: float | None = None
    directions: tuple[float, ...] = ()
    stages: tuple[str, ...] = ()
    countries: tuple[str, ...] = ()
    superseded_by: str = ""
    line: str = ""
    anywhere: str = ""
    short: str = ""
    doubt: str = ""
    readings: tuple[Reading, ...] = ()
    accepted: bool = False
    unit: str = "mm"
    length_unit: str = "m"

    @classmethod
    def entered(cls, criterion: str, limit: float, length: float, method: str) -> Tolerance:
        """An unnamed entry for a limit [m] entered by hand; flatness is read under a straightedge of ``length`` [m].

        Whole sixteenths of an inch were meant in inches, whole inches of length in feet and inches.
        """
        return cls(
            id="",
            document="",
            edition="",
            clause="",
            criterion=criterion,
            applies_to="",
            method=method if criterion == "flatness" else "",
            lengths=(length,),
            limits=(limit,),
            interpolation="linear",
            unit="in" if _is_whole(limit, METRES_PER["in"] / 16, 5e-4) else "mm",
            length_unit="ft" if _is_whole(length, METRES_PER["in"], 0.01) else "m",
        )

    @property
    def published(self) -> bool:
        """Whether a document states the limit; one that is not was entered by hand."""
        return bool(self.id)

    @property
    def places(self) -> int:
        """In how many independent places it was read: pages of one publisher, copies and memory add none."""
        return len(
            {
                (one.kind, one.publisher)
                for one in self.readings
                if one.kind in (PAGE, NOTES) and not any(one.copies == other.name for other in self.readings)
            }
        )

    @property
    def read_as(self) -> str:
        """How well it was read: ``document``, ``two places``, ``one place`` or ``memory``; ``entered`` by hand."""
        if not self.published:
            return "entered"
        if any(one.kind == DOCUMENT for one in self.readings):
            return "document"
        return ("memory", "one place", "two places")[min(self.places, 2)]

    @property
    def sure(self) -> bool:
        """Whether it was read in the document itself or in two independent places, or was entered by hand."""
        return self.read_as in ("document", "two places", "entered")

    @property
    def decides(self) -> bool:
        """Whether the limit may be decided on: it was read well enough, or somebody accepted it."""
        return self.accepted or self.sure

    def limit_at(self, length: float) -> float:
        """Limit [m] over a length [m]; with ``none`` only at the lengths named, anything else raises `BadValue`."""
        if not (math.isfinite(length) and length > 0):
            raise BadValue(
                self.id,
                "a length of {length:span}",
                needed="a length over 0",
                remedy="Give the length judged",
                length=metres(length),
            )
        if self.interpolation == "none":
            return self._named(length)
        limit = self._over(length)
        return half_up_mm(limit) if self.rounding == HALF_UP else limit

    def slope_at(self, length: float) -> tuple[float, float]:
        """The limit and the length it is printed for [m] whose slope is the least among those that fit in a length."""
        pairs = list(zip(self.limits, self.lengths, strict=True))
        fits = [(limit, at) for limit, at in pairs if at <= length + 1e-9]
        return min(fits or pairs[:1], key=lambda pair: pair[0] / pair[1])

    def reaches(self, length: float) -> bool:
        """Whether the document names one limit for that length [m].

        Not for several storeys where it names one for each, nor beyond the last of its lengths without `beyond`.
        """
        if self.interpolation == "pro rata" or length <= self.lengths[-1] + 1e-9:
            return True
        return self.interpolation != "per storey" and self.beyond is not None

    def _named(self, length: float) -> float:
        near = [limit for at, limit in zip(self.lengths, self.limits, strict=True) if abs(at - length) < 1e-9]
        if not near:
            raise BadValue(
                self.id,
                "a length of {length:span}",
                needed="one of the lengths it names ({known:span})",
                remedy="Use the length the document names",
                length=metres(length),
                known=tuple(metres(at) for at in self.lengths),
            )
        return near[0]

    def _over(self, length: float) -> float:
        if self.beyond is not None and length > self.lengths[-1] + 1e-9:
            return self.beyond
        if self.interpolation == "pro rata":
            limit, every = self.slope_at(length)
            return limit * length / every
        if self.interpolation in ("class", "per storey"):
            return self.limits[min(int(np.searchsorted(self.lengths, length - 1e-9)), len(self.limits) - 1)]
        return float(np.interp(length, self.lengths, self.limits))

    def stairs(self, longest: float) -> tuple[tuple[float, float, float], ...]:
        """The limit as stairs up to ``longest`` [m]: (from length, to length, limit), each constant to below ``to``.

        Exact where the document rounds to whole millimetres; a straight line is cut into stairs of 0.5 mm, each with
        the lower limit, so that nothing over the limit is missed. A length that a class includes is told from one
        beyond it by a micrometre.
        """
        rising = [(0.0, self.limits[0])]
        for (l0, t0), (l1, t1) in pairwise(zip(self.lengths, self.limits, strict=True)):
            if self.interpolation in ("class", "none"):
                rising.append((l0 + 1e-6, t1))
                continue
            grid, shift = (1e-3, 5e-4) if self.rounding == HALF_UP else (5e-4, 0.0)
            first, last = (math.floor((limit + shift) / grid + 1e-9) for limit in (t0, t1))
            rising += [
                (l0 + (l1 - l0) * (count * grid - shift - t0) / (t1 - t0), round(count * grid, 9))
                for count in range(first + 1, last + 1)
            ]
        if self.beyond is not None:
            rising.append((self.lengths[-1] + 1e-6, self.beyond))
        rising = [step for step in rising if step[0] < longest]
        ends = [step[0] for step in rising[1:]] + [longest]
        return tuple((start, stop, limit) for (start, limit), stop in zip(rising, ends, strict=True))


def _is_whole(length: float, step: float, metric: float) -> bool:
    """Whether a length is so many whole steps, and no whole ``metric`` ones [m]."""
    parts, others = length / step, length / metric
    return math.isfinite(parts) and abs(parts - round(parts)) < 1e-6 < abs(others - round(others))


def half_up_mm(metres: float) -> float:
    """Rounded to whole millimetres, a half going up (12.5 mm is 13 mm, where Python's ``round`` gives 12)."""
    # 1e-9 mm forgives what binary fractions take off an exact half
    return math.floor(metres * 1000 + 0.5 + 1e-9) / 1000
