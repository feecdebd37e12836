"""What can hurt people, as data: each caution with the action it stands before and the material it belongs to."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any

from flatscan.core.notes import Caution, caution
from flatscan.core.quantity import metres
from flatscan.core.records import load_toml, of_table, one_of

_FILE = Path(__file__).parent / "cautions.toml"
_MEND = "Install the program again"
# what a job may ask somebody to do that can hurt; "all" stands before every one of them
ACTIONS = ("strip", "cover", "hack", "chase", "load", "shave", "mix", "lift", "laser", "height", "read", "all")
# over this build-up [m] the designer's word is needed (printed on a site sheet)
DESIGNER = 0.025
# from here on [m] work is done, and read, from a platform (common practice)
REACH = 2.0
_SHOWN: dict[str, dict[str, Any]] = {"thick": {"limit": metres(DESIGNER)}, "height": {"reach": metres(REACH)}}


@dataclass(frozen=True, slots=True)
class _Row:
    """A caution in the file; ``of`` is material, unknown, or empty where it goes with its action alone."""

    code: str
    action: Annotated[str, one_of(ACTIONS)]
    of: Annotated[str, one_of(("", "material", "unknown"))] = ""


@dataclass(frozen=True, slots=True)
class _File:
    """The file of cautions."""

    caution: tuple[_Row, ...]


@cache
def _rows() -> tuple[_Row, ...]:
    return of_table(_File, load_toml(_FILE, "a list of cautions", _MEND), _FILE, _MEND).caution


def codes_of_materials() -> tuple[str, ...]:
    """Codes of what materials can do to people, out of which a system names its own."""
    return tuple(row.code for row in _rows() if row.of == "material")


def cautions_of(actions: Collection[str], materials: Collection[str] | None = ()) -> tuple[Caution, ...]:
    """The cautions of ``actions``, the weightiest first, each once; none where nothing is done that can hurt.

    ``materials`` are the codes that the material system names, None where nobody said what is mixed.
    """
    asked = set(actions) - {"all"}
    kept = tuple(row for row in _rows() if row.action in asked and _goes_with(row, materials))
    last = tuple(row for row in _rows() if row.action == "all" and kept)
    return tuple(caution(f"caution.{row.code}", row.action, **_SHOWN.get(row.code, {})) for row in (*kept, *last))


def _goes_with(row: _Row, materials: Collection[str] | None) -> bool:
    if row.of == "material":
        return materials is not None and row.code in materials
    return row.of == "" or materials is None
