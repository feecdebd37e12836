"""Published tolerances: one limit from one edition of one document, and all of them, with where each was read."""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Annotated

import numpy as np

from flatscan.core import choices
from flatscan.core.errors import BadTable, BadValue
from flatscan.core.quantity import metres
from flatscan.core.records import Positive, of_table, one_of, parse_toml
from flatscan.core.typed import is_length, parse_length
from flatscan.core.units import METRES_PER

CRITERIA = ("flatness", "plumb", "step", "corner", "reveal", "square")
METHODS = (*choices.METHODS, "chord", "")
INTERPOLATIONS = ("none", "linear", "linear, half up to whole mm", "class", "per length", "share of height")
_WHOLE_MM = ("linear, half up to whole mm", "share of height")
CHECKED = ("printed", "printed elsewhere", "from memory")


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A limit as a document states it (lengths in metres).

    ``criterion`` is flatness, plumb, step, corner, reveal or square. ``method`` is ``resting``, ``equal offsets``,
    ``balanced end gap`` or ``chord`` (the limit follows the distance between the contacts) for flatness and empty for
    the rest. ``lengths`` and ``limits`` run in parallel; several of them are joined by ``interpolation``:

    - ``none``: each length has its own limit, judged by itself;
    - ``linear``, ``linear, half up to whole mm``: between two lengths the limit runs straight (and is rounded half up
      to whole millimetres); it stays at the first below the first and at the last above the last;
    - ``class``: the limit of the first length that is not exceeded, and the last beyond;
    - ``per length``: a slope, ``limits[0]`` in every ``lengths[0]``;
    - ``share of height``: the same slope, rounded half up to whole millimetres.

    ``directions`` (degrees from horizontal) are the only ones it speaks of; empty means every direction. ``checked``
    is ``printed``, ``printed elsewhere`` or ``from memory``: the last gives numbers but no decision, unless somebody
    ``accepted`` it on his word. ``tags`` are words to find it by. ``unit`` and ``length_unit`` are those in which the
    document gives limits and lengths.
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
    source: str
    checked: str
    note: str = ""
    tags: tuple[str, ...] = ()
    directions: tuple[float, ...] = ()
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
            source="",
            checked="entered",
            unit="in" if _is_whole(limit, METRES_PER["in"] / 16, 5e-4) else "mm",
            length_unit="ft" if _is_whole(length, METRES_PER["in"], 0.01) else "m",
        )

    @property
    def published(self) -> bool:
        """Whether a document states the limit; one that is not was entered by hand."""
        return bool(self.id)

    @property
    def decides(self) -> bool:
        """Whether the limit may be decided on; one written down from memory may where somebody accepted it."""
        return self.accepted or self.checked != "from memory"

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
        if self.interpolation == "class":
            return self.limits[min(int(np.searchsorted(self.lengths, length - 1e-9)), len(self.limits) - 1)]
        if self.interpolation in ("per length", "share of height"):
            limit = self.limits[0] * length / self.lengths[0]
        else:
            limit = float(np.interp(length, self.lengths, self.limits))
        return half_up_mm(limit) if self.interpolation in _WHOLE_MM else limit

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
            grid, shift = (1e-3, 5e-4) if self.interpolation in _WHOLE_MM else (5e-4, 0.0)
            first, last = (math.floor((limit + shift) / grid + 1e-9) for limit in (t0, t1))
            rising += [
                (l0 + (l1 - l0) * (count * grid - shift - t0) / (t1 - t0), round(count * grid, 9))
                for count in range(first + 1, last + 1)
            ]
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


@dataclass(frozen=True, slots=True)
class _Entry:
    """One ``[[entry]]`` as a file has it: lengths in ``length_unit``, limits in ``unit``."""

    id: str
    clause: str
    criterion: Annotated[str, one_of(CRITERIA)]
    applies_to: str
    method: Annotated[str, one_of(METHODS)]
    unit: Annotated[str, one_of(METRES_PER)]
    lengths: tuple[Positive, ...]
    limits: tuple[Positive, ...]
    interpolation: Annotated[str, one_of(INTERPOLATIONS)] = "none"
    note: str = ""
    checked: Annotated[str, one_of(CHECKED)] | None = None
    length_unit: Annotated[str, one_of(METRES_PER)] = "m"
    tags: tuple[str, ...] = ()
    source: str | None = None
    directions: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Document:
    """A file: one edition of one document."""

    document: str
    edition: str | int
    source: str
    checked: Annotated[str, one_of(CHECKED)]
    entry: tuple[_Entry, ...]


