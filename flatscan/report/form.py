"""The blank survey form: numbered stations in walking order on paper, and the table to type them into."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from flatscan import __version__
from flatscan.capture.grid_checks import CONTROL_MOVE
from flatscan.capture.grid_head import BOXES, POINTS, head_lines
from flatscan.core.errors import BadValue
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, slope
from flatscan.core.units import METRES_PER, feet_and_inches, length_text
from flatscan.jobs.actions import laser_cautions
from flatscan.report.figures.style import FAINT, INK, PAPER, PAPERS, font, new_figure, sheet_style
from flatscan.report.figures.style import write as lettered
from flatscan.report.paper.flow import Flow
from flatscan.report.placing import Make, place
from flatscan.report.result_document import plain_values
from flatscan.report.say import say
from flatscan.report.tables import Column, Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# methods/trade 11: 100 mm in from edges; at floor, waist, head and ceiling; 1.2 m between screeds
EDGE, WAIST, HEAD = 0.1, 1.0, 1.8
_LEAST, _MOST = 0.4, 30.0
_MOST_STATIONS = 200


@dataclass(frozen=True, slots=True)
class Blank:
    """The wall a form is for: ``width``, ``height`` [m], most metres between columns, its name, if any, and units.

    In inches its stations stand at whole inches.

    A size under 0.4 m or over 30 m, a spacing under 0.1 m, or more than 200 stations raises `BadValue`.
    """

    width: float = 4.0
    height: float = 2.4
    spacing: float = 1.2
    title: str = ""
    units: str = "mm"

    def __post_init__(self) -> None:
        for name, value in (("width", self.width), ("height", self.height)):
            if not _LEAST <= value <= _MOST:
                raise BadValue(
                    f"{{set:{name}}}",
                    "{value:span}",
                    needed="a wall of {least:span} to {most:span}",
                    remedy="Check the unit",
                    value=metres(value),
                    least=metres(_LEAST),
                    most=metres(_MOST),
                )
        if not EDGE <= self.spacing <= _MOST:
            raise BadValue(
                "{set:spacing}",
                "{spacing:span}",
                needed="{least:span} to {most:span}",
                remedy="Check the unit",
                spacing=metres(self.spacing),
                least=metres(EDGE),
                most=metres(_MOST),
            )
        count = len(stations(self))
        if count > _MOST_STATIONS:
            raise BadValue(
                "{set:spacing}",
                "{spacing:span} makes {count:count} stations",
                needed="at most {most:count} on one form",
                remedy="Choose a wider spacing, or make a form for each part of the wall",
                spacing=metres(self.spacing),
                count=count,
                most=_MOST_STATIONS,
            )


def stations(blank: Blank) -> tuple[tuple[float, float], ...]:
    """Places [m] in the order they are walked: up the first column, down the next, from left to right."""
    apart = blank.width - 2 * EDGE
    columns = max(1, math.ceil(apart / blank.spacing - 1e-9))
    step = METRES_PER["in"] if blank.units == "in" else 0.001
    across = [round(round((EDGE + apart * k / columns) / step) * step, 6) for k in range(columns + 1)]
    top = round(round((blank.height - EDGE) / step) * step, 6)
    # rows nearer to the ceiling's than 200 mm are that row
    up = [*(round(round(y / step) * step, 6) for y in (EDGE, *_rows(top)) if y < top - 0.2), top]
    order = []
    for number, x in enumerate(across):
        order += [(x, y) for y in (up if number % 2 == 0 else reversed(up))]
    return tuple(order)


def _rows(top: float) -> list[float]:
    """Waist and head, and above them one row for each metre of a taller wall."""
    return [WAIST, HEAD, *(float(y) for y in np.round(np.arange(HEAD + 1.0, top, 1.0), 3))]


def template(blank: Blank) -> str:
    """The form as a laser-offset grid in long form, in walking order, with "-" where a reading goes.

    In inches its places are feet and inches. Lines left with dashes say nothing.
    """
    title = " ".join(blank.title.replace(",", " ").split())
    lines = (f"{word}, {', '.join('-' * count)}" for words, count in ((BOXES, 4), (POINTS, 3)) for word in words)
    more = ("control, -, -", f"wall, {title or '-'}", *lines)
    written, at = (feet_and_inches, feet_and_inches) if blank.units == "in" else ("{:g} m".format, "{:g}".format)
    head = head_lines(blank.width, blank.height, more, unit=blank.units, written=written)
    return "\n".join([*head, *(f"{at(x)}, {at(y)}, -" for x, y in stations(blank))]) + "\n"


def files(blank: Blank, *, paper: str = "a4", units: str = "mm", record: bool = False) -> list[tuple[str, Make]]:
    """form.pdf to print and readings.csv to type into: their names, and what makes each at a path.

    With ``record`` record.pdf asks for what a record of measurement says beside its numbers.
    """
    given = replace(blank, units=units)

    def book(path: Path) -> None:
        write_pdf(given, path, units, paper)

    def table(path: Path) -> None:
        path.write_text(template(given), encoding="utf-8", newline="\n")

    def beside(path: Path) -> None:
        _save(record_form(given, units, paper), path, say(note("job-form.title")))

    asked: list[tuple[str, Make]] = [("record.pdf", beside)] if record else []
    return [("form.pdf", book), *asked, ("readings.csv", table)]


def form_document(blank: Blank) -> dict[str, object]:
    """The form as a document: the wall's size and the stations in walking order."""
    places = [{"number": k, "x_mm": x, "y_mm": y} for k, (x, y) in enumerate(stations(blank), 1)]
    size = {"width_mm": blank.width, "height_mm": blank.height, "spacing_mm": blank.spacing}
    return plain_values({"title": blank.title, **size, "stations": places})


