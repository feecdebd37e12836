"""The page's own style and scripts; the drawing's are those of the sheet one can send."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flatscan.desk.app import Desk

_OWN = Path(__file__).parent / "pages"
_SHEET = Path(__file__).parent.parent / "report" / "page"
_DRAWING = ("numbers.js", "drawing.js", "touch.js")
_TYPES = {"css": "text/css", "js": "text/javascript"}
# address: the files it is made of
_FILES = {
    "page.css": [_SHEET / "page.css", _OWN / "desk.css"],
    "desk.js": [_OWN / "desk.js"],
    "readings.js": [_OWN / "readings.js"],
    "wall.js": [_SHEET / name for name in _DRAWING],
    "answers.js": [_OWN / "answers.js"],
}


def icon(_desk: Desk) -> Any:
    """No picture for the browser's tab, said without an error."""
    return "", 204


def file(_desk: Desk, file: str) -> Any:
    """One of the page's files by its name in a fixed list; a script's parts share one scope of their own."""
    from flask import Response, abort

    if file not in _FILES:
        abort(404)
    text = "".join(path.read_text(encoding="utf-8") for path in _FILES[file])
    if file.endswith(".js"):
        text = f'"use strict";\n(() => {{\n{text}}})();\n'
    return Response(text, mimetype=_TYPES[file.rpartition(".")[2]])
