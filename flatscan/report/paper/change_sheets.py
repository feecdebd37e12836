"""The sheets of a comparison: what changed, the notice of background with its numbers, the variation record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan.report import change_tables, change_words, facts, tables, words
from flatscan.report.paper.flow import Flow
from flatscan.report.view import Comparison, Findings, findings_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WAYS = (
    "The background is put right by others before work goes on.",
    "The wall is built up to plumb and flat, at the extra quantities above.",
    "The finish follows the background and may stand outside the limit.",
    "The wall is boarded or lined instead.",
)


def comparison(findings: Findings, units: str, paper: str) -> list[Figure]:
    """What changed between the two surveys, how they were tied together, and what that leaves open."""
    made = _of(findings)
    flow = Flow(words.wall_name(findings), "Comparison of two surveys", units, paper)
    flow.say(words.RECORD)
    flow.cautions(_cautions(findings, made, units))
    flow.heading("Compared")
    for sentence in change_words.sentences(findings, units):
        flow.say(sentence)
    flow.say("What lies under the detection limit at its place is no change that was seen, and is not called one.")
    flow.heading("Change")
    flow.table(change_tables.places(findings))
    if made.under is not None:
        flow.table(change_tables.thin(made))
    flow.heading("Both captures")
    flow.facts(_captures(findings, made))
    flow.sign(("for one party", "for the other party"))
    _ending(flow, findings, units)
    return flow.pages


def notice(findings: Findings, units: str, paper: str) -> list[Figure]:
    """Notice of background: the earlier surface against its own limit, and what it takes beyond the allowance."""
    made = _of(findings)
    found = made.background
    assert found is not None
    earlier = findings_of(found.check)
    flow = Flow(words.wall_name(earlier), "Notice of background", units, paper)
    flow.say("The surface below was measured before any work on it by the party giving this notice.", size=10)
    flow.say(words.RECORD)
    flow.cautions(_cautions(findings, made, units))
    flow.heading("Measured")
    flow.say(change_words.background_words(made, units), size=11, weight="bold")
    flow.facts(facts.test(earlier, units))
    flow.table(tables.criteria(earlier))
    flow.table(tables.gap_table(earlier))
    if made.variation is not None:
        _beyond(flow, made, units)
    flow.heading("Ways on")
    flow.tick_list(_WAYS)
    flow.fill_in(("Please reply by", "Reply"), lines=1)
    flow.sign(("for the plastering contractor", "received by"))
    _ending(flow, earlier, units)
    return flow.pages


def variation(findings: Findings, units: str, paper: str) -> list[Figure]:
    """Variation record: what was put on beyond the allowance, the finish beside its background, and two signatures."""
    made = _of(findings)
    flow = Flow(words.wall_name(findings), "Variation record", units, paper)
    flow.say(words.RECORD)
    flow.cautions(_cautions(findings, made, units))
    if made.background is not None:
        flow.heading("Background")
        flow.say(change_words.background_words(made, units))
    _beyond(flow, made, units)
    if findings.verdict is not None:
        flow.heading("Finish")
        flow.table(tables.criteria(findings))
    if made.following is not None and made.following.share is not None:
        flow.say(change_words.following_words(made))
    flow.heading("Agreed")
    flow.fill_in(("Instruction number and date", "Given by", "What is to be paid"))
    flow.sign(("for the plastering contractor", "for the party instructing"))
    _ending(flow, findings, units)
    return flow.pages


def _of(findings: Findings) -> Comparison:
    assert findings.compared is not None
    return findings.compared


def _cautions(findings: Findings, made: Comparison, units: str) -> tuple[str, ...]:
    planned: tuple[str, ...] = ()
    if made.variation is not None:
        planned = words.all_cautions(findings_of(made.variation.survey), units)
    return tuple(dict.fromkeys((*planned, *words.all_cautions(findings, units))))


def _beyond(flow: Flow, made: Comparison, units: str) -> None:
    flow.heading("What it takes beyond the allowance")
    for sentence in change_words.variation_words(made, units):
        flow.say(sentence)
    flow.table(change_tables.lines(made))


def _captures(findings: Findings, made: Comparison) -> list[tuple[str, str]]:
    rows = []
    for name, origin, kind in (
        ("Earlier", made.earlier, made.earlier_type), ("Later", findings.origin, findings.capture_type),
    ):  # fmt: skip
        rows.append((name, f"{origin.file}; {kind}; SHA-256 {origin.sha256 or 'none'}"))
    return rows


def _ending(flow: Flow, findings: Findings, units: str) -> None:
    """What was not examined, and what was said of the captures, close every sheet."""
    flow.heading("Not examined")
    flow.say(f"{'; '.join(words.not_examined(findings, units))}.")
    told = list(dict.fromkeys(findings.warnings))
    if told:
        flow.heading("Said of the captures")
        for text in told:
            flow.say(words.sentence(text), size=8.5)
