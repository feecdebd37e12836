"""One criterion's decision, and several of them together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from scipy.special import ndtr, ndtri

from flatscan.core.errors import BadValue
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres, share
from flatscan.standards.tolerances import Tolerance
from flatscan.straightedge.gaps import Point
from flatscan.straightedge.uncertainty import half_factor

WITHIN, OUTSIDE, UNDECIDED = "within", "outside", "undecided"
_U_UNKNOWN = note("verdict.u-unknown")
PLACES = 5


@dataclass(frozen=True, slots=True)
class Criterion:
    """One criterion's decision. Values in metres; ``lower`` to ``upper`` is the interval that is printed and decides.

    ``name`` is flatness, plumb, step or corner, or a note of it where a length or an entry tells two of a kind apart.
    *Within* needs ``upper`` not over the limit, *outside* ``lower`` over it; ``places`` are where to look by hand. For
    flatness ``rule`` [m] is the straightedge's length and ``method`` how it is read (``chord``: the limit follows the
    contacts). ``u`` [m] is the standard uncertainty of the value, None where it is not known. Where no method was
    named, ``method`` is ``both``: the figures are those of the resting gap, ``resting`` is what they decide by
    themselves, and ``other`` judges the balanced end gap. ``entry`` is what it is judged by, ``span`` [m] the length
    that the limit is for: the straightedge, the height, a corner's leg, or from and to of the contacts' distance.
    """

    name: str | Note
    decision: str
    value: float | None
    upper: float | None
    limit: float
    reasons: tuple[Note, ...] = ()
    lower: float | None = None
    places: tuple[Point, ...] = ()
    rule: float | None = None
    method: str = ""
    u: float | None = None
    other: Criterion | None = None
    resting: str = ""
    entry: Tolerance | None = None
    span: tuple[float, ...] = ()

    @property
    def alone(self) -> str:
        """What these figures decide by themselves, whatever another method finds."""
        return self.resting or self.decision

    @property
    def depends(self) -> bool:
        """Whether it is undecided because two methods decide otherwise."""
        return self.decision == UNDECIDED and any(
            isinstance(reason, Note) and reason.code == "verdict.depends" for reason in self.reasons
        )

    @property
    def measured(self) -> Quantity | None:
        """What was measured [m] with its uncertainty or interval, None where nothing was."""
        if self.value is None:
            return None
        lower, upper = self.lower, self.upper
        if lower is not None and upper is not None and lower <= self.value <= upper:
            return metres(self.value, self.u, (lower, upper))
        return metres(self.value, self.u)

    @property
    def judges(self) -> str:
        """What it judges: flatness, plumb, step or corner, whatever tells it apart from another of the kind."""
        name: object = self.name
        if isinstance(name, Note) and name.code == "verdict.by-entry":
            name = name.quantities["name"]
        return "flatness" if isinstance(name, Note) else str(name)


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Contacts from ``start`` to under ``stop`` apart: the limit there, the largest gap and its bound [m]."""

    start: float
    stop: float
    limit: float
    gap: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """All criteria asked for, what was not judged, and up to five places [m] to check by hand.

    ``curve`` is the limit over the distance between the contacts, where the tolerance follows that. ``beside`` is the
    number of the criterion that judges the gaps shown beside the verdict, None where none does. ``not_judged`` are
    criteria that were not asked for and parts of the wall that were not measured; ``restricted`` are the settings that
    weakened the test; ``measured`` is the share of the wall
    [by area] that was, of which alone flatness and steps are told, None where nothing is known between the readings.
    """

    decision: str
    confidence: float
    criteria: tuple[Criterion, ...]
    not_judged: tuple[str | Note, ...]
    check_by_hand: tuple[Point, ...]
    reasons: tuple[Note, ...]
    tolerance: str | None = None
    curve: tuple[CurvePoint, ...] = ()
    beside: int | None = None
    measured: float | None = None
    restricted: tuple[Note, ...] = ()

    def judged_again(self, criteria: Sequence[Criterion]) -> Verdict:
        """The same verdict by other ``criteria``, as many as it has: decided anew, all else as it was."""
        return together(
            criteria,
            confidence=self.confidence,
            not_judged=self.not_judged,
            tolerance=self.tolerance,
            curve=self.curve,
            beside=self.beside,
            measured=self.measured,
            restricted=self.restricted,
        )

    def numbers_only(self, reason: Note, judges: Sequence[str] = ()) -> Verdict:
        """The same verdict without the decision of criteria that judge one of ``judges`` (all where none is named)."""
        return self.judged_again(
            [undecided(one, reason) if not judges or one.judges in judges else one for one in self.criteria]
        )

    @property
    def flatness(self) -> Criterion | None:
        """The criterion that judges the gaps shown beside the verdict: its limit and theirs belong together."""
        return None if self.beside is None else self.criteria[self.beside]

    @property
    def parts_not_judged(self) -> tuple[Note, ...]:
        """The parts of the wall that were not measured, as `not_judged` names them."""
        return tuple(part for part in self.not_judged if isinstance(part, Note))

    @property
    def first(self) -> Criterion | None:
        """The criterion to name where there is room for one: the first, of several lengths the one shown."""
        if self.flatness is not None and self.criteria[0].judges == "flatness":
            return self.flatness
        return self.criteria[0] if self.criteria else None


