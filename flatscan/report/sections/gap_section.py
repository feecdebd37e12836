"""Flatness and verdict: the straightedge test, each criterion's decision with its ±, and what would settle it."""

from __future__ import annotations

from collections.abc import Sequence

from flatscan.core.choices import BOTH, METHODS
from flatscan.core.model import Relief
from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import Quantity, metres, share
from flatscan.jobs import Either
from flatscan.report.bands import gap_spots
from flatscan.report.limits import limit_of_criterion, limit_source
from flatscan.report.parts import Fact, Section
from flatscan.report.say import Said
from flatscan.report.sections.seen_section import known
from flatscan.report.tables import AT, Column, Table
from flatscan.standards import Tolerance
from flatscan.straightedge.gaps import Gaps
from flatscan.straightedge.hand_gaps import HandCheck
from flatscan.verdict import Criterion, Verdict

_LIMIT_FROM = {
    "document": "report.limit-from-document",
    "two places": "report.limit-from-two",
    "one place": "report.limit-from-one",
    "memory": "report.limit-from-memory",
}
_NO_GAP = "unknown.no-position"
# by method: the codes of how a straightedge is read, and of what that way hides
_METHODS = {
    "resting": ("method.resting", "method.resting-hides"),
    "equal offsets": ("method.equal-offsets", "method.equal-offsets-hides"),
    "balanced end gap": ("method.balanced", None),
    "chord": ("method.chord", "method.chord-hides"),
    BOTH: ("method.both", "method.both-hides"),
}
# the question that each criterion answers
_ANSWERS = {"flatness": "is-flat", "plumb": "is-plumb", "step": "has-no-step", "corner": "is-square"}
_REASONS = 2
_PLACES = 3
_PARTS = 2
# criteria told from the cells that were measured, and the share of a wall above which all of it was
OF_THE_SURFACE = ("flatness", "step")
ALL = 0.9995


def flatness(gaps: Gaps, method: str, limit: float | None, tolerance: Tolerance | None, relief: Relief) -> Section:
    """The straightedge test: length, method, largest gap with its ±, positions and coverage."""
    worst, balanced = gaps.worst, gaps.balanced
    rule = metres(gaps.rule)
    gap = gaps.said_of(METHODS[0]) or Unknown(_NO_GAP)
    low, high = _ends(gap, "unknown.no-lower", "unknown.no-upper")
    ends = _of_ends(gaps, METHODS[2])
    end_low, end_high = _ends(ends, "unknown.no-lower", "unknown.no-upper")
    values = {
        "rule_mm": rule,
        "method": method,
        "gap_mm": gap,
        "gap_low_mm": low,
        "gap_high_mm": high,
        "balanced_end_gap_mm": ends,
        "balanced_end_gap_low_mm": end_low,
        "balanced_end_gap_high_mm": end_high,
        "u_balanced_mm": known(None if balanced is None else balanced.u, "unknown.no-whole-position"),
        "equal_offset_mm": _of_ends(gaps, METHODS[1]),
        "u_gap_mm": known(None if worst is None else worst.u, _NO_GAP),
        "smallest_feature_mm": known(relief.smallest_feature, "unknown.between-stations"),
        "x_mm": known(None if worst is None else worst.at[0], _NO_GAP),
        "y_mm": known(None if worst is None else worst.at[1], _NO_GAP),
        "upper_mm": known(gaps.upper, "unknown.no-upper"),
        "from": _place(None if worst is None else worst.left),
        "to": _place(None if worst is None else worst.right),
        "positions": gaps.positions,
        "coverage": Unknown("unknown.no-coverage") if gaps.coverage is None else share(gaps.coverage),
        "directions_deg": tuple(gaps.directions),
    }
    facts = _test_facts(gaps, method, tolerance, values)
    shown = gaps.judged()
    headline: tuple[Said, ...] = ()
    answers: tuple[Fact, ...] = ()
    if limit is None and worst is not None and isinstance(gap, Quantity):
        headline = (with_others(note("report.gap", worst.at, gap=gap, rule=rule), gaps),)
        answers = (Fact("gap", with_others(note("report.gap-now", worst.at, gap=gap, rule=rule), gaps)),)
    width = values["smallest_feature_mm"]
    facts += [Fact("smallest", note("report.smallest-across", width=width))] if isinstance(width, Quantity) else []
    facts += [] if limit is None or shown is None else _excess(gaps, limit, relief)
    return Section("flatness", values, headline, tuple(facts), (gap_table(gaps, limit),), answers=answers)


