"""Pages that fill from the top: headings, sentences, tables that go on overleaf, lines to fill in and boxes to sign."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from flatscan.core.notes import note
from flatscan.report.figures.style import FAINT, INK, PAPERS, POINTS, font, new_figure, printable, width, wrapped
from flatscan.report.say import Said, finished, printed, say
from flatscan.report.tables import Table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MARGIN, _FOOT = 0.65, 0.1
_SIZE, _SMALL, _LEADING = 9.5, 8.0, 1.3
_PAD = 0.12
_FEWEST = 0.45
# of the usual size, for a table of many columns
_SMALLEST = 0.72
# rows of a form are this high [inches], for a hand with a carpenter's pencil, in small type no lower than this share
_WRITING, _LEAST_WRITING = 0.27, 0.88
# a table's heading, and the share of a page up to which a table is kept in one piece
_TITLED, _WHOLE = 0.55, 0.4
# a column as wide as its text must not break it for the last binary digit
_SLACK = 1e-6


class Flow:
    """Pages of one kind of sheet, upright, with the sheet's name and the wall's at the top of each.

    ``scale`` is how large the type is, 1 as usual.
    """

    def __init__(self, name: str, title: str, units: str, paper: str, scale: float = 1.0) -> None:
        self.body, self.small = _SIZE * scale, _SMALL * scale
        self.scale, self.paper = scale, paper
        wide, high = PAPERS[paper]
        self.size = (high, wide)
        self.room = high - 2 * MARGIN
        self.name, self.title, self.units = name, title, units
        self.pages: list[Figure] = []
        self.turned: list[float] = []
        self.turn()

    @property
    def page(self) -> Figure:
        """The page being filled."""
        return self.pages[-1]

    def turn(self) -> None:
        """Begin a new page."""
        self.turned += [self.used] if self.pages else []
        self.pages.append(new_figure(self.size))
        self.y = self.size[1] - MARGIN
        again = ", continued" if len(self.pages) > 1 else ""
        self._line(f"{self.title}{again}", 15, "bold")
        self._line(self.name, 11)
        self._rule()
        self.y -= 0.12

    def need(self, high: float) -> None:
        """Turn the page unless ``high`` inches are left on it."""
        if self.y - high < MARGIN + _FOOT:
            self.turn()

    def heading(self, text: str) -> None:
        """A heading that never stands alone at a page's foot."""
        self.need(0.9 * self.scale)
        self.y -= 0.12 * self.scale
        self._line(text, 11.5 * self.scale, "bold")
        self.y -= 0.03

    @property
    def used(self) -> float:
        """How much of the last page is filled, as a share."""
        return 1 - (self.y - MARGIN - _FOOT) / (self.size[1] - 2 * MARGIN - _FOOT)

    @property
    def emptiest(self) -> float:
        """How much of the page that has least on it is filled, as a share."""
        return min((*self.turned, self.used))

    def place(self, high: float, draw: Callable[[Figure, tuple[float, float, float, float]], object]) -> None:
        """Give ``draw`` a rectangle of the page [inches], as wide as the text and ``high``."""
        self.need(high)
        draw(self.page, (MARGIN, self.y - high, self.room, high))
        self.y -= high + 0.08

    def say(self, text: str, *, size: float = 0.0, weight: str = "normal", indent: float = 0.0) -> None:
        """A sentence or more, wrapped."""
        size = size * self.scale or self.body
        for line in wrapped(text, self.room - indent, size, weight):
            self.need(size * _LEADING / POINTS)
            self._line(line, size, weight, indent)

    def cautions(self, stops: Sequence[str], texts: Sequence[str]) -> None:
        """Stop signs and cautions in a column of their own, before what they warn of; each is kept on one page."""
        if not stops and not texts:
            return
        self.heading(say(note("sheet.before-you-start"), self.units))
        for number, text in enumerate((*stops, *texts)):
            self.need(len(wrapped(text, self.room - 0.2, self.body)) * self.body * _LEADING / POINTS)
            top = self.y
            self.say(text, indent=0.2, weight="bold" if number < len(stops) else "normal")
            self._write(MARGIN, top, "!", self.body, "bold")
            self.y -= 0.04

    def facts(self, rows: Sequence[tuple[str, str]], *, aside: float = 2.1) -> None:
        """Pairs of a name and what is known of it."""
        for name, value in rows:
            lines = wrapped(value, self.room - aside, self.body)
            self.need(len(lines) * self.body * _LEADING / POINTS)
            top = self.y
            for line in lines:
                self._line(line, self.body, "normal", aside)
            self._write(MARGIN, top, printable(name), self.body, "normal", FAINT)
            self.y -= 0.03

    def in_columns(self, rows: Sequence[tuple[str, str]], *, aside: float = 0.95) -> None:
        """Pairs of a name and what is known of it in small type, the first half in a column beside the second."""
        span, line = self.room / 2, self.small * _LEADING / POINTS
        self.y -= 0.04
        half = -(-len(rows) // 2)
        for pair in zip(rows[:half], [*rows[half:], ("", "")], strict=False):
            texts = [wrapped(value, span - aside - _PAD, self.small) or [""] for _, value in pair]
            self.need(max(map(len, texts)) * line)
            for column, ((name, _), lines) in enumerate(zip(pair, texts, strict=True)):
                left = MARGIN + column * span
                self._write(left, self.y, printable(name), self.small, "normal", FAINT)
                for number, text in enumerate(lines):
                    self._write(left + aside, self.y - number * line, text, self.small)
            self.y -= max(map(len, texts)) * line + 0.01
        self.y -= 0.06

    def table(self, table: Table, *, tick: bool = False, spans: Sequence[float] | None = None) -> None:
        """A table with its head repeated overleaf, and a box to tick in each row if asked.

        ``spans`` [inches] make it a form: columns of that width, ruled, with rows high enough to write in.
        """
        usual = self.body
        try:
            self._table(table, tick, spans)
        finally:
            self.body = usual

    def _table(self, table: Table, tick: bool, spans: Sequence[float] | None) -> None:
        heads, rows, wide, least = self._columns(table, tick, spans) if table.rows else ([], [], [], 0.0)
        deep = [max(self._height(row, wide), least) for row in (heads, *rows)] if table.rows else []
        self._keep(sum(deep) + _TITLED * self.scale)
        self.heading(say(table.title, self.units))
        if not table.rows:
            self.say(self.sentence(table.empty))
            return
        self._row(heads, wide, "bold")
        for number, (row, high) in enumerate(zip(rows, deep[1:], strict=True), 1):
            # the last row does not stand alone overleaf
            after = deep[-1] if number == len(rows) - 1 > 1 else 0.0
            if self.y - high - after < MARGIN + _FOOT:
                self.turn()
                self._row(heads, wide, "bold")
            top = self.y
            self._row(row, wide, least=least)
            if spans is not None:
                self._rule_columns(wide, top)
            if tick:
                self._box(MARGIN + sum(wide[:-1]) + 0.05, top - 0.02, 0.17, 0.15)
        self.y -= 0.08

    def _columns(
        self, table: Table, tick: bool, spans: Sequence[float] | None
    ) -> tuple[list[str], list[list[str]], list[float], float]:
        """Heads and rows as they are written, the columns' widths and the least height of a row [inches]."""
        heads = [*table.headings(self.units), *(("done",) if tick else ())]
        rows = [[*row, *(("",) if tick else ())] for row in table.texts(self.units)]
        if spans is None:
            heads, rows = _filled(heads, rows, keep=int(tick))
            # many columns are written smaller before a word is broken
            self.body = _fitting(heads, rows, self.room, self.body)
        wide, least = (
            (_spans(heads, rows, self.room, self.body), 0.0)
            if spans is None
            else (list(spans), _WRITING * max(self.scale, _LEAST_WRITING))
        )
        return heads, rows, wide, least

    def _keep(self, high: float) -> None:
        """Begin what is ``high`` on the next page, if it is broken here and takes no more than a part of a page."""
        if high <= _WHOLE * (self.size[1] - 2 * MARGIN) and self.y < self.size[1] - 2 * MARGIN:
            self.need(high)

    def sentence(self, text: Said) -> str:
        """Words with a capital first and one full stop last, in the units of these pages."""
        return finished(printed(text), self.units).strip()

    def _rule_columns(self, spans: Sequence[float], top: float) -> None:
        from matplotlib.lines import Line2D

        wide, high = self.size
        at = MARGIN - 0.05
        for span in (0.0, *spans):
            at += span
            ends = [(top + 0.045) / high, (self.y + 0.045) / high]
            self.page.add_artist(Line2D([at / wide, at / wide], ends, color=INK, linewidth=0.4))

    def fill_in(self, names: Sequence[str], *, lines: int = 1, columns: int = 1) -> None:
        """Lines to fill in by hand, each with its name, side by side in ``columns``."""
        self.y -= 0.05
        span = self.room / columns
        for first in range(0, len(names), columns):
            self.need(0.3 * lines)
            for column, name in enumerate(names[first : first + columns]):
                left = MARGIN + column * span
                self._write(left, self.y, printable(name), self.body)
                self._stroke(left + width(printable(name), self.body) + 0.1, self.y - 0.17, left + span - 0.08)
            self.y -= 0.3
            for _ in range(lines - 1):
                self._stroke(MARGIN, self.y - 0.17, self.size[0] - MARGIN)
                self.y -= 0.3

    def tick_list(self, names: Sequence[str]) -> None:
        """Statements with a box to tick before each."""
        for name in names:
            lines = wrapped(name, self.room - 0.32, self.body)
            self.need(len(lines) * self.body * _LEADING / POINTS + 0.06)
            self._box(MARGIN, self.y, 0.16, 0.16)
            for line in lines:
                self._line(line, self.body, "normal", 0.32)
            self.y -= 0.06

    def sign(self, names: Sequence[str]) -> None:
        """Boxes to sign in, two beside each other, never broken over pages."""
        high, gap = 0.95, 0.15
        wide = (self.room - gap) / 2
        for first in range(0, len(names), 2):
            self.need(high + gap)
            for column, name in enumerate(names[first : first + 2]):
                left = MARGIN + column * (wide + gap)
                self._box(left, self.y, wide, high)
                self._write(left + 0.08, self.y - 0.06, printable(name), self.small, "normal", FAINT)
                self._write(
                    left + 0.08, self.y - high + 0.2, say(note("sheet.sign-here"), self.units), 6.5, "normal", FAINT
                )
            self.y -= high + gap

    def _height(self, row: Sequence[str], spans: Sequence[float], weight: str = "normal") -> float:
        deepest = max(
            len(wrapped(text, span - _PAD + _SLACK, self.body, weight)) for text, span in zip(row, spans, strict=True)
        )
        return deepest * self.body * _LEADING / POINTS + 0.07

    def _row(self, row: Sequence[str], spans: Sequence[float], weight: str = "normal", least: float = 0.0) -> None:
        high = max(self._height(row, spans, weight), least)
        left = MARGIN
        for text, span in zip(row, spans, strict=True):
            y = self.y
            for line in wrapped(text, span - _PAD + _SLACK, self.body, weight):
                self._write(left, y, line, self.body, weight)
                y -= self.body * _LEADING / POINTS
            left += span
        self.y -= high
        self._stroke(MARGIN, self.y + 0.045, MARGIN + sum(spans), 1.0 if weight == "bold" else 0.4)

    def _line(self, text: str, size: float, weight: str = "normal", indent: float = 0.0) -> None:
        found = wrapped(text, self.room - indent, size, weight)
        for line in found:
            self._write(MARGIN + indent, self.y, line, size, weight)
            self.y -= size * _LEADING / POINTS

    def _write(self, x: float, y: float, text: str, size: float, weight: str = "normal", colour: str = INK) -> None:
        wide, high = self.size
        self.page.text(x / wide, y / high, text, fontproperties=font(size, weight), color=colour, va="top", ha="left")

    def _rule(self) -> None:
        self._stroke(MARGIN, self.y, self.size[0] - MARGIN, 1.2)

    def _stroke(self, x0: float, y: float, x1: float, weight: float = 0.6) -> None:
        from matplotlib.lines import Line2D

        wide, high = self.size
        self.page.add_artist(Line2D([x0 / wide, x1 / wide], [y / high, y / high], color=INK, linewidth=weight))

    def _box(self, left: float, top: float, span: float, tall: float) -> None:
        boxed(self.page, self.size, (left, top, span, tall))


def boxed(
    page: Figure, size: tuple[float, float], place: tuple[float, float, float, float], weight: float = 0.8
) -> None:
    """A box on a page of a ``size`` [inches], at left, top, width and height."""
    from matplotlib.patches import Rectangle

    (wide, high), (left, top, span, tall) = size, place
    corner = (left / wide, (top - tall) / high)
    at = page.transFigure
    page.add_artist(
        Rectangle(corner, span / wide, tall / high, fill=False, edgecolor=INK, linewidth=weight, transform=at)
    )


def _filled(heads: list[str], rows: list[list[str]], *, keep: int) -> tuple[list[str], list[list[str]]]:
    """Without the columns that say nothing in any row; the last ``keep`` stay."""
    last = len(heads) - keep
    wanted = [k for k in range(len(heads)) if k >= last or any(row[k] not in ("", "-") for row in rows)]
    return [heads[k] for k in wanted], [[row[k] for k in wanted] for row in rows]


def _spans(heads: Sequence[str], rows: Sequence[Sequence[str]], room: float, size: float) -> list[float]:
    """Column widths [inches]: as wide as they need, the widest giving way first where the page is too narrow."""
    wanted = [
        max(width(printable(heads[k]), size, "bold"), *(width(printable(row[k]), size) for row in rows)) + _PAD
        for k in range(len(heads))
    ]
    least = [_longest_word(heads[k], rows, k, size) for k in range(len(heads))]
    wanted = [max(span, few) for span, few in zip(wanted, least, strict=True)]
    # words are broken only where there is no other way
    least = least if sum(least) <= room + 1e-6 else [_FEWEST] * len(heads)
    while sum(wanted) > room + 1e-6:
        give = [k for k, span in enumerate(wanted) if span > least[k] + 1e-9]
        if not give:
            return [span * room / sum(wanted) for span in wanted]
        widest = max(wanted[k] for k in give)
        most = [k for k in give if wanted[k] >= widest - 1e-9]
        second = max((wanted[k] for k in give if wanted[k] < widest - 1e-9), default=0.0)
        target = max(second, widest - (sum(wanted) - room) / len(most))
        for k in most:
            wanted[k] = max(target, least[k])
    return wanted


def _fitting(heads: Sequence[str], rows: Sequence[Sequence[str]], room: float, size: float) -> float:
    """The size [points] at which the longest word of every column stands whole in its column; never under a part."""
    words = sum(_longest_word(head, rows, k, size) for k, head in enumerate(heads))
    return size * min(1.0, max(_SMALLEST, (room - _PAD * len(heads)) / max(words - _PAD * len(heads), 1e-9)))


def _longest_word(head: str, rows: Sequence[Sequence[str]], column: int, size: float) -> float:
    """How wide a column must be so that no word in it is broken [inches]."""
    words = [width(printable(word), size, "bold") for word in head.split()]
    words += [width(printable(word), size) for row in rows for word in row[column].split()]
    return max(_FEWEST * min(1.0, size / _SIZE), max(words, default=0.0) + _PAD)
