"""A report in its first five lines, in all its words, in one line, and on a page of a notebook."""

from __future__ import annotations

import base64
import io
import textwrap
from collections.abc import Iterator, Sequence
from html import escape

from flatscan.core.notes import Caution, Note, note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import metres
from flatscan.jobs import Lines, LowsByHand, Result, Seen
from flatscan.report.drawings import Drawing
from flatscan.report.laser_work import line_text
from flatscan.report.parts import FirstLine, Report, Section, in_short, phrases
from flatscan.report.reporting import report_of, stop_signs
from flatscan.report.room_list import wall_list_text
from flatscan.report.say import Said, finished, say
from flatscan.report.sections.seen_section import wall_name
from flatscan.wall import Room

WIDTH = 79
# where answers begin, and a label that still stands before one
_ASIDE, _LONGEST = 19, 40
_SAID_FIRST = "report.not-covered"
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
    "settings",
    "verdict",
)


def first_screen(result: Result | LowsByHand | Report, manner: Manner | str = "mm") -> str:
    """The lines that answer at once, for a reader or in units "mm" or "in"; where a job has none, all of `summary`.

    A doubt that decides stands over all others, a stop sign next.
    """
    report = result if isinstance(result, Report) else report_of(result)
    if not report.first:
        return summary(report, manner)
    lines = (in_words(line, manner, report.warned(*line.actions)) for line in report.first)
    return "\n".join(text for line in lines for text in _columns(*line)) + "\n"


def in_words(line: FirstLine, manner: Manner | str = "mm", cautions: Sequence[Caution] = ()) -> tuple[str, str]:
    """One of the first lines: its label, "" for a doubt that decides, and what it says, for a reader or in units.

    ``cautions`` stand before what is to be done.
    """
    label = say(line.label, manner)
    if label:
        said = note("first.with-care", care=phrases(cautions), what=line.said) if cautions else line.said
        return label, say(said, manner)
    # only here do the answers follow
    return "", f"{finished(line.said, manner)} {say(note('doubt.until-then'), manner)}"


def _columns(label: str, said: str) -> list[str]:
    """A line with its label aside; one without a label reaches over the whole screen."""
    if not label:
        return _lines(said)
    aside = " " * _ASIDE
    if len(label) > _LONGEST:
        # a long name stands whole, over what is said of it
        return [*_lines(label), *textwrap.wrap(f"{aside}{said}", WIDTH, subsequent_indent=aside, break_long_words=True)]
    return textwrap.wrap(f"{label:<{_ASIDE - 3}}   {said}", WIDTH, subsequent_indent=aside, break_long_words=True)


def summary(
    result: Result | LowsByHand | Report, manner: Manner | str = "mm", *, notes: bool = True, first: bool = False
) -> str:
    """All of a report in words, for a reader or in units "mm" or "in"; ends with a line break.

    Stop signs and cautions stand before what they warn of; the last line says what was not examined. ``notes``: with
    all that is to be minded; ``first``: after the lines that answer at once.
    """
    report = result if isinstance(result, Report) else report_of(result)
    head = [first_screen(report, manner)] if first and report.first else []
    warned = tuple(action for line in report.first for action in line.actions) if head else ()
    said = [finished(text, manner) for text in sentences(report, warned) if not (head and text is report.leading)]
    said += [f"Mind: {finished(text, manner)}" for text in report.notes] if notes else []
    said += [finished(text, manner) for text in closing(report)]
    body = [line for text in said for line in _lines(text)]
    return "\n".join([*head, *body]) + "\n"


