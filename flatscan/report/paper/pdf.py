"""All sheets of one wall in one PDF: what the job's stage asks for, the drawing with the answers first.

Vector drawings, embedded fonts; captures, plan, report and page number at every foot.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from flatscan import __version__
from flatscan.core.errors import BadValue
from flatscan.core.notes import note
from flatscan.report.drawings import Drawing, SectionsDrawing
from flatscan.report.elevations import reach_of
from flatscan.report.figures import draw, draw_in
from flatscan.report.figures.style import FAINT, PAPERS, cut, fitted, font, printable, sheet_style, width
from flatscan.report.parts import Report
from flatscan.report.say import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_FOOT_AT, _ORIGIN_AT = 0.3, 0.18
# between the words at the left of a foot, those at its right, and its page number [inches]
_BETWEEN = 0.4
# drawings on paper by command, in their order before the lists; a record carries its own
_DRAWN = {
    "survey": ("contour", "gaps", "sections"),
    "site": ("contour", "gaps", "sections"),
    "setout": ("setout", "contour"),
    "lows": ("lows", "gaps", "sections"),
    "compare": ("change", "reference", "contour", "gaps", "sections"),
    "check": (),
}
# stages at which nothing of the work has been done: what is measured then is the background
_BEFORE_WORK = ("quote", "set-out")
# stages at which somebody is asked for more than the contract holds
_BEYOND = ("set-out", "dispute")
# a sheet is turned where the drawing gains so much in scale
_WORTH_TURNING = 1.3
# tables of a font that only place letters
_TYPESETTING = ("GDEF", "GPOS", "GSUB", "MATH", "kern")
# what a drawing leaves of a page beside the elevation: an upright and a lying one, across and up [inches]
_UPRIGHT, _LYING = (1.6, 5.3), (1.6, 5.0)
# two sections under a map take this much of an upright page [inches]
_SECTIONS = 4.6


def write(report: Report, path: Path, units: str = "mm", paper: str = "a4", *, of_the_day: bool = False) -> None:
    """Write the PDF, ``of_the_day`` the sheet of the day alone; the same report gives the same bytes.

    A paper that is not "a4" or "letter" raises `BadValue`.
    """
    if paper not in PAPERS:
        raise BadValue(
            "{set:paper}", "'{paper}'", needed=" or ".join(PAPERS), remedy="Choose one of the two", paper=paper
        )
    from matplotlib.backends.backend_pdf import PdfPages

    from flatscan.report.paper import day_page

    # no dates in it, so that the same report gives the same bytes
    about = {
        "Title": printable(say(report.name, units)),
        "Creator": f"flatscan {__version__}",
        "Producer": "matplotlib",
    }
    with (
        sheet_style(),
        _plain_fonts(),
        PdfPages(path, metadata={**about, "CreationDate": None, "ModDate": None}) as book,
    ):
        every = day_page.pages(report, units, paper) if of_the_day else pages(report, units, paper)
        for number, page in enumerate(every, 1):
            _number(page, report, number, len(every), units)
            book.savefig(page)


@contextmanager
def _plain_fonts() -> Iterator[None]:
    """Embed fonts without their tables of typesetting: letters are placed already, and to read these takes longest."""
    from fontTools.subset import Options  # type: ignore[import-untyped]

    # fontTools has this list for all its users, and matplotlib hands none on; a fontTools without it embeds all tables
    usual = getattr(Options, "_drop_tables_default", None)
    if usual is None:
        yield
        return
    Options._drop_tables_default = [*usual, *_TYPESETTING]
    try:
        yield
    finally:
        Options._drop_tables_default = usual


def pages(report: Report, units: str, paper: str) -> list[Figure]:
    """Every page this report has something to say on, the drawing with the answers first."""
    from flatscan.report.paper import record

    signed = record.agreement(report, units, paper) if record.scored(report) is not None else []
    return [*signed, *_drawn(report, units, paper), *_lists(report, units, paper)]


def _drawn(report: Report, units: str, paper: str) -> Iterator[Figure]:
    """Pages of drawings, all upright or all lying; on an upright one sections stand under the map of gaps."""
    found = {drawing.name: drawing for drawing in report.shown_on("paper")}
    wanted = [found[name] for name in _DRAWN[report.command] if name in found]
    size = _size(report, wanted, paper)
    under = found.get("sections") if size[1] > size[0] and "gaps" in found else None
    for drawing in wanted:
        if drawing.name == "gaps" and isinstance(under, SectionsDrawing):
            yield _with_sections(report, drawing, under, units, size)
        elif drawing is not under:
            yield draw(report, drawing, units, size=size, footed=True)


def _with_sections(
    report: Report, drawing: Drawing, under: SectionsDrawing, units: str, size: tuple[float, float]
) -> Figure:
    from flatscan.report.figures import titleblock

    figure, (left, bottom, wide, high) = titleblock.framed(report, drawing.title, units, size)
    part = _SECTIONS if len(under.lines) > 1 else _SECTIONS / 2
    how = draw_in(figure, (left, bottom + part, wide, high - part), drawing, units)
    draw_in(figure, (left, bottom, wide, part - 0.1), under, units)
    titleblock.foot(figure, report, units, how, source=False)
    return figure


def _size(report: Report, drawings: list[Drawing], paper: str) -> tuple[float, float]:
    """Upright, unless the wall is so long that it gains by lying; what is signed stays upright."""
    long, short = PAPERS[paper]
    signed = report.command in ("compare", "check")
    if not drawings or signed:
        return short, long
    right, up = reach_of(drawings[0].on.wall)
    upright = min((short - _UPRIGHT[0]) / right, (long - _UPRIGHT[1]) / up)
    lying = min((long - _LYING[0]) / right, (short - _LYING[1]) / up)
    return (long, short) if lying > _WORTH_TURNING * upright else (short, long)


def _lists(report: Report, units: str, paper: str) -> Iterator[Figure]:
    """Pages of words: each kind of sheet that the report has the sections for and its stage asks for."""
    from flatscan.report.paper import day_page, record, sheets

    here = {section.name for section in report.sections}
    yield from day_page.pages(report, units, paper, listed="setout" in here)
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
    if report.command in ("survey", "site"):
        yield from sheets.survey_sheet(report, units, paper)
    verdict = report.section("verdict")
    if verdict is not None:
        yield from record.record(report, units, paper)
        outside = isinstance(verdict.values, dict) and verdict.values["decision"] != "within"
        if report.command == "check" and outside and _before_work(report):
            yield from sheets.notice(report, units, paper)
    if report.command == "survey" and report.stated_stage and report.stage in _BEYOND:
        yield from sheets.variation(report, units, paper)


def _before_work(report: Report) -> bool:
    """Whether somebody said that what was measured is the background: by the stage, else in words of their own."""
    return report.stage in _BEFORE_WORK if report.stated_stage else bool(report.statements)


def _number(page: Figure, report: Report, number: int, total: int, units: str) -> None:
    """Captures, plan, report and page number, and file, hash and version, at the foot of every kind of page."""
    wide, high = page.get_size_inches()
    place = _FOOT_AT / high
    which = note("drawing.page-number", number=number, total=total)
    which = note("drawing.page-at-stage", stage=report.stage, page=which) if report.stated_stage else which
    spread = say(note("sheet.spread"), units)
    # a long report number is cut, the page's own never
    room = wide - 0.8 - _BETWEEN - width(spread, 6.0) - width(say(which, units), 8.0)
    (marks, *_), size = fitted(say(report.marks, units), room, 8.0, 6.0, 1)
    right = say(note("drawing.page-of-report", marks=marks, page=which), units)
    page.text(1 - 0.4 / wide, place, right, fontproperties=font(size), ha="right", va="bottom")
    source = report.source
    origin = note("drawing.page-foot", name=report.name, file=source.file, hash=source.sha256, tool=source.tool)
    for at, said in ((_FOOT_AT, spread), (_ORIGIN_AT, say(origin, units))):
        words = cut(said, wide - 0.8, 6.0)
        page.text(0.4 / wide, at / high, words, fontproperties=font(6.0), ha="left", va="bottom", color=FAINT)
