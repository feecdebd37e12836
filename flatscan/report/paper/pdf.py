"""All sheets of one wall in one PDF: vector drawings, embedded fonts, page numbers, the file's hash on each page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from flatscan import __version__
from flatscan.core.errors import BadValue
from flatscan.core.notes import note
from flatscan.report.figures import draw
from flatscan.report.figures.style import FAINT, PAPERS, cut, font, printable, sheet_style
from flatscan.report.parts import Report
from flatscan.report.say import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_FOOT_AT, _SPREAD_AT = 0.3, 0.2


def write(report: Report, path: Path, units: str = "mm", paper: str = "a4", *, of_the_day: bool = False) -> None:
    """Write the PDF, ``of_the_day`` the sheet of the day alone; the same report gives the same bytes.

    A paper that is not "a4" or "letter" raises `BadValue`.
    """
    if paper not in PAPERS:
        raise BadValue(
            "{set:paper}", "'{paper}'", needed=" or ".join(PAPERS), remedy="Choose one of the two", paper=paper
        )
    from matplotlib.backends.backend_pdf import PdfPages

    from flatscan.report.paper import day

    # no dates in it, so that the same report gives the same bytes
    about = {
        "Title": printable(say(report.name, units)),
        "Creator": f"flatscan {__version__}",
        "Producer": "matplotlib",
    }
    with sheet_style(), PdfPages(path, metadata={**about, "CreationDate": None, "ModDate": None}) as book:
        every = day.pages(report, units, paper) if of_the_day else pages(report, units, paper)
        for number, page in enumerate(every, 1):
            _number(page, report, number, len(every), units)
            book.savefig(page)


def pages(report: Report, units: str, paper: str) -> list[Figure]:
    """Every page this report has something to say on, in reading order."""
    drawn = [draw(report, drawing, units, size=PAPERS[paper]) for drawing in report.shown_on("paper")]
    lists = list(_lists(report, units, paper))
    # a survey is read before it is looked at; everything else is looked at first
    read_first = report.section("material") is not None and report.section("setout") is None
    return [*lists, *drawn] if read_first else [*drawn, *lists]


def _lists(report: Report, units: str, paper: str) -> Iterator[Figure]:
    """Pages of words: each kind of sheet that the report has the sections for."""
    from flatscan.report.paper import day, sheets

    here = {section.name for section in report.sections}
    yield from day.pages(report, units, paper)
    if "compare" in here:
        yield from sheets.comparison(report, units, paper)
        if report.background is not None:
            yield from sheets.background_notice(report, report.background, units, paper)
        change = report.section("compare")
        if change is not None and any(fact.key == "beyond" for fact in change.facts):
            yield from sheets.variation_record(report, units, paper)
    if "setout" in here:
        yield from sheets.set_out_list(report, units, paper)
    if "ridges" in here:
        yield from sheets.low_list(report, units, paper)
    if report.command == "survey":
        yield from sheets.survey_sheet(report, units, paper)
    if "order" in here:
        yield from sheets.material_list(report, units, paper)
    verdict = report.section("verdict")
    if verdict is not None:
        yield from sheets.record(report, units, paper)
        if "compare" not in here and isinstance(verdict.values, dict) and verdict.values["decision"] != "within":
            yield from sheets.notice(report, units, paper)
    if report.command == "survey":
        yield from sheets.variation(report, units, paper)


def _number(page: Figure, report: Report, number: int, total: int, units: str) -> None:
    """Page number and file hash at the foot, on the drawing sheets as on the lists."""
    wide, high = page.get_size_inches()
    place = _FOOT_AT / high
    page.text(1 - 0.4 / wide, place, f"page {number} of {total}", fontproperties=font(8), ha="right", va="bottom")
    source = report.source
    origin = note("drawing.page-foot", name=report.name, file=source.file, hash=source.sha256, tool=source.tool)
    said = cut(say(origin, units), wide - 2.0, 6.5)
    page.text(0.4 / wide, place, said, fontproperties=font(6.5), ha="left", va="bottom", color=FAINT)
    spread = say(note("sheet.spread"), units)
    page.text(0.4 / wide, _SPREAD_AT / high, spread, fontproperties=font(6.5), ha="left", va="bottom", color=FAINT)
