"""Points that the face must meet, given as what the laser reads there."""

from __future__ import annotations

from collections.abc import Sequence

from flatscan.core.errors import BadValue
from flatscan.jobs.results import Seen
from flatscan.plan.finish import FixedPoint

_Reading = tuple[float, float, float]


def fixed_points(seen: Seen, readings: Sequence[_Reading], laser: float | None) -> tuple[FixedPoint, ...]:
    """The fixed points of a table, and of ``readings`` (x, y, reading) [m] that a plan gives, as points of the face.

    On laser readings the plan's are in the table's own sense. On a scan ``laser`` [m] is z of the laser plane, and a
    big reading is hollow; raises `BadValue` where nobody said it.
    """
    found = [FixedPoint(x, y, offset) for x, y, offset in seen.fixed]
    if not readings:
        return tuple(found)
    if seen.readings is not None:
        sense, zero = (1.0 if seen.readings.proud_when_big else -1.0), 0.0
    elif laser is not None:
        sense, zero = -1.0, laser
    else:
        raise BadValue(
            "{set:fix}",
            "a reading at a fixed point of {file}, a scan",
            needed="how far the laser plane stands off the wall's foot",
            remedy="Give {set:laser}, or the point's offset from the wall",
            file=seen.origin.file,
        )
    return (*found, *(FixedPoint(x, y, zero + sense * reading) for x, y, reading in readings))
