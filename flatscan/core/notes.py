"""Meaning as data: a note says by a code, a place and quantities what the report puts into words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from flatscan.core.quantity import metres

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Note:
    """Something worth saying: ``code`` (room.what), ``place`` (x, y) on the wall [m] if it has one, ``quantities``.

    Made by `note`. The words of every code stand in ``report/wording``, with a placeholder for each quantity. Its
    values are `Quantity`, counts, places, other notes, tuples of these, and names (out of a file, or typed) as str.
    """

    code: str
    place: Place | None = None
    pairs: tuple[tuple[str, object], ...] = field(default=())

    @property
    def quantities(self) -> Mapping[str, object]:
        """Quantities, counts, names and other notes by the name they have in the words."""
        return dict(self.pairs)


def note(code: str, place: Place | None = None, **quantities: object) -> Note:
    """A `Note` with its quantities by name; None among them is an error of the caller's and raises `ValueError`."""
    missing = [name for name, value in quantities.items() if value is None]
    if missing:
        raise ValueError(f"note {code}: no {', '.join(missing)}")
    return Note(code, place, tuple(quantities.items()))


_IN = {"mm": "limit.in-mm", "cm": "limit.in-cm", "m": "limit.in-m", "in": "limit.in-in", "ft": "limit.in-ft"}


def in_unit(length: float, unit: str) -> Note:
    """A length [m] in the ``unit`` that its document gives it in, for whichever reader."""
    return note(_IN[unit], length=metres(length))


@dataclass(frozen=True, slots=True)
class Caution:
    """What can hurt, said before what it warns of: ``code`` as of a note, and the ``action`` it warns of in a word.

    Made by `caution`. It stays a caution when a result's notes are put into words, so that it can be placed.
    """

    code: str
    action: str
    pairs: tuple[tuple[str, object], ...] = field(default=())


def caution(code: str, action: str, **quantities: object) -> Caution:
    """A `Caution` with its quantities by name."""
    return Caution(code, action, tuple(quantities.items()))


@dataclass(frozen=True, slots=True)
class Unknown:
    """Why a number is not there: ``reason`` is a code with words in ``report/wording``; it is false, like None."""

    reason: str

    def __bool__(self) -> bool:
        return False
