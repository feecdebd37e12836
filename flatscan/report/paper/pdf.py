"""All sheets of one wall in one PDF: vector drawings, embedded fonts, page numbers, the file's hash on each page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from flatscan import __version__
from flatscan.core.errors import BadValue
from flatscan.jobs import Result
from flatscan.report.figures.lettering import cut
from flatscan.report.figures.style import FAINT, PAPERS, font, printable, sheet_style
from flatscan.report.model import Report
from flatscan.report.reporting import report_of
from flatscan.report.say import say, spoken
from flatscan.report.view import Findings, findings_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_FOOT_AT = 0.3


def write(result: Result, path: Path, units: str = "mm", paper: str = "a4") -> None:
    """Write the PDF; the same findings give the same bytes. A paper that is not "a4" or "letter" raises `BadValue`."""
    if paper not in PAPERS:
        raise BadValue(
            "{set:paper}", "'{paper}'", needed=" or ".join(PAPERS), remedy="Choose one of the two", paper=paper
        )
    from matplotlib.backends.backend_pdf import PdfPages

    report = report_of(result)
    # no dates in it, so that the same result gives the same bytes
    about = {
        "Title": printable(say(report.name, units)),
        "Creator": f"flatscan {__version__}",
        "Producer": "matplotlib",
    }
    with sheet_style(), PdfPages(path, metadata={**about, "CreationDate": None, "ModDate": None}) as book:
        made = pages(result, units, paper)
        for number, page in enumerate(made, 1):
            _number(page, report, number, len(made), units)
            book.savefig(page)


def pages(result: Result, units: str, paper: str) -> list[Figure]:
    """Every page this result has something to say on, in reading order."""
    size, report = PAPERS[paper], report_of(result)
    findings = spoken(findings_of(result), units)
    drawn = [draw(findings, units, size=size) for draw in _drawings(findings)]
    lists = list(_lists(report, units, paper))
    # a survey is read before it is looked at; everything else is looked at first
    read_first = report.section("material") is not None and report.section("setout") is None
    return [*lists, *drawn] if read_first else [*drawn, *lists]


def _drawings(findings: Findings) -> list[Callable[..., Figure]]:
    from flatscan.report.figures import bars, change_map, contour, plan, profiles

    swept = contour.has_gaps(findings)
    made = findings.compared
    wanted = [
        (made is not None and made.change.relief.known_between, change_map.change_map),
        (findings.set_out is not None and bool(findings.set_out.screeds), plan.set_out),
        (findings.lows is not None, plan.low_map),
        (True, contour.contour),
        (swept, contour.gap_map),
        (profiles.can_be_drawn(findings), profiles.profiles),
        (swept and findings.verdict is not None, bars.gap_histogram),
        (any(choice.build_up is not None for choice in findings.choices), bars.choice_bars),
    ]
    return [draw for wants, draw in wanted if wants]


def _lists(report: Report, units: str, paper: str) -> Iterator[Figure]:
    """Pages of words: each kind of sheet that the report has the sections for."""
    from flatscan.report.paper import sheets

    here = {section.name for section in report.sections}
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
    capture = report.section("capture")
    assert capture is not None
    file, sha256 = (say(fact.text, units) for fact in capture.facts[:2])
    said = f"{say(report.name, units)}; {file}; SHA-256 {sha256}; flatscan {__version__}"
    page.text(
        0.4 / wide, place, cut(said, wide - 2.0, 6.5), fontproperties=font(6.5), ha="left", va="bottom", color=FAINT
    )  # fmt: skip