def _lines(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ", break_long_words=True)


def sentences(report: Report, warned: tuple[str, ...] = ()) -> Iterator[Said]:
    """What one screen says of a report: the wall, stop signs and cautions, then what the job found.

    ``warned`` are actions whose cautions stand before them already.
    """
    sections = {section.name: section for section in report.sections}
    yield from (report.leading,) if report.leading else ()
    for name in _FIRST:
        yield from sections[name].headline if name in sections else ()
    yield from report.lead
    yield from stop_signs(report)
    yield from in_short(one for one in report.cautions if one.action not in warned)
    for name in _ORDER:
        yield from sections[name].headline if name in sections else ()


def closing(report: Report) -> Iterator[Said]:
    """What was not examined and has not been said: not what a lead says of any survey, nor how much was measured."""
    rest = tuple(said for said in report.not_examined if not isinstance(said, Note) or said.code != _SAID_FIRST)
    if any(isinstance(said, Note) and said.code == "stop.none" for said in report.lead):
        rest = rest[1:]
        yield from (note("report.also-not-examined", what=rest),) if rest else ()
        return
    yield note("report.not-examined", what=rest)


Shown = Result | Seen | Lines | Room
READER = Manner()
# what a job was asked for, by its command: the section whose first sentence answers
_ANSWER = {"survey": "material", "check": "verdict", "setout": "setout", "lows": "lows", "compare": "compare"}
# dots per inch of a drawing on a page: an A4 sheet fills the width of a notebook
_DPI = 80


def in_a_line(it: Shown) -> str:
    """What it is and the first thing to know of it; the walls of a room stand in a line each."""
    name = type(it).__name__
    if isinstance(it, Room):
        return wall_list_text(name, it, READER.units)
    if isinstance(it, Lines):
        return f"{name}: {it.surveyed.setup.file.name}: {', '.join(line.name for line, _ in it.surveyed.lines)}"
    if isinstance(it, Seen):
        size = note("report.size", width=metres(it.wall.width), height=metres(it.wall.height))
        return f"{name}: {say(wall_name(it), READER)} ({it.origin.file}), {say(size, READER)}"
    report = report_of(it)
    first = (report.section(part) for part in ("wall", _ANSWER.get(report.command, "")))
    return f"{name}: {'; '.join(say(part.headline[0], READER) for part in first if part and part.headline)}"


def on_a_page(it: Shown) -> str:
    """A fragment of HTML without scripts: what is known in words, then its drawing, facts and doubts; names escaped."""
    if isinstance(it, Lines):
        return f"<pre>{escape(line_text(it))}</pre>"
    if isinstance(it, (Room, Seen)):
        return f"<pre>{escape(in_a_line(it))}</pre>"
    report = report_of(it)
    return f"<div>{''.join(_parts(report))}</div>"


def _parts(report: Report) -> Iterator[str]:
    yield from (f"<p>{_words(text)}</p>" for text in sentences(report))
    for drawing in report.shown_on("picture")[:1]:
        yield f'<p><img src="data:image/png;base64,{_picture(report, drawing)}" alt="{_text(report.name)}"></p>'
    yield from (_facts(section) for section in report.sections if section.facts)
    doubts = "".join(f"<li>{_words(text)}</li>" for text in report.notes)
    yield f"<p>{_text(Note('fact.mind'))}</p><ul>{doubts}</ul>" if doubts else ""
    yield from (f"<p>{_words(text)}</p>" for text in closing(report))


def _facts(section: Section) -> str:
    rows = "".join(
        f"<tr><th>{_text(Note(f'fact.{fact.key}'))}</th><td>{_text(fact.text)}</td></tr>" for fact in section.facts
    )
    title = _text(Note(f"section.{section.name.replace('_', '-')}"))
    return f"<details><summary>{title}</summary><table>{rows}</table></details>"


def _words(text: Said) -> str:
    return escape(finished(text, READER))


def _text(text: Said) -> str:
    return escape(say(text, READER))


def _picture(report: Report, drawing: Drawing) -> str:
    """A drawing as a PNG in base64; the same result gives the same bytes."""
    from flatscan.report.figures import draw
    from flatscan.report.figures.style import sheet_style

    file = io.BytesIO()
    with sheet_style():
        draw(report, drawing, READER.units).savefig(file, format="png", dpi=_DPI, metadata={"Software": None})
    return base64.b64encode(file.getvalue()).decode("ascii")
