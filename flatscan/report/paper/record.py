"""The record of measurement: its first page is complete by itself, the pages behind it say how it was found."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flatscan.core.notes import note
from flatscan.core.quantity import Quantity, share
from flatscan.report.drawings import Drawing, SectionsDrawing
from flatscan.report.figures import draw_in, titleblock
from flatscan.report.paper.flow import MARGIN
from flatscan.report.paper.sheets import Fill, Sheet, made
from flatscan.report.parts import Report, in_short
from flatscan.report.say import finished, printed, say
from flatscan.straightedge.uncertainty import half_factor
from flatscan.verdict import coverage_factor

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# what a hand writes where the plan of the job does not say it
_BY_HAND = {"captured": "sheet.date", "instrument": "sheet.instrument", "people": "sheet.present"}
# the drawing takes what the words leave of the page, and no less than this [inches]
_LEAST_DRAWN = 2.4
_SECTION_HIGH = 2.35
# places where two parties differ, on the page that they sign; the rest is listed behind it
_DIFFERING = 6
_SCALES = (1.0, 0.92, 0.84, 0.78)


def record(report: Report, units: str, paper: str) -> list[Figure]:
    """All of the record: the page that is signed, then sections, bounds, method and where every number comes from."""
    return [*front(report, units, paper), *made(_behind, report, "sheet.record-behind", units, paper)]


def front(report: Report, units: str, paper: str) -> list[Figure]:
    """The page that is signed: whose wall, what was asked and decided, the drawing, what was left out, signatures."""
    return _on_one_page(report, "sheet.record", _head, _tail, _shown(report), units, paper)


def scored(report: Report) -> Drawing | None:
    """The map of two parties' scores, None where there are no two parties."""
    return next((drawing for drawing in report.shown_on("paper") if drawing.name == "score"), None)


def agreement(report: Report, units: str, paper: str) -> list[Figure]:
    """The page that two parties sign: whose surveys, where they disagree beyond what both claim, what each says."""
    return _on_one_page(report, "sheet.agreement", _parties, _both_sign, scored(report), units, paper)


def _parties(sheet: Sheet) -> None:
    change = sheet.report.section("compare")
    assert change is not None
    sheet.doubted()
    sheet.paragraph(sheet.report.record)
    sheet.of_the_job()
    for fact in change.facts:
        if fact.key == "two-parties":
            sheet.paragraph(fact.text, size=11, weight="bold")
    wanted = ("earlier", "later", "score", "both-limits")
    sheet.facts([sheet.fact(fact) for fact in change.facts if fact.key in wanted], aside=1.35)
    for table in change.tables:
        if table.name == "differ":
            sheet.table(replace(table, rows=table.rows[:_DIFFERING]))


def _both_sign(sheet: Sheet) -> None:
    """How they were compared, what cannot be told, who was there, and two signatures."""
    report = sheet.report
    change = report.section("compare")
    assert change is not None
    sheet.paragraph(note("sheet.score"), size=8.5)
    left = say(note("report.list", parts=report.not_examined), sheet.units)
    told = [sheet.fact(fact) for fact in change.facts if fact.key == "cannot-tell"]
    sheet.facts([*told, (say(note("sheet.not-examined")), left)], aside=1.35)
    sheet.stated()
    sheet.ask(*(code for name, code in _BY_HAND.items() if not getattr(report.job, name)), columns=2)
    sheet.signed("sheet.for-one", "sheet.for-other")


def _on_one_page(
    report: Report, title: str, head: Fill, tail_of: Fill, shown: Drawing | None, units: str, paper: str
) -> list[Figure]:
    """A head and a tail with as much of a drawing between them as the page has room for, in type as small as needed."""
    for scale in _SCALES:
        sheet = Sheet(report, title, units, paper, scale)
        head(sheet)
        tail = Sheet(report, title, units, paper, scale)
        start = tail.y
        tail_of(tail)
        # what is left between head and tail
        room = sheet.y - MARGIN - 0.1 - (start - tail.y) - 0.1
        if len(sheet.pages) == len(tail.pages) == 1 and room >= _LEAST_DRAWN:
            break
    if shown is not None and len(tail.pages) == 1 and room > 1.0:
        high = titleblock.takes(shown.on.wall, sheet.room, room)
        sheet.place(high, lambda page, rect: draw_in(page, rect, shown, units))
    tail_of(sheet)
    return sheet.pages


def _shown(report: Report) -> Drawing | None:
    """The drawing with the worst place and how the straightedge lies there."""
    banded = [drawing for drawing in report.shown_on("paper") if drawing.name in ("gaps", "contour")]
    return max(banded, key=lambda drawing: drawing.name == "gaps", default=None)


def _head(sheet: Sheet) -> None:
    report = sheet.report
    sheet.paragraph(report.record)
    verdict = report.section("verdict")
    assert verdict is not None
    sheet.of_the_job()
    limits = verdict.values["limits"] if isinstance(verdict.values, dict) else ()
    sheet.facts([(say(note("sheet.asked")), say(limit, sheet.units)) for limit in limits], aside=0.95)
    for fact in (*verdict.facts, *(fact for fact in verdict.answers if fact.key == "by-hand")):
        if fact.key == "by-hand":
            for line in in_short(report.warned("read")):
                sheet.say(f"! {finished(line, sheet.units)}", size=8.5)
            sheet.facts([(say(note("sheet.try-by-hand")), say(printed(fact.text), sheet.units))], aside=1.35)
        elif fact.key == "decided":
            sheet.paragraph(fact.text, size=11, weight="bold")
        elif fact.key == "reason":
            sheet.paragraph(fact.text, size=8.5, indent=0.2)


def _tail(sheet: Sheet) -> None:
    """What was left out, the rule behind the decision, who measured with what, and two signatures."""
    report = sheet.report
    verdict = report.section("verdict")
    assert verdict is not None
    risk = verdict.values["risk"] if isinstance(verdict.values, dict) else share(0.05)
    left = say(note("report.list", parts=report.not_examined), sheet.units)
    rows = [(say(note("sheet.not-examined")), left)]
    rows += [sheet.fact(fact) for fact in verdict.facts if fact.key == "restricted"]
    sheet.facts(rows, aside=1.35)
    sheet.paragraph(note("sheet.rule-behind", risk=risk), size=8.5)
    sheet.stated()
    sheet.ask(*(code for name, code in _BY_HAND.items() if not getattr(report.job, name)), columns=2)
    sheet.signed("sheet.signed-measured", "sheet.in-presence")


def _behind(sheet: Sheet) -> None:
    """Sections at the worst place, every criterion with its bounds, then method, settings and uncertainty."""
    report, units = sheet.report, sheet.units
    sheet.before()
    for drawing in report.shown_on("paper"):
        if isinstance(drawing, SectionsDrawing):
            sheet.heading(say(drawing.title, units))
            high = _SECTION_HIGH * len(drawing.lines)
            sheet.place(high, lambda page, rect, it=drawing: draw_in(page, rect, it, units))  # type: ignore[misc]
    sheet.section("verdict", facts=False)
    sheet.section("flatness", facts=False)
    sheet.beside()
    sheet.titled("sheet.method")
    sheet.section_facts("flatness")
    sheet.section("wall", tables=False)
    sheet.section("capture")
    sheet.closing(notes=True)
    verdict = report.section("verdict")
    confidence = verdict.values["confidence"] if verdict is not None and isinstance(verdict.values, dict) else None
    k = coverage_factor(confidence.value if isinstance(confidence, Quantity) else 0.95)
    sheet.paragraph(note("sheet.factors", k=share(k), both=share(half_factor(k))), size=8.5)