def _of_ends(gaps: Gaps, method: str) -> Quantity | Unknown:
    """A deviation from the line through the straightedge's ends, with its interval where that is known."""
    return gaps.said_of(method) or Unknown("unknown.no-whole-position")


def _ends(gap: Quantity | Unknown, no_lower: str, no_upper: str) -> tuple[Quantity | Unknown, Quantity | Unknown]:
    """Both ends of a gap's interval, or why they are not there."""
    low, high = (None, None) if isinstance(gap, Unknown) else (gap.low, gap.high)
    return known(low, no_lower), known(high, no_upper)


def with_others(sentence: Note, gaps: Gaps, other: Quantity | None = None) -> Note:
    """A sentence of the gap that a method names, with those that other methods find: no bow and no hollow is left out.

    ``other`` is the balanced end gap where it was judged, else that of ``gaps``.
    """
    shown, balanced = gaps.judged(), _of_ends(gaps, METHODS[2]) if other is None else other
    parts: list[Note] = []
    if gaps.worst is not None and shown is not gaps.worst:
        parts.append(note("report.resting-gap", gap=gaps.said_of(METHODS[0])))
    if isinstance(balanced, Quantity) and shown is not gaps.balanced:
        parts.append(note("report.balanced-gap", gap=balanced))
    elif not isinstance(balanced, Quantity):
        parts.append(note("report.no-balanced-gap"))
    return note("report.with-others", said=sentence, others=tuple(parts)) if parts else sentence


def _place(at: tuple[float, float] | None) -> tuple[Quantity, ...] | Unknown:
    return Unknown(_NO_GAP) if at is None else (metres(at[0]), metres(at[1]))


def _test_facts(gaps: Gaps, method: str, tolerance: Tolerance | None, values: dict[str, object]) -> list[Fact]:
    code, hides = _METHODS.get(method, ("", None))
    shown = gaps.judged()
    facts = [
        Fact("straightedge", note("report.length", length=values["rule_mm"])),
        Fact("method", note(code) if code else method),
        Fact("limit-from", limit_from(tolerance)),
    ]
    if shown is None:
        facts.append(Fact("largest", note("report.not-measured")))
    else:
        facts.append(Fact("largest", note("report.length-spread", length=gaps.measured() or Unknown(_NO_GAP))))
        facts.append(Fact("where", note("report.at", shown.at)))
    balanced = values["balanced_end_gap_mm"]
    if isinstance(balanced, Quantity) and method != "balanced end gap":
        facts.append(Fact("balanced", note("report.length-spread", length=balanced)))
    if gaps.worst is not None and gaps.judged() is not gaps.worst:
        facts.append(Fact("resting", note("report.length-spread", length=gaps.said_of(METHODS[0]))))
    coverage = values["coverage"]
    covered = note("report.unknown") if gaps.known_between else note("report.none-between")
    if isinstance(coverage, Quantity):
        covered = note("report.covered", coverage=coverage)
    directions = len(gaps.directions)
    facts.append(
        Fact("positions", note("report.positions", positions=gaps.positions, directions=directions, covered=covered))
    )
    return [*facts, *([Fact("mind", note(hides))] if hides else [])]


def limit_from(tolerance: Tolerance | None) -> Note:
    """Where the limit was read and what it applies to, or that it was entered by hand."""
    source = limit_source(tolerance)
    if tolerance is None or not tolerance.published:
        return source
    return note(_LIMIT_FROM[tolerance.read_as], said=source, applies=tolerance.applies_to)


def _excess(gaps: Gaps, limit: float, relief: Relief) -> list[Fact]:
    """How far over the limit the wall is, in length and per cent, and on how much of it, each with its interval."""
    gap = gaps.measured()
    if gap is None or gap.value <= limit:
        return [] if gap is None else [Fact("excess", note("report.no-excess", gap=gap))]
    over = gap.beyond(limit)
    found = [Fact("excess", note("report.excess", over=over, share=share(over.value / limit)))]
    if relief.known_between:
        found.append(Fact("area-over", note("report.area-over", area=gaps.area_over(limit, relief))))
    return found


def gap_table(gaps: Gaps, limit: float | None) -> Table:
    """The places of the largest gaps, numbered as on the gap map."""
    rows = tuple((spot.mark, spot.x, spot.y, spot.value) for spot in gap_spots(gaps, limit))
    columns = (Column("mark", "no."), *AT, Column("gap_mm", "gap", 1))
    return Table("gaps", "Where the gap is largest", columns, rows, "no gap could be evaluated")


