"""The sheets of the trade, each a few pages: survey with its order, set-out, lows, notice, variation, comparison."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from flatscan.core.notes import Note, note
from flatscan.report.paper.flow import Flow
from flatscan.report.parts import Fact, Report
from flatscan.report.say import Said, finished, printed, say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# boxes to tick and lines to fill in are questions to people: what only they know
ORDER_OF_WORK = (
    "sheet.read-cautions",
    "sheet.strike-face",
    "sheet.set-first-dot",
    "sheet.set-outer",
    "sheet.check-diagonals",
)
WAYS_ON = ("sheet.put-right", "sheet.build-up", "sheet.follow", "sheet.board")
TABLES_BESIDE = ("order_together", "choices", "quote", "clashes", "corners", "hand", "curve")
# what a sheet leaves out that shows no laser's readings, and one that tells nobody to do anything yet
_LASER = ("laser", "read")
_NOT_DONE = ("hack", *_LASER, "height")
# a page filled less than this is a third empty: then smaller type on fewer pages, or larger, read from further away
_FULL, _SMALLER, _LARGER = 0.67, (0.94, 0.88, 0.82), (1.45, 1.3, 1.2, 1.1, 1.05)


class Sheet(Flow):
    """Pages of one kind of sheet of a report: parts of the report in the order the sheet wants them."""

    def __init__(self, report: Report, title: str, units: str, paper: str, scale: float = 1.0) -> None:
        super().__init__(say(report.name, units), say(note(title), units), units, paper, scale)
        self.report = report

    def paragraph(self, text: Said, **style: object) -> None:
        """A note as a sentence."""
        self.say(self.sentence(text), **style)  # type: ignore[arg-type]

    def titled(self, code: str) -> None:
        """A heading by its code."""
        self.heading(say(note(code), self.units))

    def doubted(self) -> None:
        """The doubt that decides over everything else, as on the screen."""
        if self.report.leading:
            self.say(finished(printed(self.report.leading), self.units), size=11, weight="bold")

    def before(self, *but: str) -> None:
        """Stop signs and cautions in full, before what they warn of; ``but`` for actions that the sheet leaves out."""
        stops = [say(note("report.stop", sign=sign), self.units) for sign in self.report.stops]
        self.cautions(stops, [say(caution, self.units) for caution in self.report.warned_but(*but)])

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
        return say(Note(f"fact.{fact.key}"), self.units), say(printed(fact.text), self.units)

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
        for name in TABLES_BESIDE:
            self.section(name, facts=False)

    def to_order(self, *, coats: bool = True) -> None:
        """What to order, by product with a box to tick, then coat by coat unless the day's steps tell those."""
        order = self.report.section("order")
        if order is None:
            return
        self.titled("sheet.material-list")
        self.section_facts("order", ("system", "weight", "bags", "days", "price"))
        for number, table in enumerate(order.tables if coats else order.tables[:1]):
            self.table(table, tick=number == 0)
        for text in order.remarks:
            if not _is_no_stop(text):
                self.paragraph(text)

    def stated(self) -> None:
        """What people stated in the plan of the job, with their names."""
        self.say_stated(self.report)

    def say_stated(self, report: Report) -> None:
        """What people stated in the plan of a job, each in their words, with name and date."""
        for one in report.statements:
            by, date = one.by or note("sheet.no-name"), one.date or note("sheet.no-date")
            self.paragraph(note("sheet.stated", text=one.text, by=by, date=date))

    def of_the_job(self) -> None:
        """Whose record it is and how it was measured, in two columns, what nobody stated as well."""
        section = self.report.section("record")
        if section is not None:
            self.in_columns([self.fact(fact) for fact in section.facts])

    def tick(self, codes: tuple[str, ...]) -> None:
        """Statements with a box to tick before each."""
        self.tick_list([say(Note(code), self.units) for code in codes])

    def ask(self, *codes: str, lines: int = 1, columns: int = 1) -> None:
        """Lines to fill in by hand."""
        self.fill_in([say(Note(code), self.units) for code in codes], lines=lines, columns=columns)

    def signed(self, *codes: str) -> None:
        """Boxes to sign in."""
        self.sign([say(Note(code), self.units) for code in codes])

    def closing(self, *, notes: bool = False) -> None:
        """What was set otherwise and what was not examined; ``notes`` stand on what vouches for the measuring."""
        self.section("settings", tables=False)
        self.titled("sheet.not-examined")
        self.paragraph(note("report.list", parts=self.report.not_examined))
        if self.report.section("verdict") is None:
            self.paragraph(self.report.record, size=8.5)
        if notes and self.report.notes:
            self.titled("sheet.said-of-capture")
            for text in self.report.notes:
                self.paragraph(printed(text), size=8.5)


