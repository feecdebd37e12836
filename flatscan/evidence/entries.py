"""Two result documents of one job beside each other, entry by entry."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flatscan.report.rechecked import Row, State

# documents are rounded to 0.001, so two computations of one number may differ by one such step
ROUNDING = 0.001
_SLACK = 1e-9
# what was entered, wherever these stand: no library computes it, so no version moves it. Limits are not among them,
# since some follow a measured length
_ENTERED = frozenset(
    {"confidence", "risk", "rule_mm", "finish_mm", "strip_mm", "cover_mm", "waste_share", "by_hand_mm"}
)


class _Absent(str):
    """What stands where only the other document has an entry: equal to no word of either."""

    __slots__ = ()


_ABSENT = _Absent("(absent)")


def compare_documents(sealed: Any, again: Any, *, rounding: bool = False) -> tuple[Row, ...]:
    """Every entry of two result documents in reading order; one that only one of them has is different.

    With ``rounding``, where other versions of the libraries ran, computed numbers may be one step of rounding apart.
    """
    return tuple(_walk(sealed, again, "", rounding))


def _walk(sealed: Any, again: Any, path: str, rounding: bool) -> Iterator[Row]:
    if isinstance(sealed, dict) and isinstance(again, dict):
        for key in [*sealed, *(key for key in again if key not in sealed)]:
            below = f"{path}.{key}" if path else key
            computed = rounding and key not in _ENTERED
            yield from _walk(sealed.get(key, _ABSENT), again.get(key, _ABSENT), below, computed)
    elif isinstance(sealed, list) and isinstance(again, list):
        for k in range(max(len(sealed), len(again))):
            one, two = (side[k] if k < len(side) else _ABSENT for side in (sealed, again))
            yield from _walk(one, two, f"{path}.{k + 1}", rounding)
        if not sealed and not again:
            yield Row(path, [], [], "same")
    else:
        yield Row(path, sealed, again, _state(sealed, again, rounding))


def _state(sealed: Any, again: Any, rounding: bool) -> State:
    if type(sealed) is type(again) and sealed == again:
        return "same"
    if _is_real(sealed) and _is_real(again):
        return "rounding" if rounding and abs(sealed - again) <= ROUNDING + _SLACK else "different"
    return "wording" if type(sealed) is type(again) is str else "different"


def _is_real(value: Any) -> bool:
    return isinstance(value, float)