def write(
    folder: str | Path, blank: Blank | None = None, *, paper: str = "a4", units: str = "mm", overwrite: bool = False
) -> tuple[Path, ...]:
    """Write form.pdf to print and readings.csv to type into; returns their paths. Raises what `placing.place` does."""
    return place(folder, files(blank or Blank(), paper=paper, units=units), overwrite=overwrite)


_MARGIN = 0.5
# a last page filled less than this is a rest; then smaller type is tried
_LEAST_FILLED, _SCALES = 0.4, (0.94, 0.88, 0.82)
SENSE = "BIG = HOLLOW"
# more stations than this leave no room for boxes on the drawing: the list has them
_BOXED = 48
CONDITION = (
    note("survey-form.damp"),
    note("survey-form.blown"),
    note("survey-form.cracks"),
    note("survey-form.bulge"),
    note("survey-form.old-coatings"),
    note("survey-form.services"),
    note("survey-form.background"),
    note("survey-form.suction"),
)


def before_reading() -> tuple[str, ...]:
    """What stands before anybody sets up a laser."""
    return tuple(map(say, laser_cautions()))


# the two marks of a laser turned half round lie this far apart at most, as a slope (methods/trade 11)
_TURNED = 0.0006
# how far off the example of it is: a round number in the units of the form
_REACH = {"mm": 5.0, "in": 20 * METRES_PER["ft"]}
# what a rule against a laser line is read to
_READ_TO = 0.0005


def checks(units: str = "mm") -> tuple[Note, ...]:
    """What to see to before reading, in order; the example of the laser's check is round in these units."""
    reach = _REACH[units]
    return (
        note("survey-form.stand"),
        note("survey-form.turned", apart=slope(_TURNED), most=metres(_TURNED * reach), reach=metres(reach)),
        note("survey-form.again", moved=metres(CONTROL_MOVE)),
        note("survey-form.square", step=metres(_READ_TO)),
        note("survey-form.hunt"),
    )


def write_pdf(blank: Blank, path: Path, units: str = "mm", paper: str = "a4") -> None:
    """Write the form; the same wall gives the same bytes. A paper that is not "a4" or "letter" raises `BadValue`."""
    if paper not in PAPERS:
        needed = " or ".join(PAPERS)
        raise BadValue("{set:paper}", "'{paper}'", needed=needed, remedy="Choose one of the two", paper=paper)
    with sheet_style():
        leaves = pages(blank, units, paper)
    _save(leaves, path, "Survey form")


def _save(leaves: Sequence[Figure], path: Path, title: str) -> None:
    """Write pages as a PDF, each with its number."""
    from matplotlib.backends.backend_pdf import PdfPages

    about = {"Title": title, "Creator": f"flatscan {__version__}", "Producer": "matplotlib"}
    with sheet_style(), PdfPages(path, metadata={**about, "CreationDate": None, "ModDate": None}) as book:
        for number, page in enumerate(leaves, 1):
            wide, high = page.get_size_inches()
            said = f"page {number} of {len(leaves)}"
            page.text(1 - 0.4 / wide, 0.3 / high, said, fontproperties=font(8), ha="right", va="bottom")
            book.savefig(page)


