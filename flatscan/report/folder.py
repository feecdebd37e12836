"""The sheets of one wall, by format, into a folder."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from flatscan.core.choices import EXTRA_FILES, PAPERS, SHEET_UNITS
from flatscan.core.errors import BadValue
from flatscan.jobs import Result
from flatscan.report.exchange import cells
from flatscan.report.explain import explain
from flatscan.report.placing import place
from flatscan.report.result_document import document, text
from flatscan.report.say import spoken
from flatscan.report.straightened import Photo
from flatscan.report.view import Findings, findings_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Maker = Callable[[Findings, str, Path], None]
USUAL = ("png", "pdf", "html", "csv", "json")
FORMATS = (*USUAL, *EXTRA_FILES, "explain")
RESULT = "result.json"


def write(
    result: Result,
    folder: str | Path,
    *,
    overwrite: bool = False,
    units: str = "mm",
    paper: str = "a4",
    photo: Photo | None = None,
    formats: Collection[str] = USUAL,
) -> tuple[Path, ...]:
    """Write the sheets of one wall into ``folder`` and return their paths, the result document last.

    A ``photo`` adds photo.png, the contour over the straightened photo; raises what `straightened.straighten` does.

    Everything is made beside the folder first and moved in when all of it is whole: a failed run leaves nothing.
    A folder that cannot be written, a sheet that stands there without ``overwrite``, or a full disk raises
    `OutputError`; a format that is not one of `FORMATS`, or other units than "mm" and "in",
    or another ``paper`` than "a4" and "letter", raises `BadValue`.
    """
    told = spoken(findings_of(result), units)
    sheets = _planned(result, told, formats, units, paper)
    if photo is not None:
        sheets.append(("photo.png", _figure(_over(photo))))
    if "json" in formats:
        sheets.append((RESULT, _result(result, [*(name for name, _ in sheets), RESULT])))
    return place(folder, [(name, partial(make, told, units)) for name, make in sheets], overwrite=overwrite)


def _planned(
    result: Result, findings: Findings, formats: Collection[str], units: str, paper: str
) -> list[tuple[str, Maker]]:
    for option, value, choices in (("--units", units, SHEET_UNITS), ("--paper", paper, PAPERS)):
        if value not in choices:
            raise BadValue(option, f"'{value}'", needed=" or ".join(choices), remedy="Choose one of the two")
    unknown = sorted(set(formats) - set(FORMATS))
    if unknown:
        raise BadValue(
            "formats", f"'{unknown[0]}'", needed=f"some of {', '.join(FORMATS)}", remedy="Leave the unknown format out"
        )
    made: list[tuple[str, Maker]] = []
    for name in FORMATS:
        if name in formats and name == "pdf":
            made.append(("sheets.pdf", _book(result, paper)))
        elif name in formats and name == "explain":
            made.append(("explain.txt", _explained(result)))
        elif name in formats:
            made += _MAKERS[name](findings, paper)
    return made


def _result(result: Result, names: Sequence[str]) -> Maker:
    def make(_: Findings, __: str, path: Path) -> None:
        path.write_text(text(document(result, names)), encoding="utf-8", newline="\n")

    return make


def _figure(draw: Callable[[Findings, str], Figure]) -> Maker:
    def make(findings: Findings, units: str, path: Path) -> None:
        from matplotlib import rcParams

        from flatscan.report.figures.style import sheet_style

        with sheet_style():
            # no software name and no date, so that the same input gives the same bytes
            draw(findings, units).savefig(path, dpi=rcParams["savefig.dpi"], metadata={"Software": None})

    return make


def _over(photo: Photo) -> Callable[[Findings, str], Figure]:
    def draw(findings: Findings, units: str) -> Figure:
        from flatscan.report.figures.photo import on_photo

        return on_photo(findings, photo, units)

    return draw


def _pictures(findings: Findings, _: str) -> list[tuple[str, Maker]]:
    from flatscan.report.figures import change_map, contour, plan, profiles

    sheets = [("contour.png", _figure(contour.contour))]
    if contour.has_gaps(findings):
        sheets.append(("gaps.png", _figure(contour.gap_map)))
    if profiles.can_be_drawn(findings):
        sheets.append(("sections.png", _figure(profiles.profiles)))
    if findings.compared is not None and findings.compared.change.relief.known_between:
        sheets.append(("change.png", _figure(change_map.change_map)))
    if findings.set_out is not None and findings.set_out.screeds:
        sheets.append(("setout.png", _figure(plan.set_out)))
    if findings.lows is not None:
        sheets.append(("lows.png", _figure(plan.low_map)))
    return sheets


def _cells_csv(findings: Findings, _: str, path: Path) -> None:
    path.write_text(cells.text(findings), encoding="utf-8", newline="\n")


def _spots_csv(findings: Findings, _: str, path: Path) -> None:
    path.write_text(cells.spots_text(findings), encoding="utf-8", newline="\n")


def _explained(result: Result) -> Maker:
    def make(_: Findings, units: str, path: Path) -> None:
        path.write_text(explain(result, units), encoding="utf-8", newline="\n")

    return make


def _dxf(findings: Findings, _: str, path: Path) -> None:
    from flatscan.report.exchange import dxf

    dxf.write(findings, path)


def _surface(findings: Findings, _: str, path: Path) -> None:
    from flatscan.report.exchange import surface

    surface.write(findings, path)


def _page(findings: Findings, units: str, path: Path) -> None:
    from flatscan.report.page import page

    path.write_text(page(findings, units), encoding="utf-8", newline="\n")


def _book(result: Result, paper: str) -> Maker:
    def make(_: Findings, units: str, path: Path) -> None:
        from flatscan.report.paper import pdf

        pdf.write(result, path, units, paper)

    return make


_MAKERS: dict[str, Callable[[Findings, str], list[tuple[str, Maker]]]] = {
    "png": _pictures,
    "html": lambda *_: [("wall.html", _page)],
    "csv": lambda *_: [("offsets.csv", _cells_csv), ("spots.csv", _spots_csv)],
    "json": lambda *_: [],
    "dxf": lambda *_: [("wall.dxf", _dxf)],
    "ply": lambda *_: [("wall.ply", _surface)],
}