def parse(text: str, where: str) -> tuple[Tolerance, ...]:
    """Entries of one document edition in TOML; a missing, unknown or contradictory key raises `BadTable`."""
    tables = parse_toml(text, where, "a TOML table", "Correct the line named")
    document = of_table(_Document, tables, where, "Correct the file; the shipped ones show the layout")
    if not document.entry:
        raise BadTable(where, "no [[entry]]", needed="at least one", remedy="Add what is missing")
    return tuple(_tolerance(document, entry, where) for entry in document.entry)


def _tolerance(document: _Document, entry: _Entry, where: str) -> Tolerance:
    lengths, limits = entry.lengths, entry.limits
    if not lengths or len(lengths) != len(limits) or list(lengths) != sorted(set(lengths)):
        raise BadTable(
            "{file}, entry {id}",
            "{lengths} lengths and {limits} limits",
            needed="as many limits as rising lengths",
            remedy="Correct the row",
            file=where,
            id=entry.id,
            lengths=len(lengths),
            limits=len(limits),
        )
    return Tolerance(
        id=entry.id,
        document=document.document,
        edition=str(document.edition),
        clause=entry.clause,
        criterion=entry.criterion,
        applies_to=entry.applies_to,
        method=entry.method,
        lengths=tuple(length * METRES_PER[entry.length_unit] for length in lengths),
        limits=tuple(limit * METRES_PER[entry.unit] for limit in limits),
        interpolation=entry.interpolation,
        source=entry.source or document.source,
        checked=entry.checked or document.checked,
        note=entry.note,
        tags=entry.tags,
        directions=entry.directions,
        unit=entry.unit,
        length_unit=entry.length_unit,
    )


@cache
def available() -> tuple[Tolerance, ...]:
    """All entries that ship with the package, in the order of their ids."""
    folder = files("flatscan.standards")
    found = [
        entry
        for item in sorted(folder.iterdir(), key=lambda item: item.name)
        if item.name.endswith(".toml")
        for entry in parse(item.read_text(encoding="utf-8"), item.name)
    ]
    return tuple(sorted(found, key=lambda entry: entry.id))


def matching(words: Sequence[str]) -> tuple[Tolerance, ...]:
    """The entries that hold all of the words, in any case, or have that length or limit; `BadValue` where none does."""
    wanted = [word.lower() for word in words]
    found = tuple(entry for entry in available() if all(_holds(entry, word) for word in wanted))
    if not found:
        raise BadValue(
            "tolerances",
            "no entry holds all of '{words}'",
            needed="words of an entry's id, document or note, a length or a limit",
            remedy="Leave the words out to see them all ({run:tolerances})",
            words=tuple(words),
        )
    return found


def _holds(entry: Tolerance, word: str) -> bool:
    if word in str(entry).lower():
        return True
    if not is_length(word, None):
        return False
    length = parse_length(word)
    return any(math.isclose(length, known, abs_tol=1e-6) for known in (*entry.lengths, *entry.limits))


def load(identifier: str) -> Tolerance:
    """The entry of that id; an unknown one raises `BadValue` with the closest ids."""
    known = {entry.id: entry for entry in available()}
    if identifier in known:
        return known[identifier]
    close = difflib.get_close_matches(identifier.lower(), known, n=3, cutoff=0.4)
    close = close or [name for name in known if identifier.lower() in name][:3]
    raise BadValue(
        "tolerance",
        "'{id}'",
        needed="an id that `{run:tolerances}` lists",
        remedy="Use {close}" if close else "List them with `{run:tolerances}`",
        id=identifier,
        close=" or ".join(close),
    )
