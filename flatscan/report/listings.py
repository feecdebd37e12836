"""Beside the report of a wall: a series of surveys."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from flatscan.compare import Entry
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres, square_metres
from flatscan.jobs.series import ADDED, BOTH, NOTHING, REMOVED, Series, Step
from flatscan.report.job_folder import Subject, put_sheets, sheet_name
from flatscan.report.reporting import report_of
from flatscan.report.result_document import SCHEMA, plain_values, text
from flatscan.report.say import finished, say

_SCREEN = 79
_DONE = {
    ADDED: "series.added",
    REMOVED: "series.removed",
    BOTH: "series.added-and-removed",
    NOTHING: "series.nothing",
}
_STATES = {"open": "series.open", "closed": "series.closed", "open again": "series.open-again"}


def series_document(series: Series) -> dict[str, object]:
    """The series as a document: surveys, what was done between, and every spot with its depth at each survey."""
    steps = [
        {
            "from": earlier,
            "to": later,
            "done": step.done,
            "shrunk": step.shrunk,
            "compare": _compared(step),
            "warnings": list(dict.fromkeys(say(said) for said in step.change.notes)),
        }
        for earlier, later, step in _steps(series)
    ]
    spots = [
        {"number": spot.number, "x_mm": spot.x, "y_mm": spot.y, "depths_mm": spot.depths, "state": spot.state}
        for spot in series.spots
    ]
    surveys = {"limit_mm": series.limit, "surveys": list(series.files)}
    surveys |= {"steps": [], "spots": spots, "left_out": list(series.left_out)}
    document = plain_values({"schema": SCHEMA, "command": "compare", "series": surveys})
    inner = document["series"]
    assert isinstance(inner, dict)
    return document | {"series": inner | {"steps": steps}}


def _steps(series: Series) -> Iterator[tuple[str, str, Step]]:
    yield from zip(series.files, series.files[1:], series.steps, strict=False)


def _compared(step: Step) -> object:
    section = report_of(step.change).section("compare")
    assert section is not None
    return plain_values({"compare": section.values})["compare"]


def series_text(series: Series, units: str = "mm") -> str:
    """The series for one screen."""
    lines: list[str] = []
    for said in _sentences(series):
        lines += textwrap.wrap(finished(said, units), _SCREEN, subsequent_indent="  ")
    return "\n".join(lines) + "\n"


def _sentences(series: Series) -> Iterator[Note]:
    files = series.files
    yield note("series.surveys", surveys=len(files), first=files[0], last=files[-1])
    for name in series.left_out:
        yield note("series.left-out", file=name)
    for earlier, later, step in _steps(series):
        yield _done(earlier, later, step)
    limit = metres(series.limit)
    if not series.spots:
        yield note("series.no-spot", limit=limit)
    else:
        found = len(series.spots)
        left = sum(spot.state != "closed" for spot in series.spots)
        yield note("series.spots", limit=limit, found=found, open=left, closed=found - left)
    for spot in series.spots:
        yield _spot(spot)
    if any(spot.state == "closed" for spot in series.spots):
        yield note("series.closed-means")
    yield note("report.not-examined", what=(note("report.never"),))
    yield note("report.record")


def _spot(spot: Entry) -> Note:
    depths = tuple(
        note("series.not-found") if depth is None else note("series.depth", depth=metres(depth))
        for depth in spot.depths
    )
    state = note(_STATES[spot.state])
    return note("series.spot", (spot.x, spot.y), number=spot.number, state=state, depths=depths)


def _done(earlier: str, later: str, step: Step) -> Note:
    change = step.change.difference
    between: dict[str, Any] = {
        "earlier": earlier,
        "later": later,
        "done": note(_DONE[step.done]),
    }
    if change.mean is None:
        return note("series.step-in-shape", None, **between)
    mean = Quantity(change.mean.value, change.mean.u, "m")
    changed = square_metres(change.changed_share * change.compared_area)
    said = note("series.step", None, mean=mean, changed=changed, **between)
    if step.done != NOTHING:
        return said
    return note("series.shrunk" if step.shrunk else "series.not-shrunk", step=said)


def write_series(series: Series, folder: str | Path, *, overwrite: bool = False) -> tuple[Path, ...]:
    """Write the series and its spots into a folder, both or none; raises what `job_folder.put_sheets` does."""

    def document(path: Path) -> None:
        path.write_text(text(series_document(series)), encoding="utf-8", newline="\n")

    def spots(path: Path) -> None:
        path.write_text(_spots_csv(series), encoding="utf-8", newline="\n")

    last = series.steps[-1].change
    sheets = [
        (sheet_name(last.command, name), make) for name, make in (("spots.csv", spots), ("series.json", document))
    ]
    subject = Subject.of(last)
    return put_sheets(folder, last.command, sheets, subject, overwrite=overwrite)


def _spots_csv(series: Series) -> str:
    """One line a spot: number, state, x_mm, y_mm, then its depth in mm at each survey, empty where it was not found."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["number", "state", "x_mm", "y_mm", *(f"{name} depth_mm" for name in series.files)])
    for spot in series.spots:
        row = plain_values({"x_mm": spot.x, "y_mm": spot.y, "depths_mm": list(spot.depths)})
        depths = row["depths_mm"]
        assert isinstance(depths, list)
        writer.writerow([spot.number, spot.state, row["x_mm"], row["y_mm"], *("" if d is None else d for d in depths)])
    return out.getvalue()
