"""A series of surveys in words, as a document and as a list of spots."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Iterator
from pathlib import Path

from flatscan.jobs.series import NOTHING, Series, Step
from flatscan.report import change_tables, words
from flatscan.report.numbers import record
from flatscan.report.placing import place
from flatscan.report.result_document import text
from flatscan.report.say import spoken
from flatscan.report.view import findings_of

SCHEMA, WIDTH = 1, 79


def series_document(series: Series) -> dict[str, object]:
    """The series as a document: surveys, what was done between, and every spot with its depth at each survey."""
    series = spoken(series)
    steps = [
        {
            "from": series.files[k], "to": series.files[k + 1], "done": step.done, "shrunk": step.shrunk,
            "compare": change_tables.section(spoken(findings_of(step.change))),
            "warnings": list(dict.fromkeys(step.change.notes)),
        }
        for k, step in enumerate(series.steps)
    ]  # fmt: skip
    spots = [
        record({"number": e.number, "x_mm": e.x, "y_mm": e.y, "depths_mm": e.depths}) | {"state": e.state}
        for e in series.spots
    ]
    plain = record({"limit_mm": series.limit})
    return {
        "schema": SCHEMA, "command": "compare",
        "series": plain | {"surveys": list(series.files), "steps": steps, "spots": spots,
                           "left_out": list(series.left_out)},
    }  # fmt: skip


def series_text(series: Series, units: str = "mm") -> str:
    """The series for one screen."""
    series = spoken(series, units)
    lines: list[str] = []
    for sentence in _sentences(series, units):
        lines += textwrap.wrap(sentence, WIDTH, subsequent_indent="  ")
    return "\n".join(lines) + "\n"


def _sentences(series: Series, units: str) -> Iterator[str]:
    yield f"{len(series.files)} surveys of one wall, {series.files[0]} to {series.files[-1]}."
    for name in series.left_out:
        yield f"Left out, no capture: {name}."
    for k, step in enumerate(series.steps):
        yield f"{series.files[k]} to {series.files[k + 1]}: {_done(step, units)}"
    limit = words.length(series.limit, units, decimals=1)
    if not series.spots:
        yield f"No low spot over {limit} in any survey."
    else:
        number = sum(entry.state != "closed" for entry in series.spots)
        yield f"Low spots over {limit}: {len(series.spots)} found, {number} open, {len(series.spots) - number} closed."
    for entry in series.spots:
        depths = " / ".join("-" if d is None else words.bare(d, units, decimals=1) for d in entry.depths)
        unit = " mm" if units == "mm" else ""
        yield f"  L{entry.number} {entry.state}: {words.place((entry.x, entry.y), units)}; {depths}{unit}"
    if any(entry.state == "closed" for entry in series.spots):
        yield "Closed means not found over the limit by the last survey; whoever signs it off looks at it."
    yield f"Not examined: {words.NEVER}."
    yield words.RECORD


def _done(step: Step, units: str) -> str:
    change = step.change.difference
    if change.mean is None:
        return f"{step.done}, in shape only: nothing fixes one survey against the other out of the wall's plane."
    mean = words.quantity(change.mean.value, change.mean.u, units)
    said = f"{step.done}; mean change {mean}, {words.area(change.changed_share * change.compared_area, units)} changed."
    if step.done == NOTHING:
        seen = (
            "It came back by more than the ±, as drying would make it." if step.shrunk else "No shrinkage beyond the ±."
        )
        return f"{said} {seen}"
    return said


def write_series(series: Series, folder: str | Path, *, overwrite: bool = False) -> tuple[Path, ...]:
    """Write series.json and spots.csv into a folder, both or none; raises `OutputError`."""

    def document(path: Path) -> None:
        path.write_text(text(series_document(series)), encoding="utf-8", newline="\n")

    def spots(path: Path) -> None:
        path.write_text(_spots_csv(series), encoding="utf-8", newline="\n")

    return place(folder, [("spots.csv", spots), ("series.json", document)], overwrite=overwrite)


def _spots_csv(series: Series) -> str:
    """One line a spot: number, state, x_mm, y_mm, then its depth in mm at each survey, empty where it was not found."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["number", "state", "x_mm", "y_mm", *(f"{name} depth_mm" for name in series.files)])
    for entry in series.spots:
        row = record({"x_mm": entry.x, "y_mm": entry.y, "depths_mm": entry.depths})
        depths = row["depths_mm"]
        assert isinstance(depths, list)
        writer.writerow(
            [entry.number, entry.state, row["x_mm"], row["y_mm"], *("" if d is None else d for d in depths)]
        )
    return out.getvalue()