def verdict_section(verdict: Verdict, gaps: Gaps, relief: Relief, either: Sequence[Either] = ()) -> Section:
    """Each criterion with the bound its decision stands on, and where a straightedge laid by hand would settle it."""
    first = None if verdict.first is None else verdict.first.limit
    criteria = criteria_table(verdict, words=True)
    places = _by_hand(verdict)
    limits = [limit_of_criterion(criterion) for criterion in verdict.criteria]
    values = {
        "decision": verdict.decision,
        "limit_mm": known(first, "unknown.no-criterion"),
        "tolerance": verdict.tolerance or Unknown("unknown.no-entry"),
        "confidence": share(verdict.confidence),
        "risk": share(1 - verdict.confidence),
        "limits": tuple(limits),
        "reasons": verdict.reasons,
        "criteria": criteria_table(verdict).rows_as_values(),
        "by_method": _by_method(verdict).rows_as_values(),
        "restricted": verdict.restricted,
        "either": tuple(_either(one) for one in either),
        "not_judged": tuple(verdict.not_judged),
        "check_by_hand": places.rows_as_values(),
    }
    sentences = [judged(criterion, gaps, verdict) for criterion in verdict.criteria]
    headline: list[Said] = [
        note("report.by-limit", judged=said, limit=limit) for said, limit in zip(sentences, limits, strict=True)
    ]
    facts: list[Fact] = []
    answers: list[Fact] = []
    restricted = [Fact("restricted", said) for said in verdict.restricted]
    for criterion, sentence, limit in zip(verdict.criteria, sentences, limits, strict=True):
        facts += [Fact("limit", limit), Fact("decided", sentence)]
        answers.append(Fact(_ANSWERS.get(criterion.judges, "is-within"), sentence))
        facts += [Fact("reason", reason) for reason in criterion.reasons]
    feature = relief.smallest_feature
    headline += [] if feature is None else [note("report.smallest", width=metres(feature))]
    headline += verdict.reasons[:_REASONS]
    answers += [Fact("why", reason) for reason in verdict.reasons[:_REASONS]]
    if verdict.check_by_hand:
        at = note("report.list", parts=tuple(note("report.at", place) for place in verdict.check_by_hand[:_PLACES]))
        headline.append(note("report.check-by-hand", places=at))
        answers.append(Fact("by-hand", at))
    headline.append(note("report.record"))
    facts += restricted
    by_method = _by_method(verdict, words=True)
    tables = (criteria, *((by_method,) if by_method.rows else ()), *((places,) if verdict.check_by_hand else ()))
    return Section("verdict", values, tuple(headline), tuple(facts), tables, answers=tuple(answers))


def _either(either: Either) -> dict[str, object]:
    """What was found with objects as wall and without them."""
    none = Unknown(_NO_GAP)
    return {
        "objects": either.numbers,
        "state": either.state,
        "as_wall_mm": either.as_wall or none,
        "left_out_mm": either.left_out or none,
        "as_wall": either.decision_as_wall,
        "left_out": either.decision_left_out,
    }


def judged(criterion: Criterion, gaps: Gaps, verdict: Verdict) -> Note:
    """One criterion's decision in one line: its ±, how much of the wall it speaks of and what it does not.

    ``gaps`` are those shown beside it.
    """
    sentence, parts = _judged(criterion, gaps, verdict), verdict.parts_not_judged
    if criterion.judges not in OF_THE_SURFACE or not parts:
        return sentence
    code = "report.but-part" if len(parts) <= _PARTS else "report.but-parts"
    return note(code, judged=sentence, parts=parts[:_PARTS])


def of_measured(criterion: Criterion, verdict: Verdict) -> Quantity | None:
    """The share of the wall that a criterion's decision speaks of, None where it is all of it or none is known."""
    if criterion.judges not in OF_THE_SURFACE or verdict.measured is None or verdict.measured > ALL:
        return None
    return share(verdict.measured)


