"""The set-out of a wall: every screed with its dots, the one to start from, and lines to check them by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array, FacePlane
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.plan.behind import Ground
from flatscan.plan.dots import (
    Dot,
    Screed,
    Screeds,
    SetOutOptions,
    dot_heights,
    plumb_is_known,
    room,
    stretches,
)
from flatscan.plan.places import screed_places

# a dot up to here counts as the foot: what plumb does over half a metre is under its own uncertainty
_FOOT = 0.5
_STEP = 0.025
# lengths under this [m] are none
_NOTHING = 5e-5
# nobody moves a screed for less than this [m] (common practice)
_WORTH_MOVING = 0.001
# readings within this [m] of each other are one to whoever reads them by hand
_ONE_READING = 0.0005
# what one of the other units of laser readings is, in metres
_UNIT = {"cm": 1e-2, "in": 0.0254}


@dataclass(frozen=True, slots=True)
class Lack:
    """How much room [m] the screeds lack at their tightest place x, y [m], with none moved any further; 0: none."""

    by: float
    x: float
    y: float


def set_out(relief: Relief, wall: Wall, plane: FacePlane, *, options: SetOutOptions, lowered: float = 0.0) -> Screeds:
    """Screeds, dots and packings for a finish plane (methods/trade 2).

    Packing is the distance from the wall to the face of the plane less ``finish``, or to the back of a strip. Where u
    of plumb over the wall's height passes the limit only packings at the foot are given. ``lowered`` [m] is how far
    the plane stands under what the highest values ask for. Raises `TooFewPoints` where nothing was measured.
    """
    laid = _Laying(relief, wall, plane, options, lowered)
    screeds = _start_marked([screed for screed in laid.screeds() if screed.dots])
    reads = _all_read(screeds)
    notes = _notes(wall, options, screeds, reads)
    checks = _checks(screeds, options)
    return Screeds(
        options.rule,
        tuple(screeds),
        tuple(notes),
        options.most_apart,
        checks,
        options.strip,
        options.finish,
        reads,
        options.laser,
    )


def lack_of(relief: Relief, wall: Wall, plane: FacePlane, *, options: SetOutOptions, lowered: float = 0.0) -> Lack:
    """How far out the plane would have to move for all screeds to have room, each moved sideways where that helps."""
    laid = _Laying(relief, wall, plane, options, lowered)
    places = screed_places(wall, options)
    found = [laid.least_shortage(places, number) for number in range(len(places))]
    return max(found, key=lambda lack: lack.by, default=Lack(0.0, 0.0, 0.0))


def stand_at(relief: Relief, wall: Wall, plane: FacePlane, *, options: SetOutOptions, lowered: float = 0.0) -> Array:
    """Where the screeds of a plane stand from the left (n,) [m], each moved aside as a set-out moves it."""
    return np.array([screed.x for screed in _Laying(relief, wall, plane, options, lowered).screeds()])


def lack_at(
    relief: Relief, wall: Wall, plane: FacePlane, places: Array, *, options: SetOutOptions, lowered: float = 0.0
) -> Lack:
    """`lack_of` with the screeds at ``places`` (n,) [m] from the left, none moved."""
    laid = _Laying(relief, wall, plane, options, lowered)
    found = [laid.lack_there(float(x)) for x in places]
    return max(found, key=lambda lack: lack.by, default=Lack(0.0, 0.0, 0.0))


class _Laying:
    """Lays the screeds of one wall to one plane."""

    def __init__(
        self, relief: Relief, wall: Wall, plane: FacePlane, options: SetOutOptions, lowered: float = 0.0
    ) -> None:
        if not relief.valid.any():
            raise TooFewPoints(
                "set-out",
                "no measured place",
                needed="a wall with readings",
                remedy="Check the outline and the openings",
            )
        self.relief, self.wall, self.plane, self.options = relief, wall, plane, options
        self.ground = Ground(relief)
        # a highest spot is likely too proud by what the plane was lowered; no more of it is risked than the bed takes
        self.risked = min(max(lowered, 0.0), options.bed)

    def screeds(self) -> list[Screed]:
        """All screeds from the left."""
        places = screed_places(self.wall, self.options)
        return [self._clear_of_wall(places, number) for number in range(len(places))]

    def _dot(self, x: float, y: float, foot: float) -> Dot:
        """One dot; what plumb adds to its u grows from the foot up."""
        plane, options = self.plane, self.options
        face = plane.offset + plane.turn * x + plane.lean * y - options.finish
        reading = None if options.laser is None else options.laser.reading(x, face)
        stands = self.ground.at(x, y)
        if stands is None or not (plumb_is_known(self.wall, options) or y - foot < 1e-9 and y <= _FOOT):
            return Dot(y, None, None, reading=reading, read=stands is not None and stands.read)
        u = None
        if stands.u is not None:
            u = math.hypot(stands.u, self.relief.common.sd, (self.wall.plumb.u_lean or 0.0) * (y - foot))
        packing = room(plane, options, x, y, stands)
        # a float's last bit under 0 is 0
        return Dot(y, max(packing, 0.0) if packing > -_NOTHING else packing, u, reading=reading, read=stands.read)

    def _screed(self, x: float) -> Screed:
        runs = stretches(self.relief, self.wall, x)
        heights = dot_heights(runs, self.ground, self.options)
        foot = heights[0] if heights else 0.0
        return Screed(x, tuple(self._dot(x, y, foot) for y in heights), runs=tuple(runs))

    def shortage(self, x: float, heights: Sequence[float]) -> Lack:
        """How much room a screed at x with dots at ``heights`` lacks at its tightest place.

        A strip is straight and runs on between the dots, so every place within half a screed's width counts, and its
        bed must be left behind it. Without a strip the face itself must clear the wall.
        """
        options, plane = self.options, self.plane
        across, upward, z = self.ground.along(x, options.lining)
        known = [(y, found.z) for y in heights if (found := self.ground.at(x, y)) is not None]
        across = np.append(across, [x] * len(known))
        upward = np.append(upward, [y for y, _ in known])
        z = np.append(z, [at for _, at in known])
        if not len(z):
            return Lack(0.0, x, 0.0)
        face = plane.offset + plane.turn * across + plane.lean * upward - options.behind_face
        lack = options.bed - self.risked - (face - z)
        worst = int(np.argmax(lack))
        return Lack(float(lack[worst]), float(across[worst]), float(upward[worst]))

    def _clear_of_wall(self, places: list[float], number: int) -> Screed:
        """The screed at its place, or moved to the nearest place within reach where it clears the wall, or named."""
        here = self._screed(places[number])
        lack = self._lacks(here)
        if lack.by <= _NOTHING:
            return here
        for away in self._aside(places, number):
            other = self._screed(places[number] + away)
            if other.dots and self._lacks(other).by <= _NOTHING:
                by = metres(abs(away))
                said = note("plan.screed-moved-right" if away > 0 else "plan.screed-moved-left", by=by)
                return replace(other, moved=away, note=said)
        said = note("plan.screed-hits", (lack.x, lack.y), height=metres(lack.y), lack=metres(lack.by))
        return replace(here, note=said)

    def least_shortage(self, places: list[float], number: int) -> Lack:
        """What a screed lacks where it lacks least of all places within its reach, if moving there is worth it."""
        here = least = self._lacks(self._screed(places[number]))
        for away in self._aside(places, number):
            if least.by <= _NOTHING:
                break
            other = self._screed(places[number] + away)
            if other.dots and (lack := self._lacks(other)).by < least.by - _NOTHING:
                least = lack
        return least if least.by < here.by - _WORTH_MOVING else here

    def lack_there(self, x: float) -> Lack:
        """What a screed lacks at x."""
        return self._lacks(self._screed(x))

    def _aside(self, places: list[float], number: int) -> list[float]:
        """How far a screed may move aside [m], the nearest first."""
        low, high = self._reach(places, number)
        steps = np.arange(-self.options.move, self.options.move + 1e-9, _STEP)
        aside = sorted((float(step) for step in steps), key=lambda step: (round(abs(step), 6), step))
        return [step for step in aside if abs(step) > 1e-9 and low - 1e-9 <= places[number] + step <= high + 1e-9]

    def _lacks(self, screed: Screed) -> Lack:
        return self.shortage(screed.x, [dot.y for dot in screed.dots])

    def _reach(self, places: list[float], number: int) -> tuple[float, float]:
        """How far a screed may move without leaving its neighbours too far apart, the wall, or a lining."""
        low, high = float(self.wall.outline[:, 0].min()), float(self.wall.outline[:, 0].max())
        x, apart = places[number], self.options.most_apart
        left, right = places[number - 1] if number else low, places[number + 1] if number + 1 < len(places) else high
        low, high = max(left, right - apart), min(right, left + apart)
        for hole in (*self.wall.openings, *self.wall.pockets, *self.wall.skips):
            if x <= hole.left:
                high = min(high, hole.left - self.options.lining)
            elif x >= hole.right:
                low = max(low, hole.right + self.options.lining)
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


def _all_read(screeds: list[Screed]) -> float | None:
    """What the laser reads on every dot [m], None where they differ by more than a reading or there is none."""
    readings = [dot.reading for screed in screeds for dot in screed.dots]
    known = [reading for reading in readings if reading is not None]
    if not known or len(known) < len(readings) or max(known) - min(known) > _ONE_READING:
        return None
    return (max(known) + min(known)) / 2


def _checks(screeds: list[Screed], options: SetOutOptions) -> tuple[Note, ...]:
    """Lines that must read 0 once all dots are in one plane."""
    if len(screeds) < 2:
        return (note("plan.check-level"),)
    left, right = metres(screeds[0].x), metres(screeds[-1].x)
    return (
        note("plan.check-dots" if options.strip is None else "plan.check-strips", left=left, right=right),
        note("plan.check-diagonals", left=left, right=right),
    )


def _notes(wall: Wall, options: SetOutOptions, screeds: list[Screed], reads: float | None) -> list[Note]:
    notes = [_reading_note(reads, options)] if reads is not None and options.laser is not None else []
    notes += _plumb_notes(wall, options)
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
    blind = tuple(metres(screed.x) for screed in screeds if any(_unknown(wall, options, screed)))
    notes += [note("plan.dots-unread", at=blind)] if blind else []
    between = [dot for screed in screeds for dot in screed.dots if not dot.read and dot.packing is not None]
    return [*notes, note("plan.dots-between", count=len(between))] if between else notes


def _reading_note(reads: float, options: SetOutOptions) -> Note:
    """What the laser reads on every dot, in its user's own unit."""
    assert options.laser is not None
    unit = options.laser.unit
    if unit not in _UNIT:
        return note("plan.all-dots-read", reading=metres(reads))
    return note("plan.all-dots-read-in", reading=share(reads / _UNIT[unit]), unit=unit)


def _unknown(wall: Wall, options: SetOutOptions, screed: Screed) -> list[bool]:
    """Of each dot, whether its packing is missing for want of a reading behind it."""
    plumb, foot = plumb_is_known(wall, options), screed.dots[0].y
    asked = [plumb or dot.y - foot < 1e-9 for dot in screed.dots]
    return [dot.packing is None and want and not dot.read for dot, want in zip(screed.dots, asked, strict=True)]


def _plumb_notes(wall: Wall, options: SetOutOptions) -> list[Note]:
    """Why only the packing at the foot is given, where that is so."""
    if plumb_is_known(wall, options):
        return []
    if wall.plumb.u_lean is None:
        return [note("plan.setout-plumb-unknown", allowed=metres(options.plumb))]
    known, allowed = metres(0.0, wall.plumb.u_lean * wall.height), metres(0.0, options.plumb)
    return [note("plan.setout-plumb", u=known, allowed=allowed)]
