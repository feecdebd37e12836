"""A reading that what stands around it makes unlikely."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.notes import Note


@dataclass(frozen=True, slots=True)
class Doubted:
    """The reading at ``x``, ``y`` as its table has it, what its neighbours say it should be, and ``sd`` of that, in m.

    ``meant`` [m] is what was probably meant where one slip of the hand explains it, ``slip`` says which; else None.
    ``offset`` is ``meant``, proud positive.
    """

    x: float
    y: float
    reading: float
    expected: float
    sd: float
    meant: float | None = None
    slip: Note | None = None
    offset: float | None = None