def pages(blank: Blank, units: str, paper: str) -> list[Figure]:
    """The elevation to stand in front of the wall with, then the lists to fill in."""
    return [elevation(blank, units, paper), *_lists(blank, units, paper)]


# lines to write statements on
_STATEMENTS = 5
# of each part its heading, fields two on a line, and fields that take one of their own
_ASKED = (
    (
        "job-form.whose",
        (
            "job-form.number",
            "job-form.version",
            "job-form.issued",
            "job-form.client",
            "job-form.wall",
            "job-form.drawing",
        ),
        ("job-form.report", "job-form.project", "job-form.contract", "job-form.clause", "job-form.stage"),
    ),
    (
        "job-form.how",
        (
            *("job-form.captured", "job-form.instrument", "job-form.serial", "job-form.calibrated"),
            *("job-form.distance", "job-form.incidence"),
        ),
        ("job-form.place", "job-form.conditions", "job-form.people", "job-form.deviations"),
    ),
)


def record_form(blank: Blank, units: str, paper: str) -> list[Figure]:
    """One page that asks for every field of a plan's [job], and for statements in the words of who signs them."""
    with sheet_style():
        flow = Flow(blank.title or " ", say(note("job-form.title")), units, paper, 0.94)
        flow.say(say(note("job-form.why")))
        for head, beside, whole in _ASKED:
            flow.heading(say(note(head)))
            flow.fill_in([say(note(code)) for code in beside], columns=2)
            flow.fill_in([say(note(code)) for code in whole])
        flow.heading(say(note("job-form.in-words")))
        flow.fill_in([""], lines=_STATEMENTS)
        return flow.pages


def elevation(blank: Blank, units: str, paper: str) -> Figure:
    """The wall with its stations numbered in walking order and a box at each for the reading."""
    wide, high = PAPERS[paper]
    figure = new_figure((wide, high))
    top = lettered(figure, _MARGIN, high - _MARGIN, f"Laser readings: {SENSE}", size=18, weight="bold")
    size = f"{length_text(blank.width, units)} x {length_text(blank.height, units)}"
    top = lettered(
        figure, _MARGIN, top, f"{blank.title or 'Wall: ______________________'}   {size}", size=10, room=wide - 1
    )
    for text in before_reading():
        top = lettered(figure, _MARGIN, top - 0.02, f"! {text}", size=8.5, room=wide - 2 * _MARGIN, lines=2)
    box = (_MARGIN + 0.6, 1.3, wide - 2 * _MARGIN - 1.1, top - 1.3 - 0.15)
    axes = figure.add_axes((box[0] / wide, box[1] / high, box[2] / wide, box[3] / high))
    _wall(axes, blank, units)
    lettered(
        figure,
        _MARGIN,
        0.62,
        say(note("survey-form.reading", unit="inches" if units == "in" else units)),
        size=9,
        room=wide - 2 * _MARGIN,
    )
    return figure


def _wall(axes: Axes, blank: Blank, units: str) -> None:
    from matplotlib.patches import Rectangle

    axes.set_aspect("equal", anchor="N")
    axes.set_xlim(0, blank.width)
    axes.set_ylim(0, blank.height)
    axes.add_patch(
        Rectangle((0, 0), blank.width, blank.height, fill=False, edgecolor=INK, linewidth=1.6, clip_on=False)
    )
    axes.apply_aspect()
    places = stations(blank)
    across, up = sorted({x for x, _ in places}), sorted({y for _, y in places})
    axes.set_xticks(across, [_mark(x, units) for x in across])
    axes.set_yticks(up, [_mark(y, units) for y in up])
    unit = "" if units == "in" else ", mm"
    axes.set_xlabel(f"from the left corner{unit}")
    axes.set_ylabel(f"up from the floor{unit}")
    axes.plot(*zip(*places, strict=True), color=FAINT, linewidth=0.6, linestyle=(0, (4, 3)))
    for number, at in enumerate(places, 1):
        axes.annotate(
            f"{number}",
            at,
            ha="center",
            va="center",
            fontproperties=font(8, "bold"),
            annotation_clip=False,
            bbox={"boxstyle": "circle,pad=0.2", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.9},
            zorder=5,
        )
        if len(places) <= _BOXED:
            _reading_box(axes, at)


