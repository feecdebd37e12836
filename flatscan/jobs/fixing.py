"""Points that the face must meet, given as what the laser reads there."""

from __future__ import annotations

from collections.abc import Sequence

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Rectangle
from flatscan.core.model import Wall
from flatscan.core.quantity import metres
from flatscan.jobs.results import Seen
from flatscan.plan.finish import FixedPoint

_Reading = tuple[float, float, float]
# a lining or a corner bead stands at the wall's very edge, and a tape is read to so much [m]
_BEYOND = 0.05


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
            remedy="Give {set:laser}, or how far the point stands off the wall",
            file=seen.origin.file,
        )
    return (*found, *(FixedPoint(x, y, zero + sense * reading) for x, y, reading in readings))


def off_wall(wall: Wall, x: float, y: float) -> tuple[bool, bool]:
    """Whether a place [m] lies beyond the ends of a wall, and whether under its foot or over its top."""
    return not -_BEYOND <= x <= wall.width + _BEYOND, not -_BEYOND <= y <= wall.height + _BEYOND


def box(left: float, bottom: float, width: float, height: float) -> Rectangle:
    """The corners of a box that somebody measured [m]; raises `BadValue` for one without any size."""
    if not (width > 0 and height > 0):
        raise BadValue("box", "no size", needed="a width and a height over 0", remedy="Give what was taped")
    return left, bottom, left + width, bottom + height


def must_lie_on(wall: Wall, points: Sequence[FixedPoint]) -> None:
    """Raise `BadValue` for a fixed point off the wall: no face goes through it."""
    for point in points:
        if any(off_wall(wall, point.x, point.y)):
            raise BadValue(
                "{set:fix}",
                "the point {at:xy} is off the wall",
                needed="0 to {width:span.3g} from the left, 0 to {height:span.3g} up",
                remedy="Put its place right, or take it out",
                at=(point.x, point.y),
                width=metres(wall.width),
                height=metres(wall.height),
            )
