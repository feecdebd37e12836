"""How results show themselves to somebody at work in Python."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar


class Showing:
    """What shows itself to somebody at work in Python: in a line, and as a page of a notebook.

    The rooms below the report have no words; `flatscan.library`, which has, says here where they are found. Until then
    a result tells no more than its type.
    """

    __slots__ = ()
    in_a_line: ClassVar[Callable[[Any], str] | None] = None
    on_a_page: ClassVar[Callable[[Any], str] | None] = None

    def __repr__(self) -> str:
        say = type(self).in_a_line
        return f"<{type(self).__name__}>" if say is None else say(self)

    def _repr_html_(self) -> str | None:
        show = type(self).on_a_page
        return None if show is None else show(self)
