"""From laser readings to the relief of their wall: what is cut out of it, and which readings are doubted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from flatscan import wall as walls
from flatscan.core.errors import BadValue, WallNotFound
from flatscan.core.geometry import SAME_STATION
from flatscan.core.model import Readings, Wall
from flatscan.core.notes import Note, Place, note
from flatscan.core.quantity import metres
from flatscan.core.unlikely import Doubted
from flatscan.jobs.results import Seen
from flatscan.jobs.settings import STATIONS_TYPE, Capturing
from flatscan.plan.dots import Laser
from flatscan.relief import CaptureType, stations_on, wall_of
from flatscan.relief.doubted import doubt_notes, doubted


def read_wall(taken: Readings, how: Capturing, kind: CaptureType, assumed: Sequence[Note]) -> Seen:
    """The wall that readings of a ``kind`` were taken on, with its openings, pockets and skips, and what is doubted.

    Raises `BadValue` for settings that only a cloud can follow, for places off the wall and for an ``accept`` without
    a reading.
    """
    _check_stations(taken, how)
    typed = taken.origin.kind == STATIONS_TYPE
    accepted = _accepted(taken, how)
    bare, said = wall_of(taken, kind.lean if taken.u_lean is None else taken.u_lean)
    wall, relief, more = stations_on(
        taken, _cut(bare, taken, how), kind.common_error(), accepted=accepted if typed else None
    )
    found = doubted(taken, wall, accepted) if typed else ()
    doubts = doubt_notes(taken, found) if typed else ()
    settled = tuple(_settled(taken, place) for place in accepted)
    notes = (*doubts, *taken.origin.warnings, *assumed, *said, *more, *settled)
    seen = Seen(taken.origin, kind.name, taken.name, wall, relief, notes, how=how)
    laser = Laser(0.0, unit=taken.origin.file_unit, proud_when_big=taken.proud_when_big)
    return replace(seen, readings=taken, doubted=found, fixed=taken.fixed, laser=laser)


def _cut(bare: Wall, taken: Readings, how: Capturing) -> Wall:
    """The wall with what the table and the settings cut out of it."""
    return walls.adjust(
        bare,
        add_openings=(*taken.openings, *how.opening),
        pockets=(*taken.pockets, *how.pocket),
        skips=(*taken.skips, *how.skip),
    )


def _accepted(taken: Readings, how: Capturing) -> tuple[Place, ...]:
    """The stations that are meant by the places accepted."""
    found = []
    for x, y in how.accept:
        away = np.hypot(taken.x - x, taken.y - y)
        nearest = int(np.argmin(away))
        if away[nearest] > SAME_STATION:
            raise BadValue(
                "{set:accept}",
                "no reading at {place:xy}; the nearest is at {nearest:xy}",
                needed="the place of a reading",
                remedy="Copy the place from the warning",
                place=(x, y),
                nearest=(float(taken.x[nearest]), float(taken.y[nearest])),
            )
        found.append((float(taken.x[nearest]), float(taken.y[nearest])))
    return tuple(dict.fromkeys(found))


def _settled(taken: Readings, place: Place) -> Note:
    """That a reading is right as somebody says."""
    at = int(np.argmin(np.hypot(taken.x - place[0], taken.y - place[1])))
    reading = float(taken.offset[at] if taken.proud_when_big else -taken.offset[at])
    return note("jobs.accepted", place, reading=metres(reading))


def as_meant(seen: Seen) -> Iterator[tuple[Doubted, Seen]]:
    """Each doubted reading with the wall seen as if it and those before it read what was meant, or were not read."""
    readings = seen.readings
    if readings is None:
        return
    for one in seen.doubted:
        readings = _as_meant(readings, one)
        if len(readings.x) == 0:
            return
        yield one, _seen_again(seen, readings)


def _as_meant(readings: Readings, one: Doubted) -> Readings:
    here = np.hypot(readings.x - one.x, readings.y - one.y) < 1e-6
    if one.offset is not None:
        return replace(readings, offset=np.where(here, one.offset, readings.offset))
    lost = int(here[len(readings.x) - readings.highs :].sum()) if readings.highs else 0
    return replace(
        readings,
        x=readings.x[~here],
        y=readings.y[~here],
        offset=readings.offset[~here],
        missing=np.concatenate([readings.missing, [[one.x, one.y]]]),
        highs=readings.highs - lost,
    )


def _seen_again(seen: Seen, readings: Readings) -> Seen:
    """The same wall out of other readings; nothing of it is doubted again."""
    bare = replace(seen.wall, openings=(), pockets=(), skips=(), notes=())
    cut, accepted = _cut(bare, readings, seen.how), _accepted(readings, seen.how)
    wall, relief, _ = stations_on(readings, cut, seen.relief.common, accepted=accepted)
    return replace(seen, wall=wall, relief=relief, readings=readings, doubted=())


def _check_stations(taken: Readings, how: Capturing) -> None:
    """Readings make one wall with the size in their file; options that only a cloud can follow are refused."""
    for name in ("cell", "up", "seen_from", "region", "crop", "as_wall", "not_wall"):
        if getattr(how, name):
            raise BadValue(
                f"{{set:{name}}}",
                "given with {file}, a table of readings",
                needed="a point cloud",
                remedy=f"Leave {{set:{name}}} out",
                file=taken.origin.file,
            )
    if (how.wall, how.part) != (1, ""):
        raise WallNotFound(
            taken.origin.file,
            "one wall, not wall {number}",
            needed="{set:wall} 1",
            remedy="Leave {set:wall} out",
            number=f"{how.wall}{how.part}",
        )
