"""The sheets of the trade, each a few pages: survey, material, set-out, lows, notice, variation, record, comparison."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, share
from flatscan.report.paper.flow import Flow
from flatscan.report.parts import Fact, Report
from flatscan.report.say import Said, say
from flatscan.straightedge.uncertainty import half_factor
from flatscan.verdict import coverage_factor

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# boxes to tick and lines to fill in are questions to people: what only they know
ABSENT = ("sheet.date", "sheet.instrument", "sheet.measured-by", "sheet.present")
ORDER_OF_WORK = (
    "sheet.read-cautions",
    "sheet.strike-face",
    "sheet.set-first-dot",
    "sheet.set-outer",
    "sheet.check-diagonals",
)
WAYS_ON = ("sheet.put-right", "sheet.build-up", "sheet.follow", "sheet.board")
_TABLES_BESIDE = ("order_together", "choices", "quote", "clashes", "corners", "hand", "curve")
# what tells nobody to cut leaves out what warns of cutting
_CUT = "cut"


class Sheet(Flow):
    """Pages of one kind of sheet of a report: parts of the report in the order the sheet wants them."""

    def __init__(self, report: Report, title: str, units: str, paper: str) -> None:
        super().__init__(say(report.name, units), say(note(title), units), units, paper)
        self.report = report

    def paragraph(self, text: Said, **style: object) -> None:
        """A note as a sentence."""
        self.say(self.sentence(text), **style)  # type: ignore[arg-type]

    def titled(self, code: str) -> None:
        """A heading by its code."""
        self.heading(say(note(code), self.units))

    def before(self, *, cut: bool = True) -> None:
        """Stop signs and cautions in full, before what they warn of."""
        kept = [caution for caution in self.report.cautions if cut or caution.action != _CUT]
        stops = [say(note("report.stop", sign=sign), self.units) for sign in self.report.stops]
        self.cautions(stops, [say(caution, self.units) for caution in kept])

    def lead(self) -> None:
        """What was surveyed, where that is not the bare wall."""
        for said in self.report.lead:
            if not _is_no_stop(said):
                self.paragraph(said, size=11, weight="bold")

    def section_facts(self, name: str, keys: tuple[str, ...] = ()) -> None:
        """Facts of a section, all or those of ``keys``."""
        section = self.report.section(name)
        found = () if section is None else section.facts
        self.facts([self.fact(fact) for fact in found if not keys or fact.key in keys])

    def fact(self, fact: Fact) -> tuple[str, str]:
        """Label and words of a fact."""
        return say(Note(f"fact.{fact.key}"), self.units), say(fact.text, self.units)

    def section(self, name: str, *, facts: bool = True, tables: bool = True, tick: bool = False) -> None:
        """A section under its heading: its facts, then its tables."""
        section = self.report.section(name)
        if section is None:
            return
        if facts and section.facts:
            self.titled(f"section.{name.replace('_', '-')}")
            self.section_facts(name)
        for table in section.tables if tables else ():
            self.table(table, tick=tick)

    def beside(self) -> None:
        """The tables that only some jobs have."""
        for name in _TABLES_BESIDE:
            self.section(name, facts=False)

    def tick(self, codes: tuple[str, ...]) -> None:
        """Statements with a box to tick before each."""
        self.tick_list([say(Note(code), self.units) for code in codes])

    def ask(self, *codes: str, lines: int = 1) -> None:
        """Lines to fill in by hand."""
        self.fill_in([say(Note(code), self.units) for code in codes], lines=lines)

    def signed(self, *codes: str) -> None:
        """Boxes to sign in."""
        self.sign([say(Note(code), self.units) for code in codes])

    def ending(self, *, notes: bool = False) -> list[Figure]:
        """What was set otherwise and what was not examined close every sheet; returns the pages.

        ``notes`` stand on those that vouch for the measuring.
        """
        self.section("settings", tables=False)
        self.titled("sheet.not-examined")
        self.paragraph(note("report.list", parts=self.report.not_examined))
        if notes and self.report.notes:
            self.titled("sheet.said-of-capture")
            for text in self.report.notes:
                self.paragraph(text, size=8.5)
        return self.pages


def _is_no_stop(said: Said) -> bool:
    return isinstance(said, Note) and said.code == "stop.none"


def survey_sheet(report: Report, units: str, paper: str) -> list[Figure]:
    """What the wall is and what it takes: the first page of a survey."""
    sheet = Sheet(report, "sheet.survey", units, paper)
    sheet.lead()
    sheet.before()
    for said in report.lead:
        if _is_no_stop(said):
            sheet.paragraph(said)
    sheet.section("wall", tables=False)
    sheet.section("material")
    sheet.section("hacking", facts=False)
    sheet.section("patches", facts=False)
    sheet.beside()
    return sheet.ending(notes=True)


def material_list(report: Report, units: str, paper: str) -> list[Figure]:
    """By coat and by product, weight before bags, net and gross area."""
    sheet = Sheet(report, "sheet.material-list", units, paper)
    sheet.lead()
    sheet.before(cut=False)
    sheet.titled("section.wall")
    sheet.section_facts("wall", ("size", "area"))
    sheet.section_facts("material", ("least", "mean", "most", "volume"))
    sheet.titled("section.order")
    sheet.section_facts("order", ("system", "weight", "bags", "days", "price"))
    order = report.section("order")
    for number, table in enumerate(() if order is None else order.tables):
        sheet.table(table, tick=number == 0)
    for text in () if order is None else order.remarks:
        sheet.paragraph(text)
    return sheet.ending()


def set_out_list(report: Report, units: str, paper: str) -> list[Figure]:
    """Packing at every dot, the nibs to cut first, and the order of work."""
    sheet = Sheet(report, "sheet.set-out-list", units, paper)
    sheet.before()
    hacking = report.section("hacking")
    if hacking is not None and hacking.listed is not None and hacking.listed.rows:
        sheet.section("hacking", facts=False, tick=True)
    sheet.titled("sheet.order-of-work")
    sheet.tick(ORDER_OF_WORK)
    sheet.section("setout", facts=False, tick=True)
    laid = report.section("setout")
    for text in () if laid is None else laid.remarks:
        sheet.paragraph(text)
    return sheet.ending()


def low_list(report: Report, units: str, paper: str) -> list[Figure]:
    """Low spots after ruling off, each with a box to tick when it is filled."""
    sheet = Sheet(report, "sheet.low-list", units, paper)
    sheet.before(cut=False)
    sheet.section("lows", facts=False, tick=True)
    lows = report.section("lows")
    for text in () if lows is None else lows.remarks:
        sheet.paragraph(text, weight="bold")
    return sheet.ending()


def notice(report: Report, units: str, paper: str) -> list[Figure]:
    """Notice of background: the excess against the straightedge before work starts, what it takes, and a reply line."""
    sheet = Sheet(report, "sheet.notice", units, paper)
    sheet.paragraph(note("sheet.measured-before"), size=10)
    sheet.paragraph(report.record)
    sheet.before(cut=False)
    sheet.titled("sheet.measured")
    sheet.section_facts("flatness")
    sheet.section("verdict", facts=False)
    sheet.beside()
    sheet.section("flatness", facts=False)
    sheet.titled("sheet.beyond-allowance")
    sheet.ask("sheet.allowance", "sheet.extra-litres", "sheet.extra-visits", "sheet.extra-cost")
    return _ways_on(sheet)


def _ways_on(sheet: Sheet) -> list[Figure]:
    """What can be done about a background, a line to reply on, and two signatures."""
    sheet.titled("sheet.ways-on")
    sheet.tick(WAYS_ON)
    sheet.ask("sheet.reply-by", "sheet.reply")
    sheet.signed("sheet.for-contractor", "sheet.received-by")
    return sheet.ending(notes=True)


def variation(report: Report, units: str, paper: str) -> list[Figure]:
    """Variation record: what was measured, what was agreed beyond the contract, and two signatures."""
    sheet = Sheet(report, "sheet.variation", units, paper)
    sheet.before(cut=False)
    sheet.titled("sheet.measured")
    sheet.section_facts("material")
    sheet.section_facts("order", ("system", "weight", "bags", "days", "price"))
    sheet.titled("sheet.agreed")
    sheet.ask("sheet.instruction", "sheet.given-by", "sheet.mean-in-contract", "sheet.extra-area")
    sheet.ask("sheet.extra-thickness", "sheet.extra-litres", "sheet.extra-visits", "sheet.price")
    sheet.ask("sheet.to-be-done", lines=3)
    sheet.signed("sheet.for-contractor", "sheet.for-instructing")
    return sheet.ending()


def record(report: Report, units: str, paper: str) -> list[Figure]:
    """Record of measurement: each criterion's decision with its ±, the method, and what was not tested."""
    sheet = Sheet(report, "sheet.record", units, paper)
    sheet.paragraph(report.record, size=10)
    sheet.titled("section.verdict")
    verdict = report.section("verdict")
    assert verdict is not None
    # what restricted the test stands in the decision itself
    for fact in (fact for fact in verdict.facts if fact.key != "restricted"):
        bold = fact.key == "decided"
        sheet.paragraph(
            fact.text, size=11 if bold else 9.5, weight="bold" if bold else "normal", indent=0 if bold else 0.2
        )
    confidence = verdict.values["confidence"] if isinstance(verdict.values, dict) else share(0.95)
    sheet.paragraph(note("sheet.rule-behind", confidence=confidence))
    sheet.section("verdict", facts=False)
    sheet.beside()
    sheet.titled("sheet.method")
    sheet.section_facts("flatness")
    sheet.section("wall", tables=False)
    sheet.section("capture")
    sheet.titled("sheet.by-hand")
    sheet.ask(*ABSENT)
    pages = sheet.ending(notes=True)
    k = coverage_factor(confidence.value if isinstance(confidence, Quantity) else 0.95)
    sheet.paragraph(note("sheet.factors", k=share(k), both=share(half_factor(k))), size=8.5)
    sheet.signed("sheet.signed-measured", "sheet.in-presence")
    return pages


