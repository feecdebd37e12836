"""Within, outside or undecided, one criterion at a time, by the rules of METHODS 3d."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.straightedge.gaps import Point


@dataclass(frozen=True, slots=True)
class Criterion:
    """One criterion's decision. Values in metres; ``upper`` is the bound the rule compared with the limit."""

    name: str
    decision: str
    value: float | None
    upper: float | None
    limit: float
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Verdict:
    """All criteria asked for, what was not judged, and up to five places [m] to check by hand."""

    decision: str
    confidence: float
    criteria: tuple[Criterion, ...]
    not_judged: tuple[str, ...]
    check_by_hand: tuple[Point, ...]
    reasons: tuple[str, ...]
    tolerance: str | None = None
