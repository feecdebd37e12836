"""The sheets of one wall, by format, into a folder."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from flatscan.core.choices import EXTRA_FILES, PAPERS, SHEET_UNITS
from flatscan.core.errors import BadValue
from flatscan.core.notes import note
from flatscan.jobs import Progress, Result, silent
from flatscan.report.drawings import BandedDrawing, Drawing
from flatscan.report.explain import explain
from flatscan.report.figures.photo import Photo
from flatscan.report.job_folder import RESULT, Subject, put_sheets, sheet_name
from flatscan.report.parts import Report
from flatscan.report.reporting import report_of
from flatscan.report.result_document import document, text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# makes one sheet of a report, in units, at a path
Maker = Callable[[Report, str, Path], None]
Sheet = tuple[str, Maker]
USUAL = ("png", "pdf", "html", "csv", "json")
FORMATS = (*USUAL, *EXTRA_FILES, "explain")


def write(
    result: Result,
    folder: str | Path,
    *,
    overwrite: bool = False,
    units: str = "mm",
    paper: str = "a4",
    photo: Photo | None = None,
    formats: Collection[str] | None = None,
    alone: bool = False,
    progress: Progress = silent,
) -> tuple[Path, ...]:
    """Write the sheets of one wall into ``folder`` and return their paths, the result document last.

    Their names begin with the command. A ``photo`` adds the contour over the straightened photo; raises what
    `photo.straighten` does.

    They take the place of this command's earlier ones, with ``alone`` of every command's, when all of them are whole:
    a failed run leaves what was there. `job_folder.put_sheets` says what raises `OutputError` and what ``overwrite``
    does; a format that is not one of `FORMATS`, or other units than "mm" and "in", or another ``paper`` than "a4" and
    "letter", raises `BadValue`.
    """
    formats = USUAL if formats is None else formats
    _check(formats, units, paper)
    report = report_of(result)
    # the photo first: it is what may not fit
    sheets = [] if photo is None else [("photo.png", _photo(photo))]
    sheets += [sheet for name in FORMATS if name in formats for sheet in _MAKERS[name](report, result, paper)]
    if "json" in formats:
        names = [sheet_name(report.command, name) for name in (*(name for name, _ in sheets), RESULT)]
        sheets.append((RESULT, _result(names)))
    made = [
        (sheet_name(report.command, name), partial(_told, partial(make, report, units), progress, k / len(sheets)))
        for k, (name, make) in enumerate(sheets)
    ]
    subject = Subject.of(result)
    return put_sheets(folder, report.command, made, subject, overwrite=overwrite, alone=alone)


def _told(make: Callable[[Path], None], progress: Progress, done: float, path: Path) -> None:
    """Make a sheet, and say before it which share of them is done."""
    progress(note("stage.sheets"), done)
    make(path)


def _check(formats: Collection[str], units: str, paper: str) -> None:
    for setting, value, choices in (("units", units, SHEET_UNITS), ("paper", paper, PAPERS)):
        if value not in choices:
            needed = " or ".join(choices)
            raise BadValue(
                f"{{set:{setting}}}", "'{value}'", needed=needed, remedy="Choose one of the two", value=value
            )
    unknown = sorted(set(formats) - set(FORMATS))
    if unknown:
        raise BadValue(
            "formats",
            "'{name}'",
            needed=f"some of {', '.join(FORMATS)}",
            remedy="Leave the unknown format out",
            name=unknown[0],
        )


def _result(names: Sequence[str]) -> Maker:
    def make(report: Report, _: str, path: Path) -> None:
        _save(path, text(document(report, names)))

    return make


def _save(path: Path, words: str) -> None:
    # single newlines everywhere, so that the same input gives the same bytes
    path.write_text(words, encoding="utf-8", newline="\n")


def _save_figure(path: Path, draw: Callable[[], Figure]) -> None:
    from matplotlib import rcParams

    from flatscan.report.figures.style import sheet_style

    with sheet_style():
        # no software name and no date, so that the same input gives the same bytes
        draw().savefig(path, dpi=rcParams["savefig.dpi"], metadata={"Software": None})


def _photo(photo: Photo) -> Maker:
    """The contour over the photo."""

    def make(report: Report, units: str, path: Path) -> None:
        from flatscan.report.figures.photo import on_photo

        contour = next(it for it in report.drawings if isinstance(it, BandedDrawing) and it.name == "contour")
        _save_figure(path, lambda: on_photo(report, contour, photo, units))

    return make


def _picture(drawing: Drawing) -> Maker:
    def make(report: Report, units: str, path: Path) -> None:
        from flatscan.report.figures import draw

        _save_figure(path, lambda: draw(report, drawing, units))

    return make


def _pictures(report: Report, *_: object) -> Iterator[Sheet]:
    return ((f"{drawing.name}.png", _picture(drawing)) for drawing in report.shown_on("picture"))


def _book(report: Report, _: Result, paper: str) -> Iterator[Sheet]:
    def make(report: Report, units: str, path: Path) -> None:
        from flatscan.report.paper import pdf

        pdf.write(report, path, units, paper)

    yield "sheets.pdf", make
    if report.day is not None:

        def of_the_day(report: Report, units: str, path: Path) -> None:
            from flatscan.report.paper import pdf

            pdf.write(report, path, units, paper, of_the_day=True)

        yield "day.pdf", of_the_day


def _page(report: Report, units: str, path: Path) -> None:
    from flatscan.report.page import page

    _save(path, page(report, units))


def _spreadsheets(*_: object) -> Iterator[Sheet]:
    from flatscan.report import exchange

    yield "offsets.csv", lambda report, _, path: _save(path, exchange.offsets(report))
    yield "spots.csv", lambda report, _, path: _save(path, exchange.spots(report))


def _dxf(report: Report, _: str, path: Path) -> None:
    from flatscan.report.exchange import write_dxf

    write_dxf(report, path)


def _surface(report: Report, _: str, path: Path) -> None:
    from flatscan.report import exchange

    exchange.surface(report, path)


def _explained(_: Report, result: Result, __: str) -> Iterator[Sheet]:
    yield "explain.txt", lambda _, units, path: _save(path, explain(result, units))


_MAKERS: dict[str, Callable[[Report, Result, str], Iterator[Sheet]]] = {
    "png": _pictures,
    "pdf": _book,
    "html": lambda *_: iter([("wall.html", _page)]),
    "csv": _spreadsheets,
    "json": lambda *_: iter(()),
    "dxf": lambda *_: iter([("wall.dxf", _dxf)]),
    "ply": lambda *_: iter([("wall.ply", _surface)]),
    "explain": _explained,
}
