"""All sheets of one wall in one PDF: vector drawings, embedded fonts, page numbers, the file's hash on each page."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from flatscan import __version__
from flatscan.core.errors import BadValue
from flatscan.report import words
from flatscan.report.figures.lettering import cut
from flatscan.report.figures.style import FAINT, PAPERS, font, printable, sheet_style
from flatscan.report.view import Findings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_FOOT_AT = 0.3


def write(findings: Findings, path: Path, units: str = "mm", paper: str = "a4") -> None:
    """Write the PDF; the same findings give the same bytes. A paper that is not "a4" or "letter" raises `BadValue`."""
    if paper not in PAPERS:
        raise BadValue("--paper", f"'{paper}'", needed=" or ".join(PAPERS), remedy="Choose one of the two")
    from matplotlib.backends.backend_pdf import PdfPages

    # no dates in it, so that the same findings give the same bytes
    about = {
        "Title": printable(words.wall_name(findings)),
        "Creator": f"flatscan {__version__}",
        "Producer": "matplotlib",
    }
    with sheet_style(), PdfPages(path, metadata={**about, "CreationDate": None, "ModDate": None}) as book:
        made = pages(findings, units, paper)
        for number, page in enumerate(made, 1):
            _number(page, findings, number, len(made))
            book.savefig(page)


def pages(findings: Findings, units: str, paper: str) -> list[Figure]:
    """Every page these findings have something to say on, in reading order."""
    size = PAPERS[paper]
    made: list[Figure] = []
    for draw in _drawings(findings):
        made.append(draw(findings, units, size=size))
    lists = [page for sheet in _lists(findings) for page in sheet(findings, units, paper)]
    # a survey is read before it is looked at; everything else is looked at first
    return [*lists, *made] if findings.build_up is not None and findings.set_out is None else [*made, *lists]


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


def _lists(findings: Findings) -> list[Callable[[Findings, str, str], list[Figure]]]:
    from flatscan.report.paper import change_sheets, sheets

    verdict, compared = findings.verdict, findings.compared
    wanted = [
        (compared is not None, change_sheets.comparison),
        (compared is not None and compared.background is not None, change_sheets.notice),
        (compared is not None and compared.variation is not None, change_sheets.variation),
        (findings.set_out is not None, sheets.set_out_list),
        (findings.lows is not None, sheets.low_list),
        (findings.command == "survey", sheets.survey_sheet),
        (findings.take_off is not None, sheets.material_list),
        (verdict is not None, sheets.record),
        (verdict is not None and verdict.decision != "within" and compared is None, sheets.notice),
        (findings.take_off is not None and findings.command == "survey", sheets.variation),
    ]
    return [sheet for wants, sheet in wanted if wants]


def _number(page: Figure, findings: Findings, number: int, total: int) -> None:
    """Page number and file hash at the foot, on the drawing sheets as on the lists."""
    wide, high = page.get_size_inches()
    place = _FOOT_AT / high
    page.text(1 - 0.4 / wide, place, f"page {number} of {total}", fontproperties=font(8), ha="right", va="bottom")
    origin = findings.origin
    said = f"{words.wall_name(findings)}; {origin.file}; SHA-256 {origin.sha256 or 'none'}; flatscan {__version__}"
    page.text(
        0.4 / wide, place, cut(said, wide - 2.0, 6.5), fontproperties=font(6.5), ha="left", va="bottom", color=FAINT
    )  # fmt: skip
