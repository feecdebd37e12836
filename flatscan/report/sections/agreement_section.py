"""Whether two parties' surveys of one wall agree: sentences, values and tables, and what each says about the limit."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import COVER, metres, share, slope
from flatscan.jobs import Change, Check
from flatscan.jobs.compared import Agreement
from flatscan.report.parts import Fact
from flatscan.report.sections.gap_section import as_restricted, decided, of_measured, titled
from flatscan.report.tables import AT, Column, Table
from flatscan.verdict import Verdict

_FLAT, _NO_PLUMB = Unknown("unknown.flat"), Unknown("unknown.u-plumb")
_SHOWN = 3


def agreement_facts(found: Change) -> Iterator[Fact]:
    """Whether the two surveys agree, where not, and what each says about the limit."""
    agreement = found.agreement
    if agreement is None:
        return
    yield Fact("two-parties", agreement_note(agreement))
    yield Fact("score", score_note(agreement))
    if found.other is not None:
        yield from (Fact("both-limits", said) for said in both_notes(found))


def agreement_note(agreement: Agreement) -> Note:
    """Whether the two surveys agree, in one sentence."""
    if agreement.lean_agrees is None:
        lean = note("report.leans-unknown")
    else:
        by = slope(agreement.lean.value, agreement.lean.u)
        lean = note("report.leans-agree") if agreement.lean_agrees else note("report.leans-differ", by=by)
    if agreement.agree:
        return note("report.agree", lean=lean)
    differing = share(agreement.scores.share)
    worst = max(agreement.differ, key=lambda place: abs(place.value), default=None)
    if worst is None:
        return note("report.differ", share=differing, lean=lean)
    most = metres(abs(worst.value), worst.u)
    return note("report.differ-at", (worst.x, worst.y), share=differing, most=most, lean=lean)


def score_note(agreement: Agreement) -> Note:
    """The highest score with its place, beside the limit that so many places have, and what would not be told."""
    found, k = agreement.scores, agreement.scores.worst
    values = {
        "most": share(float(found.score[k])),
        "limit": share(found.limit),
        "places": len(found.score),
        "hides": metres(found.hides),
    }
    bent = agreement.agree and found.score[k] > found.limit
    return note("report.score-bent" if bent else "report.score", (float(found.x[k]), float(found.y[k])), **values)


def where_note(agreement: Agreement) -> Note:
    """The places where they differ, the largest first, in few words."""
    places = agreement.differ
    if not places:
        return note("report.differ-nowhere", hides=metres(agreement.scores.hides))
    said = tuple(
        note("report.differ-by", (place.x, place.y), number=number, by=metres(place.value, place.u))
        for number, place in enumerate(places[:_SHOWN], 1)
    )
    return note("report.differ-places", places=said, count=len(places))


def both_notes(found: Change) -> Iterator[Note]:
    """What each survey says about the limit, or of the largest gap where no limit was given."""
    assert found.other is not None
    pairs = ((found.earlier.origin.file, found.other, found.other.verdict), (found.origin.file, found, found.verdict))
    for file, one, verdict in pairs:
        yield note("report.party", file=file, said=_says(one, verdict if found.verdict is not None else None))


def _says(one: Check | Change, verdict: Verdict | None) -> Note:
    gap = one.gaps.measured()
    largest = note("first.no-gap") if gap is None else note("report.party-gap", gap=gap)
    if verdict is None:
        return largest
    parts = []
    for criterion in verdict.criteria:
        said = note("first.decided", name=titled(criterion), decision=decided(criterion.decision))
        measured = of_measured(criterion, verdict)
        said = said if measured is None else note("report.on-measured", decision=said, measured=measured)
        parts.append(as_restricted(said, verdict.restricted, short=True))
    return note("report.party-decided", decided=tuple(parts), largest=largest)


def agreement_values(found: Change) -> dict[str, object]:
    """The values of the document's ``agreement``."""
    agreement = found.agreement
    assert agreement is not None
    u_lean, scored, k = agreement.lean.u, agreement.scores, agreement.scores.worst
    values: dict[str, object] = {
        "differing_share": share(scored.share),
        "k": share(scored.limit * COVER),
        "score": share(float(scored.score[k])),
        "score_limit": share(scored.limit),
        "score_x_mm": metres(float(scored.x[k])),
        "score_y_mm": metres(float(scored.y[k])),
        "compared_places": len(scored.score),
        "hides_mm": metres(scored.hides),
        "lean_mm_per_m": slope(agreement.lean.value),
        "u_lean_mm_per_m": _NO_PLUMB if u_lean is None else slope(u_lean),
        "correlation": _FLAT if agreement.correlation is None else share(agreement.correlation),
        "agree": agreement.agree,
        "lean_agrees": _NO_PLUMB if agreement.lean_agrees is None else agreement.lean_agrees,
        "differ": differ_table(found).rows_as_values(),
    }
    if found.other is not None:
        values["parties"] = (
            _party(found.earlier.origin.file, found.other, None if found.verdict is None else found.other.verdict),
            _party(found.origin.file, found, found.verdict),
        )
    return values


def _party(file: str, one: Check | Change, verdict: Verdict | None) -> dict[str, object]:
    gap, nothing = one.gaps.measured(), Unknown("unknown.no-position")
    low = nothing if gap is None or gap.low is None else metres(gap.low)
    high = nothing if gap is None or gap.high is None else metres(gap.high)
    return {
        "file": file,
        "type": one.seen.capture_type,
        "decision": Unknown("unknown.no-limit") if verdict is None else verdict.decision,
        "gap_mm": nothing if gap is None else gap,
        "gap_low_mm": low,
        "gap_high_mm": high,
    }


def differ_table(found: Change) -> Table:
    """Connected parts where two parties differ, the largest first, each with its score."""
    columns = (
        Column("mark", "place"),
        *AT,
        Column("difference_mm", "later less earlier", 1),
        Column("u_mm", "±", spread=True),
        Column("score", "score", 2),
        Column("width_mm", "width"),
        Column("height_mm", "height"),
        Column("area_m2", "area", 2),
    )
    differ = () if found.agreement is None else found.agreement.differ
    rows = tuple(
        (f"D{n}", p.x, p.y, p.value, p.u, abs(p.value) / (COVER * p.u), p.width, p.height, p.area)
        for n, p in enumerate(differ, 1)
    )
    return Table("differ", note("report.differ-title"), columns, rows, "nowhere beyond both surveys' own ±")
