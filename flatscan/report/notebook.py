"""A result as somebody at work in Python sees it: in a line, or on a page of a notebook with its drawing."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator
from html import escape

from flatscan.core.notes import Note, note
from flatscan.core.phrase import Manner
from flatscan.core.quantity import metres
from flatscan.jobs import Lines, Result, Seen
from flatscan.report.drawings import Drawing
from flatscan.report.line_survey import line_text
from flatscan.report.listings import wall_list_text
from flatscan.report.model import Report, Section
from flatscan.report.reporting import report_of
from flatscan.report.say import Said, finished, say
from flatscan.report.screen import closing, sentences
from flatscan.report.sections.seen_section import wall_name
from flatscan.wall import Room

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
    rows = "".join(f"<tr><th>{_text(Note(f'fact.{fact.key}'))}</th><td>{_text(fact.text)}</td></tr>"
                   for fact in section.facts)  # fmt: skip
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
