"""A sealed result document beside one made again, number by number."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

# documents are rounded to 0.001, so two computations of one number may differ by one such step
ROUNDING = 0.001
_SLACK = 1e-9
# sentences for people: another version may word them anew without any number being another
_PROSE = re.compile(r"(^|\.)(warnings|notes|reasons|stops|files|note|why|words|known_from|up_from|facing_from)(\.|$)")


@dataclass(frozen=True, slots=True)
class Row:
    """One entry of a result: where it stands, the sealed value and the one made again, and how they compare.

    ``state`` is "same", "rounding" (within one step of the rounding), "wording" or "different".
    """

    path: str
    sealed: Any
    again: Any
    state: str


def compare_documents(sealed: Any, again: Any) -> tuple[Row, ...]:
    """Every entry of two result documents in reading order; an entry only one of them has is different."""
    return tuple(_walk(sealed, again, ""))


_ABSENT = "(absent)"


def _walk(sealed: Any, again: Any, path: str) -> Iterator[Row]:
    if isinstance(sealed, dict) and isinstance(again, dict):
        for key in [*sealed, *(key for key in again if key not in sealed)]:
            yield from _walk(sealed.get(key, _ABSENT), again.get(key, _ABSENT), f"{path}.{key}" if path else key)
    elif isinstance(sealed, list) and isinstance(again, list):
        for k in range(max(len(sealed), len(again))):
            one, two = (side[k] if k < len(side) else _ABSENT for side in (sealed, again))
            yield from _walk(one, two, f"{path}.{k + 1}")
        if not sealed and not again:
            yield Row(path, [], [], "same")
    else:
        yield Row(path, sealed, again, _state(sealed, again, path))


def _state(sealed: Any, again: Any, path: str) -> str:
    if type(sealed) is type(again) and sealed == again:
        return "same"
    if _is_number(sealed) and _is_number(again):
        apart = abs(sealed - again)
        if apart == 0:
            return "same"
        return "rounding" if apart <= ROUNDING + _SLACK and not _is_count(sealed, again) else "different"
    return "wording" if _PROSE.search(path) else "different"


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _is_count(one: Any, two: Any) -> bool:
    return isinstance(one, int) and isinstance(two, int)
