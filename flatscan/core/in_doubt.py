"""A reading that what stands around it makes unlikely, and what a wall takes without it."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.notes import Note
from flatscan.core.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Doubted:
    """The reading at ``x``, ``y`` as its table has it, what its neighbours say it should be, and ``sd`` of that, in m.

    ``meant`` [m] is what was probably meant where one slip of the hand explains it, ``slip`` says which; else None.
    ``offset`` is ``meant``, proud positive; ``also`` [m] is another reading that was meant nearly as likely.
    """

    x: float
    y: float
    reading: float
    expected: float
    sd: float
    meant: float | None = None
    slip: Note | None = None
    offset: float | None = None
    also: float | None = None


@dataclass(frozen=True, slots=True)
class Without:
    """What a survey finds without a doubted reading and those before it: as what was meant, or as not read.

    ``volume`` and ``order`` in m3, ``price`` in the user's currency; None where they cannot be known.
    """

    reading: Doubted
    volume: Quantity
    order: float | None
    price: float | None
