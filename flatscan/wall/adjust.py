"""What the user knows better: a region, openings added or removed, other strips left out, sizes by tape."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array, Rectangle, polygon_area
from flatscan.core.model import Opening, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.wall.draw import in_order
from flatscan.wall.outline import clip, left_out
from flatscan.wall.smear import USUAL

LEAST_REGION = 0.05
# a chase may be narrow [m]
_LEAST_HOLE = 0.01
SAME = 0.5
NOTABLE = 0.01
NOT_THIS_WALL = 0.2
LEAST_TAPED, MOST_TAPED = 0.1, 300.0


def adjust(
    wall: Wall,
    *,
    region: Rectangle | None = None,
    add_openings: Iterable[Opening | Rectangle] = (),
    remove_openings: Iterable[int] = (),
    trim: float | None = None,
    pockets: Iterable[Rectangle] = (),
    skips: Iterable[Rectangle] = (),
) -> Wall:
    """The wall with the user's word on it; what is changed is said in its notes.

    ``region`` and added openings are x0, y0, x1, y1 in wall coordinates [m]; openings to remove are numbered from 1
    in the wall's own order. ``trim`` [m] replaces the strips left out at corners, on all four edges (0: none). An
    added opening that covers half or more of a found one replaces it. ``pockets`` are chases that are filled first
    and priced apart, ``skips`` parts that are not to be plastered: rectangles like openings. Raises `BadValue` for
    numbers that do not exist and rectangles without area or off the wall.
    """
    wall = _without(wall, list(remove_openings))
    for opening in add_openings:
        wall = _with(wall, opening)
    pits = tuple(_hole("{set:pocket}", place, wall) for place in pockets)
    left = tuple(_hole("{set:skip}", place, wall) for place in skips)
    wall = replace(wall, pockets=(*wall.pockets, *pits), skips=(*wall.skips, *left))
    if trim is not None:
        wall = _trimmed(wall, trim)
    return wall if region is None else _within(wall, region)


def _rectangle(name: str, corners: Rectangle, wall: Wall, least: float = LEAST_REGION) -> Rectangle:
    """The rectangle with its corners in order, checked to lie (partly) on the wall."""
    x0, y0, x1, y1 = corners
    if not np.isfinite(corners).all() or x1 - x0 < least - 1e-9 or y1 - y0 < least - 1e-9:
        raise BadValue(
            name,
            "x0, y0, x1, y1 = {x0:length}, {y0:length}, {x1:length}, {y1:length}",
            needed="x1 and y1 at least {least:length} beyond x0 and y0",
            remedy="Give the lower left corner first, then the upper right",
            x0=metres(x0),
            y0=metres(y0),
            x1=metres(x1),
            y1=metres(y1),
            least=metres(least),
        )
    low, high = wall.whole.min(axis=0), wall.whole.max(axis=0)
    if x1 <= low[0] or y1 <= low[1] or x0 >= high[0] or y0 >= high[1]:
        raise BadValue(
            name,
            "x {x0:length} to {x1:length}, y {y0:length} to {y1:length} lies off the wall",
            needed="a part of x 0 to {right:length}, y 0 to {top:length}",
            remedy="Measure from the wall's lower left corner, seen from the room",
            x0=metres(x0),
            y0=metres(y0),
            x1=metres(x1),
            y1=metres(y1),
            right=metres(high[0]),
            top=metres(high[1]),
        )
    return x0, y0, x1, y1


def _without(wall: Wall, numbers: list[int]) -> Wall:
    count = len(wall.openings)
    for number in numbers:
        if not 1 <= number <= count:
            raise BadValue(
                "{set:no_opening}",
                "number {number}",
                needed="1 to {count}" if count else "a wall with openings found",
                remedy="Look the number up in the list of openings",
                number=number,
                count=count,
            )
    kept = tuple(opening for place, opening in enumerate(wall.openings) if place + 1 not in numbers)
    said = tuple(note("wall.opening-undone", number=number) for number in sorted(set(numbers)))
    return replace(wall, openings=kept, notes=(*wall.notes, *said))


def _with(wall: Wall, opening: Opening | Rectangle) -> Wall:
    corners = (opening.left, opening.bottom, opening.right, opening.top) if isinstance(opening, Opening) else opening
    x0, y0, x1, y1 = _rectangle("{set:opening}", corners, wall)
    new = Opening(x0, y0, x1 - x0, y1 - y0)
    kept = [old for old in wall.openings if _shared(old, new) < SAME * old.width * old.height]
    gone = [old for old in wall.openings if old not in kept]
    said = [note("wall.opening-replaced", (old.left, old.bottom)) for old in gone]
    return replace(wall, openings=in_order([*kept, new]), notes=(*wall.notes, *said))


def _hole(setting: str, place: Rectangle, wall: Wall) -> Opening:
    x0, y0, x1, y1 = _rectangle(setting, place, wall, _LEAST_HOLE)
    return Opening(x0, y0, x1 - x0, y1 - y0)


def _shared(one: Opening, two: Opening) -> float:
    """Area [m2] that two openings share."""
    across = min(one.right, two.right) - max(one.left, two.left)
    upward = min(one.top, two.top) - max(one.bottom, two.bottom)
    return max(across, 0.0) * max(upward, 0.0)


def _trimmed(wall: Wall, trim: float) -> Wall:
    whole = wall.whole
    if not 0 <= trim < min(np.ptp(whole, axis=0)) / 4:
        raise BadValue(
            "{set:trim}",
            "{trim:length} on a wall of {width:length} x {height:length}",
            needed="0 to a quarter of its smaller side",
            remedy="Choose a strip such as {usual:length}",
            trim=metres(trim),
            width=metres(wall.width),
            height=metres(wall.height),
            usual=metres(USUAL),
        )
    said = note("wall.trimmed", strip=metres(trim)) if trim else note("wall.nothing-trimmed")
    outline = left_out(whole, np.full(4, trim))
    return replace(wall, outline=outline, full=whole if trim else None, skirting=0.0, notes=(*wall.notes, said))


def _within(wall: Wall, region: Rectangle) -> Wall:
    """Only the region: outlines and openings are cut to it, coordinates stay those of the whole wall."""
    x0, y0, x1, y1 = _rectangle("{set:region}", region, wall)
    outline, whole = _part_in(wall.outline, (x0, y0, x1, y1)), _part_in(wall.whole, (x0, y0, x1, y1))
    window = Opening(x0, y0, x1 - x0, y1 - y0)
    openings, pockets, skips = (
        tuple(_cut_to(hole, region) for hole in holes if _shared(hole, window) > 0)
        for holes in (wall.openings, wall.pockets, wall.skips)
    )
    low, high = whole.min(axis=0), whole.max(axis=0)
    said = note(
        "wall.region",
        left=metres(low[0]),
        right=metres(high[0]),
        bottom=metres(low[1]),
        top=metres(high[1]),
    )
    return replace(
        wall,
        outline=outline,
        full=None if np.isclose(polygon_area(outline), polygon_area(whole), rtol=1e-9) else whole,
        skirting=max(0.0, float(wall.whole[:, 1].min()) + wall.skirting - float(low[1])),
        openings=openings,
        pockets=pockets,
        skips=skips,
        notes=(*wall.notes, said),
    )


def _part_in(outline: Array, region: Rectangle) -> Array:
    """The part of an outline (k, 2) in a region; `BadValue` where next to nothing of it lies there."""
    x0, y0, x1, y1 = region
    for point, outward in (((x0, y0), (-1, 0)), ((x0, y0), (0, -1)), ((x1, y1), (1, 0)), ((x1, y1), (0, 1))):
        outline = clip(outline, np.array(point, float), np.array(outward, float))
        if len(outline) < 3 or polygon_area(outline) < LEAST_REGION**2:
            raise BadValue(
                "{set:region}",
                "next to nothing of the wall lies in it",
                needed="a part of the wall that was measured",
                remedy="Choose a region on the wall and clear of the strips left out at its edges",
            )
    return outline


def _cut_to(hole: Opening, region: Rectangle) -> Opening:
    left, bottom = max(hole.left, region[0]), max(hole.bottom, region[1])
    right, top = min(hole.right, region[2]), min(hole.top, region[3])
    return Opening(left, bottom, right - left, top - bottom, hole.evidence)


def check_taped(width: float | None, height: float | None) -> None:
    """Refuse a taped size that no wall has: `BadValue` unless it is 0.1 to 300 m."""
    for name, taped in (("{set:width}", width), ("{set:height}", height)):
        if taped is not None and not LEAST_TAPED <= taped <= MOST_TAPED:
            raise BadValue(
                name,
                "{taped:span}",
                needed="the wall's size as taped, {least:span} to {most:span}",
                remedy="Give it with its unit",
                taped=metres(taped),
                least=metres(LEAST_TAPED),
                most=metres(MOST_TAPED),
            )


def scale_notes(wall: Wall, width: float | None, height: float | None) -> list[Note]:
    """What the taped sizes [m] say about the scale: + where the capture shows the wall too large."""
    notes = []
    sides = (note("wall.width"), width, wall.width), (note("wall.height"), height, wall.height)
    for side, taped, shown in sides:
        if taped is None:
            continue
        error = shown / taped - 1
        scale = note("wall.scale", side=side, shown=metres(shown), taped=metres(taped), error=share(error))
        if abs(error) > NOT_THIS_WALL:
            scale = note("wall.scale-too-far", scale=scale)
        elif abs(error) > NOTABLE:
            scale = note("wall.scale-moves-areas", scale=scale, areas=share(2 * error))
        notes.append(scale)
    return notes
