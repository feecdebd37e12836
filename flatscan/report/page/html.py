"""The page: template, style and script in one file, locked by hashes so that nothing else can run in it."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

import numpy as np

from flatscan import __version__
from flatscan.core.errors import OutputError
from flatscan.core.units import length_text
from flatscan.report import banding, change_tables, change_words, facts, more_tables, tables, words
from flatscan.report.figures.titleblock import title_cells
from flatscan.report.page import packing
from flatscan.report.say import say
from flatscan.report.tables import Table
from flatscan.report.view import Findings

_HERE = Path(__file__).parent
_SCRIPTS = ("numbers.js", "drawing.js", "touch.js")
_WORDS = {"kind", "name", "decision", "mark", "what", "note", "band", "product", "unit"}


def page(findings: Findings, units: str = "mm") -> str:
    """One self-contained HTML file of these findings: no network, no script but its own; names are escaped.

    A wall with nothing measured raises `OutputError`.
    """
    if not np.isfinite(findings.shape.residual[findings.relief.valid]).any():
        raise OutputError(
            "wall.html",
            "the wall has no measured cell",
            needed="at least one measured cell or station",
            remedy="Check the region, the wall number and the capture",
        )
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    house = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    style = _read("page.css")
    # one scope for the three parts, so that nothing of theirs is left lying about in the page
    script = '"use strict";\n(() => {\n' + "".join(map(_read, _SCRIPTS)) + "})();\n"
    return house.get_template("page.html.j2").render(
        # these files are part of the package, not of anybody's input
        style=Markup(style),  # noqa: S704
        script=Markup(script),  # noqa: S704
        style_hash=_hash(style),
        script_hash=_hash(script),
        **_content(findings, units),
    )


def _read(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """What the content security policy names a text by: base64 of its SHA-256 (W3C CSP level 3, 2.3.1)."""
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _content(findings: Findings, units: str) -> dict[str, object]:
    data = packing.pack(findings, units)
    judged_by = () if findings.verdict is None else findings.verdict.criteria
    origin = findings.origin
    (_, _, size), *cells = title_cells(findings, units)
    block = packing.block_of(findings)
    grain = "" if block == 1 else _block_note(findings, units, block)
    return {
        "name": words.wall_name(findings),
        "size": size,
        "cells": cells,
        "cautions": words.short_cautions(findings, units),
        "all_cautions": words.all_cautions(findings, units),
        "decisions": [words.judged(findings, criterion, units) for criterion in judged_by],
        "layers": data["layers"],
        "grid": data["grid"] is not None,
        "spots": tables.spot_table(findings).records() + tables.gap_table(findings).records(),
        "facts": _facts(findings, units),
        "tables": [_shown(table, units) for table in _tables(findings, units)],
        "not_examined": "; ".join(words.not_examined(findings, units)),
        "warnings": [words.sentence(text) for text in dict.fromkeys(findings.warnings)],
        "record": words.RECORD,
        "source": f"flatscan {__version__}; {origin.file}; SHA-256 {origin.sha256 or 'none'}. {grain}".strip(),
        "data": data,
    }


def _block_note(findings: Findings, units: str, block: int) -> str:
    over = length_text(findings.relief.step * block, units)
    return f"On this page the wall is drawn in means over {over}; the tables are not."


def _facts(findings: Findings, units: str) -> list[tuple[str, facts.Facts]]:
    made = [
        ("Comparison", change_words.pairs(findings, units)),
        ("Build-up", facts.build_up(findings, units)),
        ("Order", facts.order(findings, units)),
        ("Straightedge", facts.test(findings, units) + facts.excess(findings, units)),
        ("Size and shape", facts.wall(findings, units)),
        ("Capture", facts.capture(findings, units)),
    ]
    return [(title, pairs) for title, pairs in made if pairs]


def _tables(findings: Findings, units: str) -> tuple[Table, ...]:
    more = (
        banding.table(findings, units),
        tables.gap_table(findings),
        *change_tables.beside(findings),
        *more_tables.beside(findings),
    )
    return (tables.spot_table(findings), *tables.every(findings), *(table for table in more if table.rows))


def _shown(table: Table, units: str) -> dict[str, object]:
    """A table with, beside every text, whether it is a word and not a number."""
    wordy = [column.key in _WORDS for column in table.columns]
    return {
        "title": say(table.title, units),
        "empty": words.sentence(table.empty),
        "caution": say(table.caution, units),
        "heads": list(zip(table.headings(units), wordy, strict=True)),
        "rows": [list(zip(row, wordy, strict=True)) for row in table.texts(units)],
    }