def comparison(report: Report, units: str, paper: str) -> list[Figure]:
    """What changed between the two surveys, how they were tied together, and what that leaves open."""
    sheet = Sheet(report, "sheet.comparison", units, paper)
    sheet.paragraph(report.record)
    sheet.before()
    sheet.titled("sheet.compared")
    change = report.section("compare")
    assert change is not None
    for text in change.headline:
        sheet.paragraph(text)
    sheet.paragraph(note("sheet.under-limit"))
    sheet.section("compare", facts=False)
    sheet.titled("sheet.both-captures")
    sheet.facts([sheet.fact(fact) for fact in change.facts if fact.key in ("earlier", "later")])
    sheet.signed("sheet.for-one", "sheet.for-other")
    return sheet.ending(notes=True)


def background_notice(report: Report, earlier: Report, units: str, paper: str) -> list[Figure]:
    """Notice of background: the ``earlier`` surface against its own limit, and what it takes beyond the allowance."""
    sheet = Sheet(earlier, "sheet.notice-of-background", units, paper)
    sheet.paragraph(note("sheet.measured-before-party"), size=10)
    sheet.paragraph(report.record)
    sheet.before()
    sheet.titled("sheet.measured")
    _facts_of(sheet, report, "background", bold=True)
    sheet.section_facts("flatness")
    sheet.section("verdict", facts=False)
    sheet.section("flatness", facts=False)
    _beyond(sheet, report)
    return _ways_on(sheet)


