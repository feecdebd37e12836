"""What the user knows better: a region, openings added or removed, other strips left out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, polygon_area
from flatscan.core.model import Opening, Wall
from flatscan.wall.outline import clip, left_out

Rectangle = tuple[float, float, float, float]
LEAST_REGION = 0.05
SAME = 0.5


def adjust(
    wall: Wall, *, region: Rectangle | None = None, add_openings: Iterable[Opening | Rectangle] = (),
    remove_openings: Iterable[int] = (), trim: float | None = None,
) -> Wall:  # fmt: skip
    """The wall with the user's word on it; what is changed is said in its notes.

    ``region`` and added openings are x0, y0, x1, y1 in wall coordinates [m]; openings to remove are numbered from 1
    in the wall's own order. ``trim`` [m] replaces the strips left out at corners, on all four edges (0: none). An
    added opening that covers half or more of a found one replaces it. Raises `BadValue` for numbers that do not exist
    and rectangles without area or off the wall.
    """
    wall = _without(wall, list(remove_openings))
    for opening in add_openings:
        wall = _with(wall, opening)
    if trim is not None:
        wall = _trimmed(wall, trim)
    return wall if region is None else _within(wall, region)


def _rectangle(name: str, corners: Rectangle, wall: Wall) -> Rectangle:
    """The rectangle with its corners in order, checked to lie (partly) on the wall."""
    x0, y0, x1, y1 = corners
    if not np.isfinite(corners).all() or x1 - x0 < LEAST_REGION or y1 - y0 < LEAST_REGION:
        text = ", ".join(f"{value * 1000:.0f}" for value in corners)
        raise BadValue(
            name, f"x0, y0, x1, y1 = {text} mm",
            needed=f"x1 and y1 at least {LEAST_REGION * 1000:.0f} mm beyond x0 and y0",
            remedy="Give the lower left corner first, then the upper right",
        )  # fmt: skip
    low, high = _whole(wall).min(axis=0), _whole(wall).max(axis=0)
    if x1 <= low[0] or y1 <= low[1] or x0 >= high[0] or y0 >= high[1]:
        raise BadValue(
            name, f"x {x0 * 1000:.0f} to {x1 * 1000:.0f}, y {y0 * 1000:.0f} to {y1 * 1000:.0f} mm lies off the wall",
            needed=f"a part of x 0 to {high[0] * 1000:.0f}, y 0 to {high[1] * 1000:.0f} mm",
            remedy="Measure from the wall's lower left corner, seen from the room",
        )  # fmt: skip
    return x0, y0, x1, y1


def _whole(wall: Wall) -> Array:
    return wall.outline if wall.full is None else wall.full


def _without(wall: Wall, numbers: list[int]) -> Wall:
    count = len(wall.openings)
    for number in numbers:
        if not 1 <= number <= count:
            raise BadValue(
                "--no-opening", f"number {number}", needed=f"1 to {count}" if count else "a wall with openings found",
                remedy="Look the number up in the list of openings",
            )  # fmt: skip
    kept = tuple(opening for place, opening in enumerate(wall.openings) if place + 1 not in numbers)
    said = tuple(f"opening {number} was taken as wall: the user's word" for number in sorted(set(numbers)))
    return replace(wall, openings=kept, notes=(*wall.notes, *said))


def _with(wall: Wall, opening: Opening | Rectangle) -> Wall:
    corners = (opening.left, opening.bottom, opening.right, opening.top) if isinstance(opening, Opening) else opening
    x0, y0, x1, y1 = _rectangle("--opening", corners, wall)
    new = Opening(x0, y0, x1 - x0, y1 - y0, "given")
    kept = [old for old in wall.openings if _shared(old, new) < SAME * old.width * old.height]
    said = [
        f"the opening found at x {old.left * 1000:.0f}, y {old.bottom * 1000:.0f} mm was replaced by the one given"
        for old in wall.openings if old not in kept
    ]  # fmt: skip
    return replace(wall, openings=in_order([*kept, new]), notes=(*wall.notes, *said))


def in_order(openings: Iterable[Opening]) -> tuple[Opening, ...]:
    """Openings from left to right, the lower first."""
    return tuple(sorted(openings, key=lambda opening: (round(opening.left, 3), round(opening.bottom, 3))))


def _shared(one: Opening, two: Opening) -> float:
    """Area [m2] that two openings share."""
    across = min(one.right, two.right) - max(one.left, two.left)
    upward = min(one.top, two.top) - max(one.bottom, two.bottom)
    return max(across, 0.0) * max(upward, 0.0)


def _trimmed(wall: Wall, trim: float) -> Wall:
    whole = _whole(wall)
    if not 0 <= trim < min(np.ptp(whole, axis=0)) / 4:
        raise BadValue(
            "trim", f"{trim * 1000:.0f} mm on a wall of {wall.width * 1000:.0f} x {wall.height * 1000:.0f} mm",
            needed="0 to a quarter of its smaller side", remedy="Choose a strip such as 50 mm",
        )  # fmt: skip
    said = f"{trim * 1000:.0f} mm were left out along every edge: the user's word" if trim else "no strip was left out"
    outline = left_out(whole, np.full(4, trim))
    return replace(wall, outline=outline, full=whole if trim else None, notes=(*wall.notes, said))


def _within(wall: Wall, region: Rectangle) -> Wall:
    """Only the region: outline and openings are cut to it, coordinates stay those of the whole wall."""
    x0, y0, x1, y1 = _rectangle("--region", region, wall)
    outline = wall.outline
    for point, outward in (((x0, y0), (-1, 0)), ((x0, y0), (0, -1)), ((x1, y1), (1, 0)), ((x1, y1), (0, 1))):
        outline = clip(outline, np.array(point, float), np.array(outward, float))
        if len(outline) < 3 or polygon_area(outline) < LEAST_REGION**2:
            raise BadValue(
                "--region", "next to nothing of the wall lies in it", needed="a part of the wall that was measured",
                remedy="Choose a region on the wall and clear of the strips left out at its edges",
            )  # fmt: skip
    openings = tuple(
        Opening(max(o.left, x0), max(o.bottom, y0), min(o.right, x1) - max(o.left, x0),
                min(o.top, y1) - max(o.bottom, y0), o.evidence)
        for o in wall.openings if min(o.right, x1) > max(o.left, x0) and min(o.top, y1) > max(o.bottom, y0)
    )  # fmt: skip
    low, high = outline.min(axis=0) * 1000, outline.max(axis=0) * 1000
    said = f"only the region x {low[0]:.0f} to {high[0]:.0f}, y {low[1]:.0f} to {high[1]:.0f} mm was measured"
    return replace(wall, outline=outline, full=None, openings=openings, notes=(*wall.notes, said))
