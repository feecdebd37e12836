"""What changed between two surveys in sentences: for one screen, for paper, and for each reader of the plain words."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.compare import Place
from flatscan.report import words
from flatscan.report.change_tables import typical_limit
from flatscan.report.view import Comparison, Findings, findings_of

_SHOWN = 3


def sentences(findings: Findings, units: str) -> Iterator[str]:
    """The comparison in a few sentences for one screen."""
    made = findings.compared
    if made is None:
        return
    change = made.change
    yield f"Compared with {made.earlier.file}, tied by {change.alignment.how}."
    if change.mean is None:
        yield "Thickness applied: not known, since nothing fixes one survey against the other out of the wall's plane."
    elif made.agreement is None:
        yield from _thickness(made, units)
    limit = typical_limit(change)
    yield (
        f"Changed beyond the detection limit (about {words.length(limit, units, decimals=1)}): "
        f"{change.changed_share * 100:.0f} % of the {words.area(change.compared_area, units)} compared."
    )
    for number, place in enumerate(change.places[:_SHOWN], 1):
        what = ("added" if place.value > 0 else "removed") if change.mean is not None else _shape_word(place)
        most = words.quantity(abs(place.value), place.u, units)
        at = words.place((place.x, place.y), units)
        yield f"  C{number}: {what} up to {most} at {at}, {words.area(place.area, units)}."
    yield from _asked(made, units)


def _shape_word(place: Place) -> str:
    return "prouder by" if place.value > 0 else "more hollow by"


def _thickness(made: Comparison, units: str) -> Iterator[str]:
    change = made.change
    assert change.mean is not None
    assert change.volume is not None
    assert change.least is not None
    yield (
        f"Thickness applied: mean {words.quantity(change.mean.value, change.mean.u, units)}, "
        f"{words.volume(change.volume.value, change.volume.u, units)} in place; least "
        f"{words.quantity(change.least.value, change.least.u, units)}"
        + (f" at {words.place(change.least_at, units)}." if change.least_at is not None else ".")
    )
    for said, value in (("quoted", made.quoted), ("used", made.used)):
        if value is not None:
            off = change.volume.value - value
            more = "more" if off >= 0 else "less"
            yield f"That is {words.volume(abs(off), 0.0, units)} {more} than {words.volume(value, 0.0, units)} {said}."


def _asked(made: Comparison, units: str) -> Iterator[str]:
    if made.under is not None:
        yield (
            f"Cover under {words.length(made.least, units, decimals=1)}: {words.area(made.under[0], units)} by the "
            f"best estimate, {words.area(made.under[1], units)} with 95 % confidence."
        )
    if made.agreement is not None:
        yield agreement_words(made, units)
    if made.background is not None:
        yield background_words(made, units)
    yield from variation_words(made, units)
    if made.following is not None and made.following.share is not None:
        yield following_words(made)


def agreement_words(made: Comparison, units: str) -> str:
    """Whether the two surveys agree, in one sentence."""
    a = made.agreement
    assert a is not None
    lean = {None: "the leans cannot be compared", True: "the leans agree", False: "the leans differ"}[a.lean_agrees]
    if a.agree:
        return (
            f"The two surveys agree within their joint ± everywhere compared; {lean}. That does not prove either right."
        )
    worst = max(a.differ, key=lambda place: abs(place.value), default=None)
    where = "" if worst is None else (
        f", most at {words.place((worst.x, worst.y), units)}: {words.quantity(abs(worst.value), worst.u, units)}"
    )  # fmt: skip
    return f"The two surveys differ beyond their joint ± on {a.share * 100:.1f} % of the area{where}; {lean}."


def background_words(made: Comparison, units: str) -> str:
    """The background against its own limit, in one sentence."""
    found = made.background
    assert found is not None
    gaps, verdict = found.check.gaps, found.check.verdict
    worst = None if gaps is None else gaps.judged()
    if worst is None or gaps is None or verdict is None:
        return "Background: could not be judged."
    entry = found.check.tolerance
    by = "the limit entered by hand" if entry is None else f"{entry.document} {entry.edition}, {entry.clause}"
    over = ""
    if found.excess is not None and found.excess > 0:
        over = (
            f", {words.length(found.excess, units, decimals=1)} ({found.excess / found.limit * 100:.0f} %) over, with "
            f"{words.area(found.area, units)} over the limit"
        )
    flat = next((c.decision for c in verdict.criteria if c.name == "flatness"), verdict.decision)
    return (
        f"Background by {by}: flatness {words.DECISIONS.get(flat, flat)}; largest gap "
        f"{words.quantity(abs(worst.value), worst.u, units)} under {words.length(gaps.rule, units)}, limit "
        f"{words.length(found.limit, units, decimals=1)}{over}."
    )


def variation_words(made: Comparison, units: str) -> Iterator[str]:
    """What the wall takes beyond the allowance."""
    v = made.variation
    if v is None:
        return
    planned_on = findings_of(v.survey)
    yield from words.stops(planned_on)
    yield from words.beside_stops(planned_on, units)
    planned = words.volume(v.planned.volume.value, v.planned.volume.u, units)
    yield (
        f"Beyond {words.length(v.allowance, units)}: {planned} on {words.area(v.planned.area, units)} by the finish "
        "plane on the earlier survey."
    )
    if v.applied is not None:
        volume = words.volume(v.applied.volume.value, v.applied.volume.u, units)
        yield f"Measured in place beyond it: {volume} on {words.area(v.applied.area, units)}."
    visits = "" if None in v.visits else f", visits {v.visits[1]} against {v.visits[0]}"
    money = "" if v.amount is None else f", {v.amount:.2f} {v.currency} at the rates given".replace("  ", " ")
    yield f"Coats: {v.passes[1]} against {v.passes[0]} at the allowance ({v.system}){visits}{money}."


def following_words(made: Comparison) -> str:
    """How far the later surface follows the earlier, never a cause."""
    assert made.following is not None
    assert made.following.share is not None
    way = "" if (made.following.slope or 0.0) >= 0 else " (the other way round)"
    return (
        f"{made.following.share * 100:.0f} % of the later surface's unevenness runs with the earlier's{way}: a share "
        "by arithmetic, which names no cause."
    )


def client_words(findings: Findings, units: str) -> Iterator[str]:
    """What changed, for somebody who pays for it."""
    made = findings.compared
    if made is None:
        return
    change = made.change
    if made.agreement is not None:
        yield agreement_words(made, units)
    elif change.mean is None:
        yield "How much plaster was put on cannot be told: nothing ties the earlier measurement to the later one."
    else:
        yield (
            f"Between the two measurements {words.quantity(change.mean.value, change.mean.u, units)} came on, on "
            "average over the wall."
        )


def foreman_words(findings: Findings, units: str) -> Iterator[str]:
    """Where to look after a comparison."""
    made = findings.compared
    if made is None:
        return
    for place in made.thin[:_SHOWN]:
        at = words.place((place.x, place.y), units)
        yield f"Thin: {words.quantity(place.value, place.u, units)} at {at}."
    lost = [place for place in made.change.places if place.value < 0]
    if lost and made.change.mean is not None:
        yield f"{len(lost)} places are lower than before: hacked off, or the surveys are misaligned."


def adjudicator_words(findings: Findings, units: str) -> Iterator[str]:
    """How two surveys were tied together and what that leaves open."""
    made = findings.compared
    if made is None:
        return
    tie = made.change.alignment
    yield f"The two surveys were tied by {tie.how}. Earlier file: {made.earlier.file}, SHA-256 {made.earlier.sha256}."
    if tie.undetermined:
        yield f"Not determined by that tie: {', '.join(tie.undetermined)}."
    limit = words.length(typical_limit(made.change), units, decimals=1)
    yield (
        f"A change counts as seen beyond 1.96 standard uncertainties at its place (about {limit}), which holds both "
        "captures' errors and the tie's."
    )
    yield from _asked(made, units)


def pairs(findings: Findings, units: str) -> list[tuple[str, str]]:
    """The comparison as names and words for a page; empty where nothing was compared."""
    made = findings.compared
    if made is None:
        return []
    change = made.change
    unknown = "not known: nothing fixes one survey against the other out of the wall's plane"
    said = [("Compared with", f"{made.earlier.file}, tied by {change.alignment.how}")]
    if made.agreement is not None:
        said.append(("Two parties", agreement_words(made, units)))
    elif change.mean is None or change.volume is None or change.least is None:
        said.append(("Thickness applied", unknown))
    else:
        said += [
            ("Thickness applied", f"mean {words.quantity(change.mean.value, change.mean.u, units)}"),
            ("In place", words.volume(change.volume.value, change.volume.u, units)),
            ("Least", words.quantity(change.least.value, change.least.u, units)),
        ]
    limit = words.length(typical_limit(change), units, decimals=1)
    said.append(
        ("Changed", f"{change.changed_share * 100:.0f} % of the area beyond the detection limit, about {limit}")
    )
    if made.background is not None:
        said.append(("Background", background_words(made, units)))
    return said