def coverage_factor(confidence: float) -> float:
    """One-sided coverage factor of a normal error; 0.95 gives 1.645 (ISO 14253-1). Outside (0.5, 1): `BadValue`."""
    if not 0.5 < confidence < 1:
        raise BadValue(
            "{set:confidence}",
            "{given:number}",
            needed="a share over 0.5 and under 1, such as 0.95",
            remedy="Leave it at 0.95",
            given=share(confidence),
        )
    return float(ndtri(confidence))


def decide(value: float, u: float, limit: float, k: float) -> str:
    """Guarded acceptance and guarded rejection of one quantity chosen beforehand (JCGM 106:2012, 8.3; ISO 14253-1)."""
    if value + k * u <= limit:
        return WITHIN
    return OUTSIDE if value - k * u > limit else UNDECIDED


def conformance(value: float, u: float, limit: float) -> float:
    """Probability that |a quantity| measured as ``value`` with standard uncertainty ``u`` is at most ``limit``.

    Normal error, no prior knowledge: JCGM 106:2012, 7.2.2 and 7.4 (two limits, -limit and limit); 0 or 1 for u = 0.
    """
    if u <= 0:
        return float(abs(value) <= limit)
    return float(ndtr((limit - value) / u) - ndtr((-limit - value) / u)) if math.isfinite(value) else 0.0


def numbers_only(entry: Tolerance) -> Note | None:
    """Why an entry's limit gives numbers and no decision: where it was read does not carry one. None: it decides."""
    if entry.decides:
        return None
    return note("verdict.from-memory") if entry.read_as == "memory" else note("verdict.one-place")


def positive(limit: float, name: str) -> float:
    """The limit, if it is one; 0 or less, or no number, raises `BadValue`."""
    if not (math.isfinite(limit) and limit > 0):
        raise BadValue(
            "the limit of {name}",
            "{limit:length.g}",
            needed="a limit over 0",
            remedy="Give the limit the contract names, such as 3mm",
            name=name,
            limit=metres(limit),
        )
    return limit


def single(
    name: str,
    measured: Quantity,
    limit: float,
    *,
    k: float = 1.645,
    barred: Note | None = None,
    unknown: Note = _U_UNKNOWN,
    places: tuple[Point, ...] = (),
) -> Criterion:
    """Judge |one quantity| [m], chosen beforehand, against a limit [m]; 0 or less raises `BadValue`.

    ``k`` is the confidence's one-sided factor; both ends of the interval that is printed share its error probability.
    ``barred`` is the reason of a limit that gives numbers only.
    """
    positive(limit, name)
    value = abs(measured.value)
    if measured.u is None:
        return Criterion(name, UNDECIDED, value, None, limit, (unknown,))
    wide = half_factor(k) * measured.u
    upper, lower = value + wide, value - wide
    decision = UNDECIDED if barred else decide(value, measured.u, limit, half_factor(k))
    said = note("verdict.between", value=metres(value), lower=metres(max(lower, 0.0)), upper=metres(upper))
    reasons = (barred, said) if barred else (said,)
    return Criterion(name, decision, value, upper, limit, reasons, lower, places, u=measured.u)


def undecided(criterion: Criterion, reason: Note) -> Criterion:
    """The criterion with its numbers, and a ``reason`` in place of its decision."""
    other = None if criterion.other is None else replace(criterion.other, decision=UNDECIDED)
    resting = UNDECIDED if criterion.resting else ""
    return replace(criterion, decision=UNDECIDED, reasons=(reason, *criterion.reasons), other=other, resting=resting)


def together(
    criteria: Sequence[Criterion],
    *,
    confidence: float = 0.95,
    not_judged: Sequence[str | Note] = (),
    tolerance: str | None = None,
    curve: Sequence[CurvePoint] = (),
    beside: int | None = None,
    measured: float | None = None,
    restricted: Sequence[Note] = (),
) -> Verdict:
    """One verdict: outside if any criterion is, within if all are, else undecided."""
    decisions = {one.decision for one in criteria}
    decision = OUTSIDE if OUTSIDE in decisions else UNDECIDED
    decision = WITHIN if decisions == {WITHIN} else decision
    reasons = tuple(note("verdict.of", name=c.name, reason=reason) for c in criteria for reason in c.reasons)
    places = tuple(dict.fromkeys(place for one in criteria if one.decision == UNDECIDED for place in one.places))
    return Verdict(
        decision,
        confidence,
        tuple(criteria),
        tuple(not_judged),
        places[:PLACES],
        reasons,
        tolerance,
        tuple(curve),
        beside,
        measured,
        tuple(restricted),
    )
