"""What a capture leaves open (its unit, which way is up, which side is the room): how it was settled, and how else.

Places that somebody types in a file's own numbers (`file_numbers`), and how they are written for him (`file_place`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from flatscan.core.errors import BadValue
from flatscan.core.notes import Note

# as the user says; nothing speaks for another reading; another one is possible; two are as likely
GIVEN, SURE, LIKELY, OPEN = "given", "sure", "likely", "open"


@dataclass(frozen=True, slots=True)
class Otherwise:
    """Another reading: the ``value`` of the setting that takes it, and the size [m] of the largest wall it makes.

    None where the size is the same or not known.
    """

    value: str
    width: float | None = None
    height: float | None = None


@dataclass(frozen=True, slots=True)
class Settled:
    """How one thing was settled: the ``setting`` that says it, the ``value`` taken, ``by`` what, how ``sure``.

    ``others`` are readings that the capture allows as well, the likeliest first.
    """

    setting: str
    value: str
    by: Note
    sure: str = SURE
    others: tuple[Otherwise, ...] = ()


def file_place(point: Iterable[float], decimals: int = 2) -> str:
    """A point as it is typed: x,y,z in the file's own numbers."""
    return ",".join(f"{float(part) + 0.0:.{decimals}f}" for part in point)


def file_numbers(given: str | Sequence[object], count: int, setting: str) -> tuple[float, ...]:
    """So many numbers in the file's own unit out of ``x,y,z`` or a sequence; raises `BadValue` for anything else."""
    parts = given.split(",") if isinstance(given, str) else list(given)
    try:
        numbers = tuple(float(part) for part in parts)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        numbers = ()
    if len(numbers) != count or not all(math.isfinite(number) for number in numbers):
        raise BadValue(
            f"{{set:{setting}}}",
            "'{given}'",
            needed="{count} numbers as they stand in the file, without a unit",
            remedy="Give them parted by commas",
            given=given if isinstance(given, str) else ",".join(str(part) for part in parts),
            count=count,
        )
    return numbers
