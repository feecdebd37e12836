"""One page for a phone without a signal: template, style and script in one file, and nothing fetched.

The file is locked by hashes, so that nothing else can run in it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator
from pathlib import Path

from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.report.page import packing
from flatscan.report.parts import Fact, Report, Section, in_short
from flatscan.report.reporting import stop_signs
from flatscan.report.say import Said, finished, printed, say
from flatscan.report.tables import Table, rounded

_HERE = Path(__file__).parent
SCRIPTS = ("numbers.js", "bands.js", "drawing.js", "touch.js")
_WORDS = {"from", "method", "kind", "name", "decision", "mark", "what", "note", "band", "product", "unit"}
# the spots stand right under the drawing; the test after what is to be done, then what was seen of wall and capture
_FIRST = ("spots",)
_LAST = ("verdict", "curve", "hand", "flatness", "wall", "patches", "capture")


def page(report: Report, units: str = "mm") -> str:
    """One self-contained HTML file of a report: no network, no script but its own; names are escaped.

    A wall with nothing measured raises `OutputError`.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    house = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    style = _read("page.css")
    # one scope for the three parts, so that nothing of theirs is left lying about in the page
    script = '"use strict";\n(() => {\n' + "".join(map(_read, SCRIPTS)) + "})();\n"
    return house.get_template("page.html.j2").render(
        # these files are part of the package, not of anybody's input
        style=Markup(style),  # noqa: S704
        script=Markup(script),  # noqa: S704
        style_hash=_hash(style),
        script_hash=_hash(script),
        **_content(report, units),
    )


def _read(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """What the content security policy names a text by: base64 of its SHA-256 (W3C CSP level 3, 2.3.1)."""
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _content(report: Report, units: str) -> dict[str, object]:
    data = packing.pack(report, units)
    first, *cells = report.cells
    verdict = report.section("verdict")
    judged = () if verdict is None else verdict.facts
    return {
        "units": units,
        "name": say(report.name, units),
        "size": _said(first.small, units),
        "cells": [(say(cell.head), _said(cell.big, units), _said(cell.small, units)) for cell in cells],
        "leading": finished(printed(report.leading), units),
        "doubt": _said(report.doubt, units),
        "doubt_label": say(note("first.doubt"), units),
        "stops": [_said(sign, units) for sign in stop_signs(report)],
        "cautions": [finished(text, units) for text in in_short(report.cautions)],
        "decisions": [finished(printed(fact.text), units) for fact in judged if fact.key == "decided"],
        "by_hand": [finished(printed(words), units) for _, words in report.maps()["relief"].on.by_hand],
        "layers": data["layers"],
        "spots": [(spot.mark, rounded(spot.x * 1000), rounded(spot.y * 1000)) for spot in report.spots],
        "sections": list(_sections(report, units)),
        "not_examined": _said(note("report.list", parts=report.not_examined), units),
        "notes": [finished(printed(text), units) for text in report.notes],
        "spread": say(note("sheet.spread"), units),
        "record": _said(report.record, units),
        "source": say(_source(report), units),
        "data": data,
    }


def _said(it: Said, units: str) -> str:
    """Words for somebody who reads a page and types no command."""
    return say(printed(it), units)


def _source(report: Report) -> Note:
    """Tool, file and hash, and how coarsely the wall is drawn here."""
    on, source = report.maps()["relief"].on, report.source
    block = packing.block_of(on)
    grain: Said = "" if block == 1 else note("drawing.in-means", over=metres(on.relief.step * block))
    return note(
        "drawing.page-source",
        tool=source.tool,
        file=source.file,
        hash=source.sha256,
        marks=report.marks,
        grain=grain,
    )


def _sections(report: Report, units: str) -> Iterator[dict[str, object]]:
    """Title, facts and tables of every section that has any, in reading order."""
    order = dict.fromkeys(_FIRST, -1) | {name: number for number, name in enumerate(_LAST, 1)}
    for section in sorted(report.sections, key=lambda part: order.get(part.name, 0)):
        facts = [(_label(fact), _said(fact.text, units)) for fact in section.facts]
        tables = [_shown(table, units) for table in section.tables]
        if facts or tables:
            yield {"title": _title(section), "facts": facts, "tables": tables}


def _label(fact: Fact) -> str:
    return say(Note(f"fact.{fact.key}"))


def _title(section: Section) -> str:
    """The heading of a section's facts; its tables carry their own."""
    code = f"section.{section.name.replace('_', '-')}"
    return say(Note(code)) if section.facts else ""


def _shown(table: Table, units: str) -> dict[str, object]:
    """A table with, beside every text, whether it is a word and not a number."""
    wordy = [column.key in _WORDS for column in table.columns]
    return {
        "title": _said(table.title, units),
        "empty": finished(printed(table.empty), units),
        "heads": list(zip(table.headings(units), wordy, strict=True)),
        "rows": [list(zip(row, wordy, strict=True)) for row in table.texts(units)],
    }