Fill = Callable[[Sheet], None]


def made(fill: Fill, report: Report, title: str, units: str, paper: str, *, most: int | None = None) -> list[Figure]:
    """The pages that ``fill`` makes, in type so small that they are ``most``, or so that none is a third empty.

    Of a list the usual type stands where that is so; else larger type that fills the same pages, or smaller type that
    needs fewer; where neither is, the type whose emptiest page has most on it.
    """
    usual = _filled(fill, report, title, units, paper, 1.0)
    count, tried = len(usual.pages), [usual]
    if (count <= most) if most is not None else usual.emptiest >= _FULL:
        return usual.pages
    for scale in _SMALLER if most is not None or count > 1 else ():
        sheet = _filled(fill, report, title, units, paper, scale)
        if len(sheet.pages) <= (count - 1 if most is None else most):
            return sheet.pages
        tried.append(sheet)
    if most is not None:
        return tried[-1].pages
    for scale in _LARGER:
        sheet = _filled(fill, report, title, units, paper, scale)
        tried += [sheet] if len(sheet.pages) == count else []
        if tried[-1] is sheet and sheet.emptiest >= _FULL:
            break
    return max(tried, key=lambda one: round(one.emptiest, 2)).pages


def _filled(fill: Fill, report: Report, title: str, units: str, paper: str, scale: float) -> Sheet:
    sheet = Sheet(report, title, units, paper, scale)
    fill(sheet)
    return sheet


def _is_no_stop(said: Said) -> bool:
    return isinstance(said, Note) and said.code == "stop.none"


def survey_sheet(report: Report, units: str, paper: str) -> list[Figure]:
    """What the wall takes, what to order and what cutting saves, then what the wall is."""
    return made(_survey, report, "sheet.survey", units, paper)


def _survey(sheet: Sheet) -> None:
    sheet.lead()
    sheet.doubted()
    sheet.before(*_LASER)
    for said in sheet.report.lead:
        if _is_no_stop(said):
            sheet.paragraph(said)
    sheet.section("material")
    sheet.to_order()
    sheet.section("hacking", facts=False)
    if sheet.report.section("quote") is not None:
        # a price is never without the doubt that stops it
        sheet.doubted()
    sheet.beside()
    sheet.section("wall", tables=False)
    sheet.section("patches", facts=False)
    sheet.closing(notes=True)


def set_out_list(report: Report, units: str, paper: str) -> list[Figure]:
    """Packing at every dot, the nibs to cut first, the order of work, and what to order."""
    return made(_set_out, report, "sheet.set-out-list", units, paper)


def _set_out(sheet: Sheet) -> None:
    report = sheet.report
    sheet.doubted()
    sheet.before()
    hacking, laid = report.section("hacking"), report.section("setout")
    if hacking is not None and any(table.rows for table in hacking.tables):
        sheet.section("hacking", facts=False, tick=True)
    sheet.titled("sheet.order-of-work")
    cautions, *then = ORDER_OF_WORK
    cuts = ("sheet.cut-humps",) if report.day is not None and report.day.day.cuts else ()
    sheet.tick((cautions, *cuts, *then))
    sheet.section("setout", facts=False, tick=True)
    for text in () if laid is None else laid.remarks:
        sheet.paragraph(text)
    sheet.to_order(coats=report.day is None)
    sheet.closing()


def low_list(report: Report, units: str, paper: str) -> list[Figure]:
    """Low spots after ruling off, each with a box to tick when it is filled."""
    return made(_lows, report, "sheet.low-list", units, paper)


def _lows(sheet: Sheet) -> None:
    sheet.doubted()
    sheet.before()
    lows = sheet.report.section("lows")
    sheet.section("lows", facts=False, tick=True)
    for text in () if lows is None else lows.remarks:
        sheet.paragraph(text, weight="bold")
    sheet.closing(notes=True)


def notice(report: Report, units: str, paper: str) -> list[Figure]:
    """Notice of background: the excess under the straightedge, what it takes, a reply line; one page, signed."""
    return made(_notice, report, "sheet.notice", units, paper, most=1)


def _notice(sheet: Sheet) -> None:
    report = sheet.report
    if report.stated_stage:
        sheet.paragraph(note("sheet.measured-at-stage", stage=report.stage))
    sheet.stated()
    sheet.paragraph(report.record)
    sheet.before()
    sheet.titled("sheet.measured")
    sheet.section_facts(
        "flatness", ("straightedge", "limit-from", "largest", "where", "balanced", "excess", "area-over")
    )
    sheet.section("verdict", facts=False)
    sheet.titled("sheet.beyond-allowance")
    sheet.ask("sheet.allowance", "sheet.extra-litres", "sheet.extra-visits", "sheet.extra-cost", columns=2)
    sheet.closing()
    _ways_on(sheet)


