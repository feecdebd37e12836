"""The same numbers in plain words, half a page each for a client, a foreman and an adjudicator.

Nothing stands here that the numbers do not carry; what was not tested is named for each reader.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from scipy.special import ndtr

from flatscan.jobs import Result
from flatscan.report import change_words, words
from flatscan.report.say import say, spoken
from flatscan.report.view import Findings, findings_of
from flatscan.verdict import Criterion

WIDTH = 79
NOT_TESTED = (
    "Not examined or tested: key and bond of the plaster, hollowness, moisture and salts, cracks, structure, "
    "hidden services."
)
_DECIDED = {
    "within": "is within the limit that was entered",
    "outside": "is outside the limit that was entered",
    "undecided": "could not be decided either way from this measurement; that is neither pass nor fail",
}


def explain(result: Result | Findings, units: str = "mm") -> str:
    """Three half pages of plain words; ends with a line break."""
    findings = spoken(findings_of(result), units)
    parts = (
        ("FOR THE CLIENT", _client(findings, units)),
        ("FOR THE FOREMAN", _foreman(findings, units)),
        ("FOR AN ADJUDICATOR", _adjudicator(findings, units)),
    )
    lines: list[str] = []
    for head, sentences in parts:
        lines += [head, *(line for text in sentences for line in textwrap.wrap(text, WIDTH)), ""]
    return "\n".join(lines).rstrip("\n") + "\n"


def _wall(findings: Findings, units: str) -> str:
    wall = findings.wall
    size = f"{words.length(wall.width, units)} by {words.length(wall.height, units)}"
    return (
        f"{words.wall_name(findings)}, {size}, was measured as it stood when it was captured; "
        f"{findings.relief.covered_share * 100:.0f} % of it was measured."
    )


def _client(findings: Findings, units: str) -> Iterator[str]:
    yield _wall(findings, units)
    for criterion in _criteria(findings):
        yield _plain(findings, criterion, units)
    if findings.verdict is None and findings.gaps is not None and findings.gaps.worst is not None:
        worst = findings.gaps.worst
        yield (
            f"Under a straightedge of {words.length(findings.gaps.rule, units)} the largest gap found is "
            f"{words.quantity(worst.value, worst.u, units)}; no limit was given to hold it against."
        )
    built = findings.build_up
    if built is not None:
        yield (
            f"To make the wall plumb and flat takes between {words.length(built.least, units)} and "
            f"{words.length(built.most, units)} of plaster, "
            f"{words.volume(built.volume.value, built.volume.u, units)} in all before waste."
        )
    yield from change_words.client_words(findings, units)
    yield "The ± says how far the measurement itself may be off. What the contract asks for, the contract says."
    yield NOT_TESTED


def _criteria(findings: Findings) -> tuple[Criterion, ...]:
    return () if findings.verdict is None else findings.verdict.criteria


def _plain(findings: Findings, criterion: Criterion, units: str) -> str:
    u = words.criterion_u(findings, criterion.name)
    found = "was not measured" if criterion.value is None else f"measures {words.quantity(criterion.value, u, units)}"
    limit = words.length(criterion.limit, units, decimals=1)
    return f"Its {criterion.name} {found} against {limit} and {_DECIDED[criterion.decision]}."


def _foreman(findings: Findings, units: str) -> Iterator[str]:
    # what can hurt comes before what is to be done
    yield from words.stops(findings)
    yield from words.beside_stops(findings, units)
    lean = findings.shape.lean_height
    if words.signed(lean, units) == "on the plane":
        yield "The wall stands plumb over its height, as far as the capture's own vertical goes."
    else:
        yield f"The top stands {words.signed(lean, units)} of the foot, by the capture's own vertical."
    yield from _places(findings, units)
    order = findings.take_off
    if order is not None and order.coats:
        coats = ", then ".join(
            f"{say(c.name, units)} {words.length(c.thickness, units, decimals=1)} on average" for c in order.coats
        )
        yield f"Coats: {coats}. These are means: the packing at each place is on the set-out sheet."
    if findings.lows:
        yield f"{len(findings.lows)} low spots are left to fill; they are numbered on the sheet."
    yield from change_words.foreman_words(findings, units)
    if findings.verdict is not None and findings.verdict.check_by_hand:
        places = "; ".join(words.place(at, units) for at in findings.verdict.check_by_hand)
        yield f"Lay the straightedge by hand at: {places}."
    yield f"{NOT_TESTED} Tap and look before you trust the old surface."


def _places(findings: Findings, units: str) -> Iterator[str]:
    if findings.hacks:
        first = findings.hacks[0]
        yield (
            f"The hump {words.place((first.x, first.y), units)} sets the face: cutting "
            f"{words.length(first.cut, units, decimals=1)} off it saves {words.volume(first.saves, 0.0, units)}."
        )
    for kind in ("hump", "hollow"):
        found = [patch for patch in findings.patches if patch.kind == kind][:2]
        if found:
            said = "; ".join(
                f"{words.length(abs(p.deviation), units, decimals=1)} {words.place((p.x, p.y), units)}" for p in found
            )
            yield f"Largest {kind}s off the wall's own plane: {said}."


def _adjudicator(findings: Findings, units: str) -> Iterator[str]:
    origin = findings.origin
    yield (
        f"Measured object: {origin.file}, SHA-256 {origin.sha256 or 'none'}, capture type {findings.capture_type} as "
        "declared; a hash ties the numbers to these bytes, not to a wall, a day or a person."
    )
    yield from _method(findings, units)
    for criterion in _criteria(findings):
        yield _risk(findings, criterion, units)
    if findings.verdict is not None:
        yield from (f"Not judged: {name}." for name in findings.verdict.not_judged)
    yield from change_words.adjudicator_words(findings, units)
    rest = words.not_examined(findings, units)
    yield f"{NOT_TESTED} Also: {'; '.join(rest[1:])}." if len(rest) > 1 else NOT_TESTED
    yield words.RECORD


def _method(findings: Findings, units: str) -> Iterator[str]:
    gaps = findings.gaps
    if gaps is None:
        return
    coverage = "" if gaps.coverage is None else f", {gaps.coverage * 100:.0f} % of those the wall has room for"
    yield (
        f"Method: straightedge of {words.length(gaps.rule, units)}, {findings.method}, in {len(gaps.directions)} "
        f"directions, {gaps.positions} positions evaluated{coverage}."
    )


def _risk(findings: Findings, criterion: Criterion, units: str) -> str:
    """A decision and its risk in the words of JCGM 106:2012: guarded acceptance, guarded rejection, consumer's risk."""
    assert findings.verdict is not None
    risk = f"{(1 - findings.verdict.confidence) * 100:.0f} %"
    limit = words.length(criterion.limit, units, decimals=1)
    head = f"{criterion.name.capitalize()}: {criterion.decision}."
    if criterion.decision == "within":
        bound = words.length(criterion.upper, units, decimals=1)
        return (
            f"{head} Guarded acceptance: the upper bound {bound} is not over {limit}. By this rule at most {risk} of "
            "walls just over the limit are accepted (the risk of the party relying on it)."
        )
    if criterion.decision == "outside":
        bound = "" if criterion.lower is None else f" {words.length(criterion.lower, units, decimals=1)}"
        return (
            f"{head} Guarded rejection: the lower bound{bound} is over {limit}. By this rule at most {risk} of walls "
            "just inside the limit are rejected (the risk of the party that did the work)."
        )
    return f"{head} Neither guarded acceptance nor guarded rejection holds against {limit}{_odds(findings, criterion)}."


def _odds(findings: Findings, criterion: Criterion) -> str:
    """For one quantity chosen beforehand, the probability of conformity (JCGM 106:2012, 7.2) under a normal error."""
    u = words.criterion_u(findings, criterion.name)
    if criterion.name == "flatness" or criterion.value is None or u is None:
        return ""
    share = conformance(criterion.value, u, criterion.limit)
    return (
        f"; if nothing else were known of it than this measurement, it would be within with a probability of "
        f"{share * 100:.0f} %"
    )


def conformance(value: float, u: float, limit: float) -> float:
    """Probability that |a quantity| measured as ``value`` with standard uncertainty ``u`` is at most ``limit``.

    Normal error, no prior knowledge: JCGM 106:2012, 7.2.2 and 7.4 (two limits, -limit and limit); 0 or 1 for u = 0.
    """
    if u <= 0:
        return float(abs(value) <= limit)
    return float(ndtr((limit - value) / u) - ndtr((-limit - value) / u)) if math.isfinite(value) else 0.0
