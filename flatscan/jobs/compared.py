"""Parts of what a comparison finds: agreement of two parties, what must be asked first, what is over an allowance."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.compare import Place, Scores
from flatscan.core.notes import Note
from flatscan.core.quantity import Quantity


@dataclass(frozen=True, eq=False)
class Agreement:
    """Whether two surveys of one surface agree within what both say of their own uncertainty.

    ``scores`` are those of all places, ``differ`` the connected parts beyond their limit, the largest first. ``lean``
    [m per m] is the later survey's lean less the earlier's. ``correlation`` is that of the two shapes.
    """

    scores: Scores
    differ: tuple[Place, ...]
    lean: Quantity
    lean_agrees: bool | None
    correlation: float | None

    @property
    def agree(self) -> bool:
        """Whether they agree everywhere."""
        return not self.scores.beyond.any()


@dataclass(frozen=True, slots=True)
class Question:
    """What must be asked before two surveys are compared: ``answer`` is the word that settles it.

    ``said`` is what was found, ``settle`` what must be so.
    """

    answer: str
    said: Note
    settle: Note


@dataclass(frozen=True, slots=True)
class Extra:
    """Quantity beyond the thickness allowed: ``volume`` [m3] over ``area`` [m2]."""

    volume: Quantity
    area: float
