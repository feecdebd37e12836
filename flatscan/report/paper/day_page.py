"""The sheet of the day: one upright page for the wall itself, what does not fit on it overleaf, nothing on another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flatscan.core.notes import Caution, Note, note
from flatscan.core.quantity import metres
from flatscan.plan.day import Line, Step
from flatscan.plan.materials import TAGS
from flatscan.report.elevations import reach_of
from flatscan.report.figures.day_wall import LEFT_OVER, DayWall
from flatscan.report.figures.style import (
    FAINT,
    INK,
    PAPERS,
    POINTS,
    after,
    fitted,
    font,
    new_figure,
    printable,
    width,
    wrapped,
    write,
)
from flatscan.report.paper.flow import Flow, boxed
from flatscan.report.parts import in_short
from flatscan.report.reporting import stop_signs
from flatscan.report.say import finished, printed, say
from flatscan.report.sections.day_section import clock, use_by
from flatscan.report.sections.work_section import dots

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from flatscan.report.parts import Report
    from flatscan.report.sections.day_section import DaySheet

_MARGIN, _FOOT, _GUTTER, _HEAD = 0.45, 0.85, 0.22, 0.72
# the column of steps beside the wall is this wide; a wall that is drawn so much larger across the page stands over them
_STEPS, _LARGER = 2.55, 1.15
# room under the wall for the places of its screeds, the scale bar and what the figures are
_UNDER = 0.75
# highest share of the page's height that a wall across the page takes
_ACROSS = 0.45
_SIZES = (13.0, 12.5, 12.0, 11.5, 11.0, 10.5, 10.0, 9.5, 9.0, 8.5)
# type of what stands overleaf, over the usual
_OVERLEAF = (1.45, 1.25, 1.1)
_LEADING, _BETWEEN, _INDENT = 1.22, 0.07, 0.24
# marks of figures that were not printed, by how sure they are
_SIGNS = dict(zip(TAGS, ("", "†", "*", "**"), strict=True))
_TAG_WORDS = {
    "derived": "day.tag-derived",
    "common practice": "day.tag-common-practice",
    "from memory": "day.tag-from-memory",
}


@dataclass(frozen=True, slots=True)
class _Row:
    """One line of a step: its words, indent [inches], size and weight."""

    text: str
    indent: float
    size: float
    weight: str = "normal"


@dataclass(frozen=True, slots=True)
class _Column:
    """A place for steps: left and right, top and bottom [inches]."""

    left: float
    right: float
    top: float
    bottom: float


def pages(report: Report, units: str, paper: str, *, listed: bool = False) -> list[Figure]:
    """The sheet of the day, and overleaf what did not fit on it; nothing where no work was planned.

    ``listed``: another sheet of the set has the list of dots.
    """
    if report.day is None:
        return []
    sheet = _Sheet(report, report.day, units, paper, listed)
    return [*sheet.pages(), *sheet.together()]


class _Sheet:
    """One wall's sheet: head, the wall, the steps, the foot."""

    def __init__(self, report: Report, sheet: DaySheet, units: str, paper: str, listed: bool) -> None:
        wide, high = PAPERS[paper]
        self.size = (high, wide)
        self.report, self.sheet, self.units, self.paper, self.listed = report, sheet, units, paper, listed
        self.page = new_figure(self.size)
        self.steps = sheet.day.steps

    def pages(self) -> list[Figure]:
        """The page, and overleaf steps and packings that found no room on it."""
        top = self._head()
        rect, columns = self._layout(top)
        wall = DayWall(self.page, self.sheet, rect, self.units)
        wall.draw()
        shown = self._write_steps(self._under(wall, columns))
        self._foot(wall, shown, columns[0].left - _GUTTER)
        rest = self._overleaf(shown, wall)
        return [self.page, *rest]

    def _head(self) -> float:
        """Name, plan, stop signs, cautions, then thickness, material, laser in big letters; returns the y under it."""
        wide, high = self.size
        room = wide - 2 * _MARGIN
        right = say(note("day.plan", plan=self.sheet.plan), self.units)
        aside = width(printable(right), 9) + 0.15
        lines, size = fitted(say(self.report.name, self.units), room - aside, 15, 9, 2, "bold")
        y = high - _MARGIN
        write(self.page, wide - _MARGIN - aside + 0.15, y - 0.04, right, size=9)
        for line in lines:
            y = write(self.page, _MARGIN, y, line, size=size, weight="bold")
        leading = (finished(printed(self.report.leading), self.units),) if self.report.leading else ()
        for said in (*leading, *(say(sign, self.units) for sign in stop_signs(self.report))):
            at = _MARGIN, y - 0.02
            y = write(self.page, *at, said, size=11, weight="bold", room=room, lines=4, smallest=7, first=True)
        y = self._cautions(y - 0.03, room) - 0.06
        cells = list(self._cells())
        share = [2.1, 2.9, 1.6][: len(cells)]
        left = _MARGIN
        for (head, big, small), part in zip(cells, share, strict=True):
            span = room * part / sum(share)
            self._box(left, y, span, _HEAD)
            write(self.page, left + 0.07, y - 0.05, head, size=7, room=span - 0.14, colour=FAINT)
            self._big(left + 0.07, y, span - 0.14, big)
            write(self.page, left + 0.07, y - 0.53, small, size=8.5, room=span - 0.14, smallest=6)
            left += span
        y -= _HEAD + 0.2
        if self.report.doubt:
            doubt = say(note("day.doubt", doubt=printed(self.report.doubt)), self.units)
            y = write(self.page, _MARGIN, y + 0.13, doubt, size=9, room=room, lines=2) - 0.16
        return y

    def _cautions(self, y: float, room: float) -> float:
        """What the steps may hurt by, before all of them; returns the y under it."""
        here = {one for some in self.sheet.warned for one in some}
        lines = in_short(one for one in self.report.cautions if one in here)
        if not lines:
            return y
        said = f"! {' '.join(finished(line, self.units) for line in lines)}"
        return write(self.page, _MARGIN, y, said, size=10, room=room, lines=8, smallest=7, first=True)

    def _big(self, left: float, top: float, room: float, text: str) -> None:
        """Big words on one line, or smaller on two."""
        one, size = fitted(text, room, 15, 11.5, 1, "bold")
        if one[0].endswith("…"):
            write(self.page, left, top - 0.16, text, size=11, weight="bold", room=room, lines=2, smallest=7.5)
        else:
            write(self.page, left, top - 0.18, text, size=size, weight="bold", room=room, smallest=7.5)

    def _cells(self) -> Iterator[tuple[str, str, str]]:
        day, units = self.sheet.day, self.units
        mean = say(self.sheet.mean, units)
        yield say(note("day.head-thickness")), say(self.sheet.thickness, units), mean
        order = say(self.sheet.order, units)
        yield say(note("day.head-material")), order or say(note("report.unknown")), say(self.sheet.volume, units)
        if day.reads is not None:
            reads = say(note("day.reads-big", reading=metres(day.reads)), units)
            yield say(note("day.head-laser")), reads, say(note("day.reads-small"))

    def _layout(self, top: float) -> tuple[tuple[float, float, float, float], list[_Column]]:
        """The wall's rectangle and the columns of steps: beside each other, or the steps under a wide wall."""
        wide, high = self.size
        span, tall = reach_of(self.sheet.on.wall)
        right, foot = wide - _MARGIN, _FOOT + _UNDER
        beside = right - _STEPS - _GUTTER
        small = min((beside - _MARGIN) / span, (top - foot) / tall)
        large = min((right - _MARGIN) / span, _ACROSS * high / tall)
        if large <= _LARGER * small:
            # a narrow wall leaves room for two columns
            edge = _MARGIN + small * span + _GUTTER
            return (_MARGIN, foot, edge - _GUTTER, top), _columns(edge, right, top, 1 + (right - edge > 2 * _STEPS))
        bottom = top - large * tall
        return (_MARGIN, bottom, right, top), _columns(_MARGIN, right, bottom - _UNDER, 2)

    def _under(self, wall: DayWall, columns: list[_Column]) -> list[_Column]:
        """The columns, and the room under the wall where the steps stand beside it."""
        if columns[0].left < wall.right:
            return columns
        spare = _Column(_MARGIN, columns[0].left - _GUTTER, wall.bottom - _UNDER, _FOOT)
        wanted = spare.top - spare.bottom > _STEPS / 2 and spare.right - spare.left > _STEPS
        return [*columns, spare] if wanted else columns

    def _write_steps(self, columns: list[_Column]) -> int:
        """As many steps as fit, in the largest type in which all do; returns how many stand there."""
        for size in _SIZES:
            placed = self._flowed(columns, size)
            if len(placed) == len(self.steps):
                break
        for column, top, rows in placed:
            self._write_rows(column.left, top, rows)
        return len(placed)

    def _flowed(self, columns: list[_Column], size: float) -> list[tuple[_Column, float, list[_Row]]]:
        """Steps with their column and top, as far as they fit; none is broken over two columns."""
        placed: list[tuple[_Column, float, list[_Row]]] = []
        at, y = 0, columns[0].top
        for number, step in enumerate(self.steps, 1):
            rows = self._rows(number, step, columns[at].right - columns[at].left, size)
            tall = _height(rows)
            while y - tall < columns[at].bottom:
                at += 1
                if at == len(columns):
                    return placed
                y = columns[at].top
                rows = self._rows(number, step, columns[at].right - columns[at].left, size)
                tall = _height(rows)
            placed.append((columns[at], y, rows))
            y -= tall + _BETWEEN
        return placed

    def _rows(self, number: int, step: Step, room: float, size: float) -> list[_Row]:
        """A step's lines: what is to be known before it, number, time and what is done, then what is said at it."""
        indent, inner, small = _INDENT * size / 10, room - _INDENT * size / 10, size - 1
        rows: list[_Row] = []
        for text in step.before:
            said = wrapped(f"! {finished(text, self.units)}", inner, small, "bold")
            rows += [_Row(line, indent, small, "bold") for line in said]
        when = self.when(step)
        does = wrapped(
            f"{when}  {say(step.does, self.units)}" if when else say(step.does, self.units), inner, size, "bold"
        )
        rows += [_Row(line, indent if k else 0.0, size, "bold") for k, line in enumerate(does)]
        first = next(k for k, row in enumerate(rows) if row.indent == 0.0)
        rows[first] = _Row(f"{number}\t{rows[first].text}", indent, size, "bold")
        for line in step.lines:
            said = wrapped(self._said(line), inner, small)
            rows += [_Row(text, indent, small) for text in said]
        return rows

    def _said(self, line: Line) -> str:
        said = f"{say(line.said, self.units)}{_SIGNS.get(line.tag, '')}"
        by = use_by(line, self.sheet.day.start)
        return said if by is None else f"{said}; {say(by, self.units)}"

    def when(self, step: Step) -> str:
        """Clock times of a step, empty without a start."""
        start = self.sheet.day.start
        if start is None:
            return ""
        first, last = start + step.begins, None if step.ends is None else start + step.ends
        named = int(first // 24)
        if step.code == "paint":
            return say(note("day.from-day", day=named + 1), self.units)
        said = clock(first)
        if last is None:
            said = say(note("day.from-time", time=said))
        elif clock(last) != said or int(last // 24) != named:
            until = (
                clock(last)
                if int(last // 24) == named
                else say(note("day.day-time", day=int(last // 24) + 1, time=clock(last)))
            )
            said = say(note("day.from-to", first=said, last=until))
        return said if named == 0 else say(note("day.day-time", day=named + 1, time=said))

    def _write_rows(self, left: float, top: float, rows: Sequence[_Row]) -> None:
        wide, high = self.size
        y = top
        for row in rows:
            number, tab, text = row.text.rpartition("\t")
            y -= row.size * _LEADING / POINTS
            base = (y + 0.27 * row.size / POINTS) / high
            if tab:
                self.page.text(
                    left / wide, base, number, fontproperties=font(row.size, "bold"), color=INK, va="baseline"
                )
            self.page.text(
                (left + row.indent) / wide,
                base,
                printable(text),
                fontproperties=font(row.size, row.weight),
                color=INK,
                va="baseline",
            )

    def _foot(self, wall: DayWall, shown: int, edge: float) -> None:
        """Scale bar, what was not measured, what is overleaf, and what the marks at figures mean."""
        wide = self.size[0]
        room = wide - 2 * _MARGIN
        # the steps stand beside the wall, or under it
        self._bar(wall, edge if edge > _MARGIN else None)
        words = [self.sheet.missing or note("day.all-measured")]
        if shown < len(self.steps) or self._told(wall):
            words.append(note("day.overleaf"))
        said = "  ".join(finished(text, self.units) for text in words)
        y = write(self.page, _MARGIN, _FOOT - 0.06, said, size=9, room=room, smallest=6.5)
        write(self.page, _MARGIN, y, _legend_of(self.steps), size=8, room=room, smallest=6)

    def _bar(self, wall: DayWall, edge: float | None) -> None:
        """A metre, or three feet, at the wall's own scale under it, and what the figures on it are."""
        from matplotlib.lines import Line2D

        wide, high = self.size
        length, text = (0.9144, "3 ft") if self.units == "in" else (1.0, "1 m")
        y, span = wall.bottom - 0.4, wall.scale * length
        self.page.add_artist(
            Line2D([_MARGIN / wide, (_MARGIN + span) / wide], [y / high, y / high], color=INK, linewidth=2.5)
        )
        laid = self.sheet.day.screeds
        code = "day.figures" if laid is None or laid.strip is None else "day.figures-strip"
        unit = f", {say(note('day.inches'))}" if self.units == "in" else after(self.units)
        said = f"{text}.  {say(note(code))}{unit}" if laid is not None else f"{text}."
        if laid is not None and any(dot.packing is None for screed in laid.screeds for dot in screed.dots):
            said = f"{said}. {say(note('day.plumbed', dash=LEFT_OVER))}"
        # beside a narrow wall the steps leave it no more
        room = max(wall.right, _MARGIN + 4.0 if edge is None else edge) - _MARGIN
        write(self.page, _MARGIN, y - 0.06, said, size=8.5, room=room, lines=2, smallest=5.5)

    def _told(self, wall: DayWall) -> bool:
        """Whether the packings are listed overleaf: one found no room in large type, and no other list has them."""
        return bool(wall.left_out) and not self.listed

    def _overleaf(self, shown: int, wall: DayWall) -> list[Figure]:
        """Steps and packings that found no room, on pages of their own, in type as large as one page holds."""
        if shown == len(self.steps) and not self._told(wall):
            return []
        found = (self._rest(shown, wall, scale) for scale in _OVERLEAF)
        return next((pages for pages in found if len(pages) == 1), None) or self._rest(shown, wall, 1.0)

    def _rest(self, shown: int, wall: DayWall, scale: float) -> list[Figure]:
        laid, title = self.sheet.day.screeds, say(note("day.title-overleaf"))
        flow = Flow(say(self.report.name, self.units), title, self.units, self.paper, scale)
        for number, step in enumerate(self.steps[shown:], shown + 1):
            self._flow_step(flow, number, step, step.does)
        if shown < len(self.steps):
            flow.say(_legend_of(self.steps), size=8)
        if self._told(wall) and laid is not None:
            flow.table(dots(laid), tick=True)
        return flow.pages

    def together(self) -> list[Figure]:
        """The program of all walls planned together, as one person goes from one to the next; nothing for one wall."""
        steps = self.sheet.together
        if not steps:
            return []
        walls = tuple(dict.fromkeys(say(wall) for wall, _ in steps))
        title = say(note("day.title-together", walls=tuple(name.rpartition(" ")[2] for name in walls)))
        flow = Flow(self.report.source.file, title, self.units, self.paper)
        flow.say(say(note("day.together-order", order=self.sheet.ordered), self.units), weight="bold")
        flow.say(say(note("day.together-one")))
        for number, ((wall, step), warned) in enumerate(zip(steps, self.sheet.together_warned, strict=True), 1):
            self._flow_step(flow, number, step, note("day.step-on", wall=wall, does=step.does), warned)
        flow.say(_legend_of([step for _, step in steps]), size=8)
        return flow.pages

    def _flow_step(self, flow: Flow, number: int, step: Step, does: Note, warned: tuple[Caution, ...] = ()) -> None:
        """A step on a page of words, what stands before it over it."""
        for text in (*in_short(warned), *step.before):
            flow.say(f"! {finished(text, self.units)}")
        when = self.when(step)
        flow.say("  ".join(filter(None, (str(number), when, say(does, self.units)))), size=11, weight="bold")
        for line in step.lines:
            flow.say(self._said(line), indent=0.3)

    def _box(self, left: float, top: float, span: float, tall: float) -> None:
        boxed(self.page, self.size, (left, top, span, tall), 1.0)


def _columns(left: float, right: float, top: float, count: int) -> list[_Column]:
    """So many columns side by side."""
    span = (right - left - (count - 1) * _GUTTER) / count
    lefts = [left + number * (span + _GUTTER) for number in range(count)]
    return [_Column(at, at + span, top, _FOOT) for at in lefts]


def _legend_of(steps: Sequence[Step]) -> str:
    """What the marks at figures mean, of those that stand there."""
    used = {line.tag for step in steps for line in step.lines}
    told = [(sign, tag) for tag, sign in _SIGNS.items() if sign and tag in used]
    return "   ".join(say(note(_TAG_WORDS[tag], sign=sign)) for sign, tag in told)


def _height(rows: Sequence[_Row]) -> float:
    return sum(row.size for row in rows) * _LEADING / POINTS
