"""Photo-and-laser wall flatness analyser for plastering and rendering contractors.

``import flatscan as fs`` offers what `flatscan.library` describes; it is loaded when the first of its names is used,
so that the import itself takes no time.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flatscan.library import (
        Change,
        Check,
        FlatscanError,
        Grid,
        Lines,
        Lows,
        Note,
        Plan,
        Quantity,
        Requirement,
        Seen,
        SetOut,
        Stations,
        Survey,
        Unknown,
        check,
        compare,
        document,
        find_walls,
        lines,
        lows,
        read,
        relief,
        say,
        set_out,
        survey,
        tolerances,
        write,
    )

__version__ = "0.1.0"
__all__ = [
    "Change",
    "Check",
    "FlatscanError",
    "Grid",
    "Lines",
    "Lows",
    "Note",
    "Plan",
    "Quantity",
    "Requirement",
    "Seen",
    "SetOut",
    "Stations",
    "Survey",
    "Unknown",
    "check",
    "compare",
    "document",
    "find_walls",
    "lines",
    "lows",
    "read",
    "relief",
    "say",
    "set_out",
    "survey",
    "tolerances",
    "write",
]


def __getattr__(name: str) -> object:
    """The library's names, when they are first asked for (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module("flatscan.library"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Package(ModuleType):
    """A package where a function keeps its name beside the room of that name (`relief`, `compare`).

    Importing a room would bind it here over the function; ``from flatscan.relief import ...`` needs no such binding.
    """

    def __setattr__(self, name: str, value: object) -> None:
        if not (isinstance(value, ModuleType) and name in __all__):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
