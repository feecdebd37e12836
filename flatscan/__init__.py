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
        Change as Change,
    )
    from flatscan.library import (
        Check as Check,
    )
    from flatscan.library import (
        FlatscanError as FlatscanError,
    )
    from flatscan.library import (
        Grid as Grid,
    )
    from flatscan.library import (
        Lines as Lines,
    )
    from flatscan.library import (
        Lows as Lows,
    )
    from flatscan.library import (
        Note as Note,
    )
    from flatscan.library import (
        Plan as Plan,
    )
    from flatscan.library import (
        Quantity as Quantity,
    )
    from flatscan.library import (
        Requirement as Requirement,
    )
    from flatscan.library import (
        Seen as Seen,
    )
    from flatscan.library import (
        SetOut as SetOut,
    )
    from flatscan.library import (
        Stations as Stations,
    )
    from flatscan.library import (
        Survey as Survey,
    )
    from flatscan.library import (
        Unknown as Unknown,
    )
    from flatscan.library import (
        check as check,
    )
    from flatscan.library import (
        compare as compare,
    )
    from flatscan.library import (
        document as document,
    )
    from flatscan.library import (
        find_walls as find_walls,
    )
    from flatscan.library import (
        lines as lines,
    )
    from flatscan.library import (
        lows as lows,
    )
    from flatscan.library import (
        read as read,
    )
    from flatscan.library import (
        relief as relief,
    )
    from flatscan.library import (
        say as say,
    )
    from flatscan.library import (
        set_out as set_out,
    )
    from flatscan.library import (
        survey as survey,
    )
    from flatscan.library import (
        tolerances as tolerances,
    )
    from flatscan.library import (
        write as write,
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