def _mark(at: float, units: str) -> str:
    """A place at an axis that carries the mm; inches carry their own unit."""
    return length_text(at, units) if units == "in" else f"{at * 1000:.0f}"


def _reading_box(axes: Axes, at: tuple[float, float]) -> None:
    """An empty box beside a station, as large on paper on every form."""
    from matplotlib.patches import Rectangle

    inch = axes.get_xlim()[1] / (axes.get_window_extent().width / axes.figure.dpi)
    wide, tall = 0.5 * inch, 0.22 * inch
    left = at[0] + 0.15 * inch
    # inside the wall's right edge, whose line would cross it
    left = left if left + wide < axes.get_xlim()[1] - 0.02 * inch else at[0] - 0.15 * inch - wide
    box = Rectangle((left, at[1] - tall / 2), wide, tall, facecolor=PAPER, edgecolor=INK, linewidth=0.8, zorder=5)
    box.set_clip_on(False)
    axes.add_patch(box)


def _lists(blank: Blank, units: str, paper: str) -> list[Figure]:
    """The lists, in type so small that their last page is no rest of a few lines, if that helps."""
    usual = _filled(blank, units, paper, 1.0)
    if usual.used >= _LEAST_FILLED:
        return usual.pages
    smaller = (_filled(blank, units, paper, scale) for scale in _SCALES)
    better = next((flow for flow in smaller if len(flow.pages) < len(usual.pages)), usual)
    return better.pages


def _filled(blank: Blank, units: str, paper: str, scale: float) -> Flow:
    flow = Flow(blank.title or "Wall: ______________________", f"Survey form: {SENSE}", units, paper, scale)
    flow.cautions((), before_reading())
    flow.fill_in(("Wall, room and date", "Instrument", "Who read, who wrote", "Width and height, taped"))
    flow.heading("Before reading")
    flow.tick_list([say(check, units) for check in checks(units)])
    flow.fill_in(("Control: number 1 read first", "number 1 read again last"))
    flow.table(_station_table(blank), spans=(0.6, 1.3, 1.0, 2.2, 1.7))
    box = ("no.", "left edge", "foot", "right edge", "top")
    for title, mark, count in (
        ("Openings: door, window", "O", 4),
        ("Chases: filled first, priced apart", "P", 3),
        ("Not to be plastered", "N", 3),
    ):
        flow.table(_empty(title, box, mark, count), spans=(0.6, 1.5, 1.5, 1.5, 1.5))
    high = ("no.", "from left", "up", f"reading, {SENSE}", "what is there")
    flow.table(_empty("High spots found between the stations", high, "H", 8), spans=(0.6, 1.3, 1.0, 2.2, 1.7))
    fixed = ("no.", "from left", "up", f"reading, {SENSE}", "lining, bead, frame")
    flow.table(_empty("Linings and beads to finish flush with", fixed, "F", 6), spans=(0.6, 1.3, 1.0, 2.2, 1.7))
    flow.heading("Condition: tick what was seen, and write where")
    flow.tick_list([f"{say(seen, units)}: ______________________" for seen in CONDITION])
    flow.heading("Not examined")
    flow.say(f"A survey of the shape does not see {say(note('report.never'))}.")
    flow.sign(("read by", "in the presence of"))
    return flow


def _station_table(blank: Blank) -> Table:
    columns = (
        Column("number", "no."),
        Column("x_mm", "from left"),
        Column("y_mm", "up"),
        Column("reading", f"reading, {SENSE}"),
        Column("note", "note"),
    )
    rows = tuple((number, x, y, "", "") for number, (x, y) in enumerate(stations(blank), 1))
    return Table("stations", "Readings in walking order", columns, rows, "no station")


def _empty(title: str, heads: tuple[str, ...], mark: str, count: int) -> Table:
    columns = tuple(Column(f"c{k}", head) for k, head in enumerate(heads))
    rows = tuple((f"{mark}{k}", *(("",) * (len(heads) - 1))) for k in range(1, count + 1))
    return Table(title.lower(), title, columns, rows, "none")
