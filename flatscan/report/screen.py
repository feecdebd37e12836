"""One screen of words: what the wall needs, what sets it, how to build it up, what to order, whether it passes."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner
from flatscan.jobs import LowsByHand, Result
from flatscan.report.model import Report
from flatscan.report.reporting import report_of, short_cautions
from flatscan.report.say import Said, finished

WIDTH = 79
_SCREEN, _ALWAYS = 24, 2
# what may hurt and what was surveyed stand before all quantities, the decision last
_FIRST = ("capture", "wall")
_ORDER = (
    "compare",
    "material",
    "hacking",
    "order",
    "order_together",
    "choices",
    "quote",
    "clashes",
    "light",
    "setout",
    "lows",
    "flatness",
    "verdict",
)


def summary(result: Result | LowsByHand | Report, manner: Manner | str = "mm") -> str:
    """A report in words for one screen, for a reader or in units "mm" or "in"; ends with a line break.

    Stop signs and cautions stand before what they warn of; the last line says what was not examined.
    """
    report = result if isinstance(result, Report) else report_of(result)
    body = [line for text in sentences(report) for line in _lines(finished(text, manner))]
    tail = [line for text in closing(report) for line in _lines(finished(text, manner))]
    return "\n".join([*body, *_warnings(report, manner, _SCREEN - len(body) - len(tail)), *tail]) + "\n"


def _lines(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ", break_long_words=True)


def sentences(report: Report) -> Iterator[Said]:
    """What one screen says of a report: the wall, stop signs and cautions, then what the job found."""
    sections = {section.name: section for section in report.sections}
    for name in _FIRST:
        yield from sections[name].headline if name in sections else ()
    yield from report.lead
    yield from short_cautions(report)
    for name in _ORDER:
        yield from sections[name].headline if name in sections else ()


def closing(report: Report) -> Iterator[Said]:
    """What was not examined; what no survey of a shape can see only where no lead has said it."""
    rest = report.not_examined
    if any(isinstance(said, Note) and said.code == "stop.none" for said in report.lead):
        rest = rest[1:]
        yield from (note("report.also-not-examined", what=rest),) if rest else ()
        return
    yield note("report.not-examined", what=rest)


def _warnings(report: Report, manner: Manner | str, room: int) -> list[str]:
    """As many warnings as the screen has lines for, two at least, and how many more there are.

    What the reader doubts comes first: a mistyped reading explains much of what stands above.
    """
    lines: list[str] = []
    for number, text in enumerate(report.notes):
        more = _lines(f"Mind: {finished(text, manner)}")
        rest = number + 1 < len(report.notes)
        if number >= _ALWAYS and len(lines) + len(more) + rest > max(room, 1):
            return [*lines, f"Mind: {len(report.notes) - number} more in capture.warnings of result.json."]
        lines += more
    return lines
