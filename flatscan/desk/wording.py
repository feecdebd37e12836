"""A failure in the words of the page: no option names, no folders of this machine."""

from __future__ import annotations

import re
from pathlib import Path

from flatscan.core.errors import FlatscanError
from flatscan.desk.answering import label

_OPTION = re.compile(r"--([a-z][a-z-]*)")
# what the stages call an option, where the page has no field of that name
_OTHERS = {
    "wall": "Wall", "capture_type": "How was it scanned?", "fix": "Fixed points", "most": "Most thickness",
    "no_opening": "Openings", "opening": "Openings", "system": "What goes on the wall?", "surface": "What was measured",
    "lean_up_to": "Lean", "turn_up_to": "Turn", "overwrite": "Replace", "tolerance": "Document",
}  # fmt: skip


def plain(trouble: FlatscanError, folder: Path) -> dict[str, str]:
    """Where, found, needed and remedy, each as a sentence for the page."""
    made = {name: _said(getattr(trouble, name), folder) for name in ("where", "found", "needed", "remedy")}
    made["found"] = made["found"][:1].upper() + made["found"][1:]
    return made


def _said(text: str, folder: Path) -> str:
    for place in {str(folder.resolve()), str(folder.absolute()), str(folder)}:
        text = text.replace(f"{place}/", "").replace(f"{place}\\", "")

    def field(match: re.Match[str]) -> str:
        name = match[1].replace("-", "_")
        known = label(name)
        return f"“{_OTHERS.get(name, known)}”" if name in _OTHERS or known != name else match[0]

    return _OPTION.sub(field, text)