def variation_record(report: Report, units: str, paper: str) -> list[Figure]:
    """Variation record: what was put on beyond the allowance, the finish beside its background, and two signatures."""
    sheet = Sheet(report, "sheet.variation", units, paper)
    sheet.paragraph(report.record)
    sheet.before()
    sheet.titled("fact.background")
    _facts_of(sheet, report, "background")
    _beyond(sheet, report)
    if report.section("verdict") is not None:
        sheet.titled("sheet.finish")
        sheet.section("verdict", facts=False)
    _facts_of(sheet, report, "follows")
    sheet.titled("sheet.agreed")
    sheet.ask("sheet.instruction", "sheet.given-by", "sheet.to-be-paid")
    sheet.signed("sheet.for-contractor", "sheet.for-instructing")
    return sheet.ending(notes=True)


def _facts_of(sheet: Sheet, report: Report, key: str, *, bold: bool = False) -> None:
    change = report.section("compare")
    for fact in () if change is None else change.facts:
        if fact.key == key:
            sheet.paragraph(fact.text, size=11 if bold else 9.5, weight="bold" if bold else "normal")


def _beyond(sheet: Sheet, report: Report) -> None:
    """What the wall takes beyond the allowance, where that was asked for."""
    change = report.section("compare")
    beyond = () if change is None else [fact for fact in change.facts if fact.key == "beyond"]
    if not beyond or change is None:
        return
    sheet.titled("sheet.beyond-allowance")
    for fact in beyond:
        sheet.paragraph(fact.text)
    for table in change.tables:
        if table.name in ("extra", "variation"):
            sheet.table(table)
