"""Readings that their neighbours and the control make unlikely; nothing is dropped (methods/trade 11)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import SAME_STATION, Array, Mask
from flatscan.core.model import Readings, Wall
from flatscan.core.notes import Note, Place, note
from flatscan.core.quantity import metres
from flatscan.core.unlikely import Doubted
from flatscan.relief.foretold import AT_ONCE, ONE_STRETCH, Foretold, foretold
from flatscan.relief.laser_stations import taken_out
from flatscan.relief.mistyped import meant_by

_LEAST_STATIONS = 5
# a reading is doubted so many deviations off what its neighbours foretell, and at least so far proud or hollow [m]:
# walls have narrow humps of 10 to 15 mm and no narrow dips but chases [setting; simulated]
_TIMES, _PROUD, _HOLLOW = 5.0, 0.0175, 0.0090
# a high spot was hunted for: that it is high is no wonder [m] [setting]
_SWEPT = 0.060
# what is so far off the middle reading, as a factor, foretells nothing to begin with [setting]
_GROSS = 4.0
# at most so many of the readings are doubted: beyond that it is the wall that is odd
_MOST = 1 / 3
# the control is the same station's reading: what may lie between the two where both were read right [m] [setting]
CONTROL_OFF, _CONTROL_AGREES = 0.003, 0.0015


@dataclass(frozen=True, eq=False)
class _Tried:
    """The readings that count: places and offsets (n,) [m], how far off each may be, and which are right all the same.

    One that is right and yet unlike the others must not make these unlikely: it foretells nothing either.
    """

    x: Array
    y: Array
    offset: Array
    proud: Array
    sure: Mask
    u: float

    def foretold(self, out: Mask) -> Foretold:
        """What the readings that are not ``out`` foretell."""
        return foretold(self.x, self.y, self.offset, out, self.u)

    def excess(self, by: Foretold) -> Array:
        """How far each is off in units of what is doubted: over 1 is."""
        off = self.offset - by.value
        least = np.where(off > 0, self.proud, _HOLLOW)
        return np.asarray(np.minimum(np.abs(off) / (_TIMES * by.sd), np.abs(off) / least))


def doubted(readings: Readings, wall: Wall, accepted: Sequence[Place] = ()) -> tuple[Doubted, ...]:
    """Readings on the wall that the others make unlikely, the weightiest first.

    Readings in openings, pockets and parts left out tell nothing; those within 50 mm of ``accepted`` are right.
    """
    on = ~taken_out(readings.x, readings.y, wall)
    if on.sum() < _LEAST_STATIONS:
        return ()
    swept = np.arange(len(readings.x)) >= len(readings.x) - readings.highs
    agreed = np.array([any(np.hypot(x - a, y - b) <= SAME_STATION for a, b in accepted) for x, y in _places(readings)])
    agreed |= _as_control(readings, _CONTROL_AGREES)
    tried = _Tried(
        readings.x[on],
        readings.y[on],
        readings.offset[on],
        np.where(swept[on], _SWEPT, _PROUD),
        agreed[on],
        readings.u,
    )
    out = _unlikely(tried)
    by = tried.foretold(out)
    off = np.abs(tried.offset - by.value)
    order = sorted(np.flatnonzero(out & ~tried.sure), key=lambda k: (-off[k], tried.x[k], tried.y[k]))
    return tuple(_doubt(readings, tried, by, int(k)) for k in order)


def _places(readings: Readings) -> Array:
    return np.stack([readings.x, readings.y], axis=1)


def _unlikely(tried: _Tried) -> Mask:
    """One after the other the least likely is taken out; then each is tried again without all that stay out.

    Of many readings each stretch along the wall gives its least likely at once: they foretell nothing of each other.
    """
    stretch = np.zeros(len(tried.x), dtype=np.int64)
    if len(tried.x) > AT_ONCE:
        stretch = np.argsort(np.argsort(tried.x, kind="stable")) // ONE_STRETCH
    middle = float(np.median(np.abs(tried.offset)))
    size = np.abs(tried.offset) / max(middle, 1e-6)
    out = ((size > _GROSS) | (size < 1 / _GROSS)) & (middle > _PROUD)
    most = max(1, int(_MOST * len(tried.x)))
    if out.sum() > most:
        out = np.zeros(len(tried.x), dtype=bool)
    while out.sum() < most:
        excess = np.where(out, 0.0, tried.excess(tried.foretold(out)))
        worst = _first_of_each(-excess, stretch)
        worst = worst[excess[worst] > 1][: most - int(out.sum())]
        if not worst.size:
            break
        out[worst] = True
    # the likeliest first: what looked wild only beside another one comes back
    while out.any():
        excess = np.where(out, tried.excess(tried.foretold(out)), np.inf)
        least = _first_of_each(excess, stretch)
        least = least[excess[least] <= 1]
        if not least.size:
            break
        out[least] = False
    return out


def _first_of_each(value: Array, group: NDArray[np.int64]) -> NDArray[np.int64]:
    """The index of the least value of every group, the least of all first."""
    order = np.argsort(value, kind="stable")
    _, first = np.unique(group[order], return_index=True)
    return np.asarray(order[np.sort(first)])


def _doubt(readings: Readings, tried: _Tried, by: Foretold, at: int) -> Doubted:
    sense = 1.0 if readings.proud_when_big else -1.0
    reading, expected, sd = sense * tried.offset[at], sense * by.value[at], float(by.sd[at])
    x, y = float(tried.x[at]), float(tried.y[at])
    goal, width = expected, sd
    # the control is that very station's reading, taken with the same laser
    if readings.control is not None and (x, y) in _first(readings) and abs(readings.control - by.value[at]) <= 3 * sd:
        goal, width = sense * readings.control, CONTROL_OFF / 3
    found = meant_by(float(reading), readings.origin.file_unit, float(goal), width)
    if found is None:
        return Doubted(x, y, float(reading), float(expected), sd)
    meant = found.reading, found.slip, sense * found.reading, found.also
    return Doubted(x, y, float(reading), float(expected), sd, *meant)


def _first(readings: Readings) -> set[Place]:
    """Stations that may have been read first: the table's first one, and the form's number 1 at the lower left."""
    corner = int(np.lexsort((readings.y, readings.x))[0])
    return {(float(readings.x[k]), float(readings.y[k])) for k in (0, corner)}


def _as_control(readings: Readings, within: float) -> Mask:
    """Stations (n,) that may have been read first and read as the control does."""
    if readings.control is None:
        return np.zeros(len(readings.x), dtype=bool)
    first = np.array([(float(x), float(y)) in _first(readings) for x, y in _places(readings)])
    return np.asarray(first & (np.abs(readings.offset - readings.control) <= within))


def doubt_notes(readings: Readings, found: Sequence[Doubted]) -> tuple[Note, ...]:
    """What is to be said of doubted readings, each with its place, and of a control that is no station's reading."""
    said = [doubt_note(one) for one in found]
    named = {(one.x, one.y) for one in found}
    if readings.control is not None and not _as_control(readings, CONTROL_OFF).any() and not named & _first(readings):
        sense = 1.0 if readings.proud_when_big else -1.0
        first = sorted(_first(readings))
        said.append(
            note(
                "grid.control-elsewhere",
                None,
                control=metres(sense * readings.control),
                places=tuple(note("grid.place", place) for place in first),
            )
        )
    return tuple(said)


def doubt_note(one: Doubted) -> Note:
    """A doubted reading in words: what it is, what its neighbours say, and what may have been meant."""
    values = {
        "reading": metres(one.reading),
        "expected": metres(round(one.expected, 4)),
        "off": metres(abs(one.reading - one.expected)),
    }
    if one.meant is None or one.slip is None:
        what = note("grid.doubted", None, **values)
    else:
        meant = tuple(metres(round(value, 5)) for value in (one.meant, one.also) if value is not None)
        code = "grid.doubted-slip" if one.also is None else "grid.doubted-slips"
        what = note(code, None, meant=meant, slip=one.slip, **values)
    return note("grid.station", (one.x, one.y), what=what)