def _judged(criterion: Criterion, gaps: Gaps, verdict: Verdict) -> Note:
    """The decision with its ±, and of how much of the wall it speaks."""
    part = of_measured(criterion, verdict)
    said = note("report.depends") if criterion.depends else decided(criterion.decision)
    said = said if part is None else note("report.on-measured", decision=said, measured=part)
    said = as_restricted(said, verdict.restricted, short=criterion is not verdict.first)
    decision = note("report.decision", name=titled(criterion), decision=said)
    if criterion.value is None:
        return note("report.judged-unmeasured", decision=decision)
    value = criterion.measured
    shown = gaps.judged()
    if criterion.name != "flatness":
        sentence = note("report.judged", decision=decision, value=value)
        beside = criterion is verdict.flatness
        return with_others(sentence, gaps) if beside else sentence
    if shown is None:
        return note("report.judged", decision=decision, value=value)
    sentence = note("report.judged-at", shown.at, decision=decision, value=value)
    other = None if criterion.other is None else criterion.other.measured
    return with_others(sentence, gaps, other)


def as_restricted(decision: Note, restricted: Sequence[Said], *, short: bool = False) -> Note:
    """A decision with what weakened the test it came of; ``short`` where that was told before."""
    if not restricted:
        return decision
    if short:
        return note("report.restricted", decision=decision)
    return note("report.restricted-by", decision=decision, by=tuple(restricted))


def titled(criterion: Criterion) -> Said:
    """A criterion's name as it begins a sentence; one told apart by more is named as it is."""
    return criterion.name.capitalize() if isinstance(criterion.name, str) else criterion.name


def decided(decision: str) -> Note:
    """A decision in the words every sheet uses."""
    if decision == "within":
        return note("report.within")
    return note("report.outside") if decision == "outside" else note("report.undecided")


_BOUNDS = (
    Column("decision", "decision"),
    Column("value_mm", "measured", 1, Unknown("unknown.criterion")),
    Column("lower_mm", "at least", 1, Unknown("unknown.criterion")),
    Column("upper_mm", "at most", 1, Unknown("unknown.criterion")),
    Column("limit_mm", "limit", 1),
)


def _in_words(decision: str, verdict: Verdict) -> Said:
    """A decision as it stands in a cell: never without the word that the test was a restricted one."""
    return note("report.restricted", decision=decision) if verdict.restricted else decision


def criteria_table(verdict: Verdict, *, words: bool = False) -> Table:
    """Each criterion judged, with the bounds its decision stands on; in ``words`` for readers, else as keys."""
    rows = tuple(
        (c.name, _in_words(c.decision, verdict) if words else c.decision, c.value, c.lower, c.upper, c.limit)
        for c in verdict.criteria
    )
    columns = (Column("name", "what"), *_BOUNDS)
    return Table("criteria", "What was judged", columns, rows, "nothing was judged")


def _by_method(verdict: Verdict, *, words: bool = False) -> Table:
    """What each method by itself would decide of the gaps shown, where none was named."""
    flat = verdict.flatness
    both = () if flat is None or flat.other is None else ((METHODS[0], flat), (METHODS[2], flat.other))
    rows = tuple(
        (method, _in_words(c.alone, verdict) if words else c.alone, c.value, c.lower, c.upper, c.limit)
        for method, c in both
    )
    columns = (Column("method", "method"), *_BOUNDS)
    return Table("by_method", note("report.by-method"), columns, rows, "a method was named")


def _by_hand(verdict: Verdict) -> Table:
    return Table("check_by_hand", "Check by hand", AT, tuple(verdict.check_by_hand), "no place to check by hand")


def curve(verdict: Verdict) -> Table:
    """The limit over the distance between the contacts, with the largest gap found at each."""
    columns = (
        Column("from_mm", "touches from"),
        Column("to_mm", "to"),
        Column("limit_mm", "limit", 1),
        Column("gap_mm", "largest gap", 1),
        Column("upper_mm", "at most", 1),
    )
    rows = tuple((point.start, point.stop, point.limit, point.gap, point.upper) for point in verdict.curve)
    return Table("curve", "Limit by distance of the contacts", columns, rows, "the limit is one for every distance")


def hand_table(hand: tuple[HandCheck, ...]) -> Table:
    """Straightedge readings people made, beside the scan's gap at the same place."""
    columns = (
        *AT,
        Column("direction_deg", "degrees"),
        Column("by_hand_mm", "by hand", 1),
        Column("scan_mm", "by scan", 1),
        Column("agrees", "agree"),
    )
    said = {True: "yes", False: "NO", None: "not comparable"}
    rows = tuple(
        (
            check.reading.x,
            check.reading.y,
            check.reading.direction,
            check.reading.gap,
            None if check.scan is None else check.scan.value,
            said[check.agrees],
        )
        for check in hand
    )
    return Table("hand", "Readings by hand", columns, rows, "no readings by hand were given")