def _ways_on(sheet: Sheet) -> None:
    """What can be done about a background, a line to reply on, and two signatures."""
    sheet.titled("sheet.ways-on")
    sheet.tick(WAYS_ON)
    sheet.ask("sheet.reply-by", "sheet.reply", columns=2)
    sheet.signed("sheet.for-contractor", "sheet.received-by")


def variation(report: Report, units: str, paper: str) -> list[Figure]:
    """Variation record: what was measured, what was agreed beyond the contract, and two signatures on one page."""
    return made(_variation, report, "sheet.variation", units, paper, most=1)


def _variation(sheet: Sheet) -> None:
    report = sheet.report
    sheet.paragraph(note("sheet.of-plan", plan=report.fingerprint), weight="bold")
    sheet.stated()
    sheet.before(*_NOT_DONE)
    sheet.titled("sheet.measured")
    sheet.section_facts("material", ("least", "mean", "most", "volume"))
    sheet.section_facts("order", ("system", "bags", "days", "price"))
    sheet.closing()
    known = sheet.report.section("extra") is not None
    # what was worked out is printed; what only people know is asked for
    sheet.section("extra", facts=False)
    sheet.titled("sheet.agreed")
    sheet.ask("sheet.instruction", "sheet.given-by", columns=2)
    if known:
        sheet.ask("sheet.to-be-paid")
    else:
        sheet.ask(
            "sheet.mean-in-contract", "sheet.extra-area", "sheet.extra-thickness", "sheet.extra-litres", columns=2
        )
        sheet.ask("sheet.extra-visits", "sheet.price", columns=2)
    sheet.ask("sheet.to-be-done", lines=3)
    sheet.signed("sheet.for-contractor", "sheet.for-instructing")


def comparison(report: Report, units: str, paper: str) -> list[Figure]:
    """What changed between the two surveys, how they were tied together, and what that leaves open."""
    return made(_comparison, report, "sheet.comparison", units, paper)


def _comparison(sheet: Sheet) -> None:
    change = sheet.report.section("compare")
    assert change is not None
    sheet.doubted()
    sheet.paragraph(sheet.report.record)
    sheet.titled("sheet.compared")
    for text in change.headline:
        sheet.paragraph(text)
    sheet.paragraph(note("sheet.under-limit"))
    sheet.section("compare", facts=False)
    sheet.facts([sheet.fact(fact) for fact in change.facts if fact.key in ("reference", "cannot-tell")])
    sheet.titled("sheet.both-captures")
    sheet.facts([sheet.fact(fact) for fact in change.facts if fact.key in ("earlier", "later")])
    sheet.closing(notes=True)
    if all(fact.key != "two-parties" for fact in change.facts):
        # two parties sign the page with the map of their scores
        sheet.signed("sheet.for-one", "sheet.for-other")


def background_notice(report: Report, earlier: Report, units: str, paper: str) -> list[Figure]:
    """Notice of background: the ``earlier`` surface against its own limit, and what it takes beyond the allowance."""

    def fill(sheet: Sheet) -> None:
        sheet.paragraph(note("sheet.earlier-survey"), size=10)
        sheet.say_stated(report)
        sheet.paragraph(report.record)
        sheet.before()
        sheet.titled("sheet.measured")
        _facts_of(sheet, report, "background", bold=True)
        sheet.section_facts("flatness")
        sheet.section("verdict", facts=False)
        _beyond(sheet, report)
        sheet.closing(notes=True)
        _ways_on(sheet)

    return made(fill, earlier, "sheet.notice-of-background", units, paper)


def variation_record(report: Report, units: str, paper: str) -> list[Figure]:
    """Variation record: what was put on beyond the allowance, the finish beside its background, and two signatures."""

    def fill(sheet: Sheet) -> None:
        sheet.stated()
        sheet.paragraph(report.record)
        sheet.before()
        change = report.section("compare")
        if change is not None and any(fact.key == "background" for fact in change.facts):
            sheet.titled("fact.background")
        _facts_of(sheet, report, "background")
        _beyond(sheet, report)
        if report.section("verdict") is not None:
            sheet.titled("sheet.finish")
            sheet.section("verdict", facts=False)
        _facts_of(sheet, report, "follows")
        sheet.closing(notes=True)
        sheet.titled("sheet.agreed")
        sheet.ask("sheet.instruction", "sheet.given-by", "sheet.to-be-paid")
        sheet.signed("sheet.for-contractor", "sheet.for-instructing")

    return made(fill, report, "sheet.variation", units, paper)


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
