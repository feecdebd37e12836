"""The sheets of the trade, each a few pages: survey, material, set-out, lows, notice, variation, record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan.report import banding, facts, more_tables, tables, words
from flatscan.report.paper.flow import Flow
from flatscan.report.say import say
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ABSENT = (
    "Date of measurement", "Instrument and its last check", "Who measured", "Who was present",
)  # fmt: skip
ORDER_OF_WORK = (
    "Read the cautions; have what they name looked at first.",
    "Strike the face line at the foot of every screed from the packing listed.",
    "Set the dot marked START HERE, then the others of its screed, plumb over it.",
    "Set the outer screeds, then the ones between; a string across them reads 0.",
    "Check both diagonals over the dots before ruling off.",
)


def survey_sheet(findings: Findings, units: str, paper: str) -> list[Figure]:
    """What the wall is and what it takes: the first page of a survey."""
    flow = Flow(words.wall_name(findings), "Survey", units, paper)
    order = findings.take_off
    if order is not None and order.lead:
        flow.say(say(order.lead, units), size=11, weight="bold")
    flow.cautions(words.all_cautions(findings, units))
    if not words.stops(findings):
        flow.say(words.sentence(words.NO_STOP))
    flow.heading("Wall")
    flow.facts(facts.wall(findings, units))
    if findings.build_up is not None:
        flow.heading("Build-up")
        flow.facts(facts.build_up(findings, units))
        flow.table(banding.table(findings, units))
    if findings.hacks is not None:
        flow.table(tables.hacking(findings))
    flow.table(tables.patches(findings))
    for table in more_tables.beside(findings):
        flow.table(table)
    _ending(flow, findings, units, capture=True)
    return flow.pages


def material_list(findings: Findings, units: str, paper: str) -> list[Figure]:
    """By coat and by product, weight before bags, net and gross area."""
    flow = Flow(words.wall_name(findings), "Material list", units, paper)
    order = findings.take_off
    assert order is not None
    if order.lead:
        flow.say(say(order.lead, units), size=11, weight="bold")
    flow.cautions(words.all_cautions(findings, units, hacking=False))
    flow.heading("Wall")
    flow.facts([fact for fact in facts.wall(findings, units) if fact[0] in ("Size", "Area")])
    flow.facts(facts.build_up(findings, units)[3:])
    flow.heading("Order")
    flow.facts(facts.order(findings, units))
    flow.table(tables.order(findings), tick=True)
    flow.table(tables.coats(findings))
    for note in words.order_notes(findings):
        flow.say(words.sentence(note))
    _ending(flow, findings, units)
    return flow.pages


def set_out_list(findings: Findings, units: str, paper: str) -> list[Figure]:
    """Packing at every dot, the nibs to cut first, and the order of work."""
    flow = Flow(words.wall_name(findings), "Set-out list", units, paper)
    flow.cautions(words.all_cautions(findings, units))
    if findings.hacks:
        flow.table(tables.hacking(findings), tick=True)
    flow.heading("Order of work")
    flow.tick_list(ORDER_OF_WORK)
    flow.table(tables.dots(findings), tick=True)
    for note in findings.set_out.notes if findings.set_out is not None else ():
        flow.say(words.sentence(note))
    _ending(flow, findings, units)
    return flow.pages


def low_list(findings: Findings, units: str, paper: str) -> list[Figure]:
    """Low spots after ruling off, each with a box to tick when it is filled."""
    flow = Flow(words.wall_name(findings), "Low-spot list", units, paper)
    flow.cautions(words.all_cautions(findings, units, hacking=False))
    if findings.ridges:
        flow.table(tables.ridges(findings), tick=True)
    flow.table(tables.lows(findings), tick=True)
    total = sum(low.volume for low in findings.lows or ())
    flow.say(f"In all {words.volume(total, 0.0, units, decimals=2)} to fill.", weight="bold")
    _ending(flow, findings, units)
    return flow.pages


def notice(findings: Findings, units: str, paper: str) -> list[Figure]:
    """Notice of background: the excess against the straightedge before work starts, what it takes, and a reply line."""
    flow = Flow(words.wall_name(findings), "Notice of background, before work starts", units, paper)
    flow.say(
        "The background was measured before any work of ours on it. The measurements are set out below; "
        "who is to answer for them is for the contract to say.", size=10,
    )  # fmt: skip
    flow.say(words.RECORD)
    flow.cautions(words.all_cautions(findings, units, hacking=False))
    flow.heading("Measured")
    flow.facts(facts.test(findings, units))
    flow.facts(facts.excess(findings, units))
    flow.table(tables.criteria(findings))
    for table in more_tables.beside(findings):
        flow.table(table)
    flow.table(tables.gap_table(findings))
    flow.heading("What it takes beyond the allowance")
    flow.fill_in(("Allowance in the contract", "Extra litres and bags", "Extra visits and days", "Extra cost"))
    flow.heading("Ways on")
    flow.tick_list(
        (
            "The background is put right by others before work starts.",
            "The wall is built up to plumb and flat, at the extra quantities above.",
            "The finish follows the background and may stand outside the limit.",
            "The wall is boarded or lined instead.",
        )
    )
    flow.fill_in(("Please reply by", "Reply"), lines=1)
    flow.sign(("for the plastering contractor", "received by"))
    _ending(flow, findings, units, capture=True)
    return flow.pages


def variation(findings: Findings, units: str, paper: str) -> list[Figure]:
    """Variation record: what was measured, what was agreed beyond the contract, and two signatures."""
    flow = Flow(words.wall_name(findings), "Variation record", units, paper)
    flow.cautions(words.all_cautions(findings, units, hacking=False))
    flow.heading("Measured")
    flow.facts(facts.build_up(findings, units))
    flow.facts(facts.order(findings, units))
    flow.heading("Agreed")
    flow.fill_in(("Instruction number and date", "Given by", "Mean thickness in the contract", "Extra area"))
    flow.fill_in(("Extra thickness", "Extra litres and bags", "Extra visits and days", "Price"))
    flow.fill_in(("What is to be done",), lines=3)
    flow.sign(("for the plastering contractor", "for the party instructing"))
    _ending(flow, findings, units)
    return flow.pages


def record(findings: Findings, units: str, paper: str) -> list[Figure]:
    """Record of measurement: each criterion's decision with its ±, the method, and what was not tested."""
    flow = Flow(words.wall_name(findings), "Record of measurement", units, paper)
    flow.say(words.RECORD, size=10)
    verdict = findings.verdict
    assert verdict is not None
    flow.heading("Decision")
    for criterion in verdict.criteria:
        flow.say(words.judged(findings, criterion, units), size=11, weight="bold")
        for reason in criterion.reasons:
            flow.say(words.sentence(reason), indent=0.2)
    flow.say(
        f"The rule behind each decision is right in {verdict.confidence * 100:.0f} % of cases at the limit; that is a "
        "property of the method, not of this wall.",
    )  # fmt: skip
    flow.table(tables.criteria(findings))
    if verdict.check_by_hand:
        flow.table(tables.check_by_hand(findings), tick=True)
    for table in more_tables.beside(findings):
        flow.table(table)
    flow.heading("Method")
    flow.facts(facts.test(findings, units))
    flow.heading("Wall")
    flow.facts(facts.wall(findings, units))
    flow.heading("Capture")
    flow.facts(facts.capture(findings, units))
    flow.heading("To be filled in by hand")
    flow.fill_in(ABSENT)
    _ending(flow, findings, units, capture=True)
    flow.sign(("measured by", "in the presence of"))
    return flow.pages


def _ending(flow: Flow, findings: Findings, units: str, *, capture: bool = False) -> None:
    """What was not examined closes every sheet, the warnings of the ``capture`` those that vouch for the measuring."""
    flow.heading("Not examined")
    flow.say(f"{'; '.join(words.not_examined(findings, units))}.")
    told = list(dict.fromkeys(findings.warnings))
    if told and capture:
        flow.heading("Said of the capture")
        for text in told:
            flow.say(words.sentence(text), size=8.5)
