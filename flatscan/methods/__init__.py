"""The methods in the program's own words: ``methods/decision 3`` is section 3 of the text called decision."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from flatscan.core.errors import BadValue

# in the order in which they are best read
NAMES = (
    "record",
    "definitions",
    "straightedge",
    "decision",
    "uncertainty",
    "walls",
    "tie",
    "laser-line",
    "photos",
    "finish-plane",
    "trade",
    "tolerances",
    "comparison",
    "words",
)
_HEADING = re.compile(r"^## (\d+)\. (.+)$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Text:
    """One text: its ``name`` as it is cited, its ``title`` in one line, and the whole ``text`` in Markdown."""

    name: str
    title: str
    text: str

    @property
    def sections(self) -> dict[int, str]:
        """Titles of the numbered sections by their number."""
        return {int(number): title for number, title in _HEADING.findall(self.text)}


@cache
def load(name: str) -> Text:
    """The text of that name, also in the plural; an unknown one raises `BadValue` that names all there are."""
    name = name.removesuffix("s") if name.removesuffix("s") in NAMES else name
    if name not in NAMES:
        raise BadValue(
            "methods",
            "'{name}'",
            needed="one of {known}",
            remedy="Choose one of these; {run:methods} lists them",
            name=name,
            known=", ".join(NAMES),
        )
    text = files("flatscan.methods").joinpath(f"{name}.md").read_text(encoding="utf-8")
    return Text(name, text.partition("\n")[0].removeprefix("# "), text)


def available() -> tuple[Text, ...]:
    """All texts, in the order in which they are best read."""
    return tuple(load(name) for name in NAMES)
