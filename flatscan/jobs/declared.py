"""A capture type that somebody declared, held against what the file itself shows."""

from __future__ import annotations

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.model import Cloud, Readings, Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import COVER, metres
from flatscan.jobs.results import Stood
from flatscan.jobs.settings import CLOUD_TYPE, LINES_TYPE, STATIONS_TYPE, Capturing
from flatscan.relief import CaptureType, capture_type
from flatscan.relief.sweep_seams import seams

SCANNER = "scanner"
# points of a scanner within 10 m scatter by 1 to 3 mm, those of a phone carried about by up to 10 mm (methods/
# uncertainty 8, rows 1 and 8): in between, and well off the scanner [setting]
PHONE_LIKE = 0.004
# depth in steps coarser than a millimetre is a depth camera's way of writing it [common practice]
STEPS = 0.0015
# three times what two stations of a scanner may fail to meet by (methods/uncertainty 7, across a registration seam)
SWEEPS_APART = 0.003


def declared_type(taken: Cloud | Readings, asked: str | None) -> tuple[CaptureType, tuple[Note, ...]]:
    """The capture type ``asked`` for, or the one taken where none was, and that it was; `BadValue` for a wrong one."""
    is_stations = isinstance(taken, Readings)
    usual = taken.origin.kind or (STATIONS_TYPE if is_stations else CLOUD_TYPE)
    name = asked or usual
    if is_stations != (name in (STATIONS_TYPE, LINES_TYPE)):
        raise BadValue(
            "{set:capture_type}",
            "{type} for {file}, which holds readings" if is_stations else "{type} for {file}, which holds points",
            needed="laser-readings for a table of readings, another type for points",
            remedy="Leave {set:capture_type} out",
            type=name,
            file=taken.origin.file,
        )
    kind = capture_type(name)
    if asked is None and not is_stations and usual == CLOUD_TYPE:
        return kind, (note("jobs.type-not-stated", type=name, warp=metres(COVER * kind.chord), rule=metres(2.0)),)
    return kind, ()


def refuse_sides(taken: Cloud, how: Capturing) -> None:
    """Raise `BadValue` for an up or a room side given with swept lines, whose set-up says both."""
    for name in ("up", "seen_from"):
        if getattr(how, name) is not None:
            raise BadValue(
                f"{{set:{name}}}",
                "given with {file}, whose targets say it",
                needed="neither {set:up} nor {set:seen_from}",
                remedy=f"Leave {{set:{name}}} out",
                file=taken.origin.file,
            )


def stood_before(cloud: Cloud, wall: Wall) -> Stood | None:
    """Where the scanners of a file stood before a wall; None where it gives no position in front of it."""
    if cloud.stands is None:
        return None
    places = wall.frame.to_wall(cloud.stands)
    places = places[places[:, 2] > 0]
    if not len(places):
        return None
    nearest = places[np.argmin(places[:, 2])]
    aside = np.linalg.norm(wall.outline - nearest[:2], axis=1).max()
    askew = float(np.degrees(np.arctan2(aside, nearest[2])))
    return Stood(len(places), float(nearest[2]), float(places[:, 2].max()), askew)


def against_declared(cloud: Cloud, relief: Relief, step: float) -> tuple[Note, ...]:
    """What in a file speaks against the scanner it was declared to come from; ``step`` [m] is its rounding across.

    No scanner positions, scatter of single points as of a phone, heights in steps, surfaces that do not meet, and a
    line along which two sweeps seem not to.
    """
    found = []
    if cloud.stands is None or not len(cloud.stands):
        found.append(note("jobs.no-stands"))
    if relief.u_point is not None and relief.u_point > PHONE_LIKE:
        found.append(note("jobs.phone-like", scatter=metres(relief.u_point)))
    if step > STEPS:
        found.append(note("jobs.in-steps", step=metres(step)))
    if relief.doubled is not None:
        found.append(note("jobs.surfaces-apart", apart=metres(relief.doubled)))
    plainest = max(seams(relief), key=lambda one: abs(one.jump), default=None)
    if plainest is not None and abs(plainest.jump) > SWEEPS_APART:
        x, y = (float(value) for value in plainest.at)
        found.append(note("jobs.sweeps-apart", (x, y), apart=metres(abs(plainest.jump))))
    return tuple(found)
