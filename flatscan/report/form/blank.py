"""Where the stations of a blank form stand, and the CSV that reads back in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.report.placing import place

# TRADE, Reading a wall with a laser: 100 mm in from edges; at floor, waist, head and ceiling; 1.2 m between screeds
EDGE, WAIST, HEAD = 0.1, 1.0, 1.8
_LEAST, _MOST = 0.4, 30.0
_MOST_STATIONS = 200


@dataclass(frozen=True, slots=True)
class Blank:
    """The wall a form is for: ``width``, ``height`` [m], most metres between columns, and its name, if any.

    A size under 0.4 m or over 30 m, a spacing under 0.1 m, or more than 200 stations raises `BadValue`.
    """

    width: float = 4.0
    height: float = 2.4
    spacing: float = 1.2
    title: str = ""

    def __post_init__(self) -> None:
        for name, value in (("--width", self.width), ("--height", self.height)):
            if not _LEAST <= value <= _MOST:
                raise BadValue(
                    name, f"{value:g} m", needed=f"a wall of {_LEAST:g} to {_MOST:g} m", remedy="Check the unit"
                )
        if not EDGE <= self.spacing <= _MOST:
            raise BadValue("--spacing", f"{self.spacing:g} m", needed=f"{EDGE:g} m or more", remedy="Check the unit")
        count = len(stations(self))
        if count > _MOST_STATIONS:
            raise BadValue(
                "--spacing",
                f"{self.spacing:g} m makes {count} stations",
                needed=f"at most {_MOST_STATIONS} on one form",
                remedy="Choose a wider spacing, or make a form for each part of the wall",
            )


def stations(blank: Blank) -> tuple[tuple[float, float], ...]:
    """Places [m] in the order they are walked: up the first column, down the next, from left to right."""
    apart = blank.width - 2 * EDGE
    columns = max(1, math.ceil(apart / blank.spacing - 1e-9))
    across = [round(EDGE + apart * k / columns, 3) for k in range(columns + 1)]
    top = round(blank.height - EDGE, 3)
    # rows nearer to the ceiling's than 200 mm are that row
    up = [EDGE, *(y for y in _rows(top) if y < top - 0.2), top]
    order = []
    for number, x in enumerate(across):
        order += [(x, y) for y in (up if number % 2 == 0 else reversed(up))]
    return tuple(order)


def _rows(top: float) -> list[float]:
    """Waist and head, and above them one row for each metre of a taller wall."""
    return [WAIST, HEAD, *(float(y) for y in np.round(np.arange(HEAD + 1.0, top, 1.0), 3))]


def template(blank: Blank) -> str:
    """The form as a laser-offset grid in long form, in walking order, with "-" where a reading goes."""
    title = " ".join(blank.title.replace(",", " ").split())
    head = [
        "units, mm",
        "sense, big = hollow",
        f"width, {blank.width:g} m",
        f"height, {blank.height:g} m",
        "control, -, -",
        f"wall, {title or '-'}",
        "",
        "x, y, reading",
    ]
    return "\n".join([*head, *(f"{x:g}, {y:g}, -" for x, y in stations(blank))]) + "\n"


def write(
    folder: str | Path, blank: Blank | None = None, *, paper: str = "a4", units: str = "mm", overwrite: bool = False
) -> tuple[Path, ...]:
    """Write form.pdf to print and readings.csv to type into; returns their paths. Raises what `placing.place` does."""
    from flatscan.report.form.printed import write_pdf

    given = blank or Blank()

    def book(path: Path) -> None:
        write_pdf(given, path, units, paper)

    def table(path: Path) -> None:
        path.write_text(template(given), encoding="utf-8", newline="\n")

    return place(folder, (("form.pdf", book), ("readings.csv", table)), overwrite=overwrite)
