"""One limit from one edition of one document, with where it was read."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A limit as a document states it (lengths in metres).

    ``criterion`` is flatness, plumb, step or corner. ``method`` is ``resting``, ``equal offsets``, ``balanced end
    gap`` or ``chord`` for flatness. ``lengths`` and ``limits`` run in parallel; several of them are interpolated by
    ``interpolation``. ``checked`` is ``printed``, ``printed elsewhere`` or ``from memory``: the last gives numbers
    but no decision.
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
