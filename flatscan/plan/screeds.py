"""The set-out of a wall: every screed with its dots, the one to start from, and lines to check them by."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import FacePlane
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.plan.dots import (
    Dot,
    Screed,
    Screeds,
    SetOutOptions,
    behind,
    dot_heights,
    plumb_is_known,
    room,
    screed_places,
    station_places,
)

# a dot up to here counts as the foot: what plumb does over half a metre is under its own uncertainty
_FOOT = 0.5
_STEP = 0.025


def set_out(relief: Relief, wall: Wall, plane: FacePlane, *, options: SetOutOptions) -> Screeds:
    """Screeds, dots and packings for a finish plane (methods/trade 2).

    Packing is the distance from the wall to the face of the plane less ``finish``, or to the back of a strip. Where u
    of plumb over the wall's height passes the limit only packings at the foot are given. Raises `TooFewPoints` where
    nothing was measured.
    """
    if not relief.valid.any():
        raise TooFewPoints(
            "set-out", "no measured place", needed="a wall with readings", remedy="Check the outline and the openings"
        )
    places = screed_places(wall, options) if relief.known_between else station_places(relief, options)
    screeds = [_clear_of_wall(relief, wall, plane, options, places, i) for i in range(len(places))]
    screeds = _start_marked([screed for screed in screeds if screed.dots])
    notes = _notes(relief, wall, options, screeds)
    return Screeds(
        options.rule, tuple(screeds), tuple(notes), options.most_apart, _checks(screeds, options), options.strip
    )


def _laser(relief: Relief, options: SetOutOptions) -> float | None:
    """z of the laser plane: as given, and 0 for stations, which were read from it."""
    return relief.laser if options.laser is None else options.laser


def _dot(relief: Relief, wall: Wall, plane: FacePlane, options: SetOutOptions, x: float, y: float, foot: float) -> Dot:
    """One dot; what plumb adds to its u grows from the foot up."""
    laser = _laser(relief, options)
    face = plane.offset + plane.turn * x + plane.lean * y - options.finish
    reading = None if laser is None else laser - face
    stands = behind(relief, x, y)
    if stands is None or not (plumb_is_known(wall, options) or y - foot < 1e-9 and y <= _FOOT):
        return Dot(y, None, None, reading=reading)
    lean = (wall.plumb.u_lean or 0.0) * (y - foot)
    u = math.hypot(stands.u, relief.common.sd, lean)
    return Dot(y, room(plane, options, x, y, stands) - (options.strip or 0.0), u, reading=reading)


def _screed(relief: Relief, wall: Wall, plane: FacePlane, options: SetOutOptions, x: float) -> Screed:
    heights = dot_heights(relief, x, options)
    foot = heights[0] if heights else 0.0
    return Screed(x, tuple(_dot(relief, wall, plane, options, x, y, foot) for y in heights))


def _shortage(relief: Relief, plane: FacePlane, options: SetOutOptions, x: float) -> tuple[float, float]:
    """How much room [m] a screed at x lacks at its tightest place, and the height of that place.

    A strip is straight and runs on between the dots, so every cell within half a screed's width counts; 2 mm must
    be left behind it. Without a strip the face itself must clear the wall.
    """
    near = relief.columns_near(x, options.lining)
    across, upward = (part[:, near] for part in relief.places)
    face = plane.offset + plane.turn * across + plane.lean * upward - options.finish
    least = options.strip + options.clear if options.strip is not None else 0.0
    lack = np.where(relief.valid[:, near], least - (face - relief.offset[:, near]), -np.inf)
    worst = np.unravel_index(int(np.argmax(lack)), lack.shape)
    return float(lack[worst]), float(upward[worst])


def _clear_of_wall(
    relief: Relief, wall: Wall, plane: FacePlane, options: SetOutOptions, places: list[float], number: int
) -> Screed:
    """The screed at its place, or moved to the nearest place within reach where it clears the wall, or named."""
    here = _screed(relief, wall, plane, options, places[number])
    lack, height = _shortage(relief, plane, options, places[number])
    if lack <= 1e-9:
        return here
    if relief.known_between:
        low, high = _reach(wall, options, places, number)
        for away in sorted(np.arange(-options.move, options.move + 1e-9, _STEP), key=lambda step: (abs(step), step)):
            x = places[number] + float(away)
            if not low - 1e-9 <= x <= high + 1e-9:
                continue
            other = _screed(relief, wall, plane, options, x)
            if other.dots and _shortage(relief, plane, options, x)[0] <= 1e-9:
                by = metres(abs(float(away)))
                said = note("plan.screed-moved-right" if away > 0 else "plan.screed-moved-left", by=by)
                return replace(other, moved=float(away), note=said)
    said = note("plan.screed-hits", (places[number], height), height=metres(height), lack=metres(lack))
    return replace(here, note=said)


def _reach(wall: Wall, options: SetOutOptions, places: list[float], number: int) -> tuple[float, float]:
    """How far a screed may move without leaving its neighbours too far apart, the wall, or a lining."""
    low, high = float(wall.outline[:, 0].min()), float(wall.outline[:, 0].max())
    x = places[number]
    left, right = places[number - 1] if number else low, places[number + 1] if number + 1 < len(places) else high
    low, high = max(left, right - options.most_apart), min(right, left + options.most_apart)
    for hole in wall.openings:
        if x <= hole.left:
            high = min(high, hole.left - options.lining)
        elif x >= hole.right:
            low = max(low, hole.right + options.lining)
    return low, high


def _start_marked(screeds: list[Screed]) -> list[Screed]:
    """Marks the dot with the least packing: it decides whether the plane clears the wall, so it goes first."""
    # to the micrometre, so that equal packings start at the left foot whatever the last bit says
    given = [
        (round(dot.packing, 6), i, k)
        for i, screed in enumerate(screeds)
        for k, dot in enumerate(screed.dots)
        if dot.packing is not None
    ]
    if not given:
        return screeds
    _, i, k = min(given)
    dots = list(screeds[i].dots)
    dots[k] = replace(dots[k], start_here=True)
    screeds[i] = replace(screeds[i], dots=tuple(dots))
    return screeds


def _checks(screeds: list[Screed], options: SetOutOptions) -> tuple[Note, ...]:
    """Lines that must read 0 once all dots are in one plane."""
    if len(screeds) < 2:
        return (note("plan.check-level"),)
    left, right = metres(screeds[0].x), metres(screeds[-1].x)
    return (
        note("plan.check-dots" if options.strip is None else "plan.check-strips", left=left, right=right),
        note("plan.check-diagonals", left=left, right=right),
    )


def _notes(relief: Relief, wall: Wall, options: SetOutOptions, screeds: list[Screed]) -> list[Note]:
    notes = _plumb_notes(wall, options)
    for left, right in zip(screeds, screeds[1:], strict=False):
        if right.x - left.x > options.most_apart + 1e-6:
            notes.append(
                note(
                    "plan.screeds-apart",
                    left=metres(left.x),
                    right=metres(right.x),
                    between=metres(right.x - left.x),
                    most=metres(options.most_apart),
                )
            )
    notes += [note("plan.screed", x=metres(screed.x), said=screed.note) for screed in screeds if screed.note]
    blind = tuple(metres(screed.x) for screed in screeds if _unread(relief, screed))
    return [*notes, note("plan.dots-unread", at=blind)] if blind else notes


def _plumb_notes(wall: Wall, options: SetOutOptions) -> list[Note]:
    """Why only the packing at the foot is given, where that is so."""
    if plumb_is_known(wall, options):
        return []
    allowed = metres(options.plumb)
    if wall.plumb.u_lean is None:
        return [note("plan.setout-plumb-unknown", allowed=allowed)]
    return [note("plan.setout-plumb", u=metres(wall.plumb.u_lean * wall.height), allowed=allowed)]


def _unread(relief: Relief, screed: Screed) -> bool:
    return any(behind(relief, screed.x, dot.y) is None for dot in screed.dots)
