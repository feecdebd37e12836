"""The walls of a capture with how its unit, its up and its room side were settled, shown before they are used."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flatscan.core.errors import FlatscanError
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Readings
from flatscan.core.settled import Otherwise, Settled
from flatscan.core.showing import Showing
from flatscan.core.units import METRES_PER
from flatscan.jobs.seeing import Capture, find_room, read, see
from flatscan.jobs.settings import Capturing, Progress, silent
from flatscan.wall import Room

# settings whose value a list can try out for itself: each makes other walls
_TRIED = ("file_unit", "up")


@dataclass(frozen=True, eq=False, repr=False)
class Seeing(Showing):
    """What pictures of the walls are drawn from: the sample (n, 3) [m], its colours (n, 3) or None, stands (k, 3)."""

    sample: Array
    colours: NDArray[np.uint8] | None = None
    stands: Array | None = None


@dataclass(frozen=True, eq=False, repr=False)
class Listed(Showing):
    """The walls of one capture, and how all that it leaves open was settled; None for a table of readings.

    ``settings`` are those with which this list was made out of a capture that more than one way fits.
    """

    file: str
    room: Room
    unit: Settled | None = None
    seeing: Seeing | None = None
    settings: tuple[tuple[str, str], ...] = ()
    sha256: str = ""


@dataclass(frozen=True, eq=False, repr=False)
class Undecided(Showing):
    """A capture that more than one way fits: what is asked, and the walls that each answer makes."""

    file: str
    asks: FlatscanError
    ways: tuple[Listed, ...]


def list_readings(source: Capture, how: Capturing, progress: Progress = silent) -> Listed | Undecided:
    """The walls of a capture; where its unit or its up is not clear, those of every answer that makes any.

    Raises what reading and finding walls raise, also the question itself where no answer makes a wall.
    """
    try:
        return _listed(source, how, progress)
    except FlatscanError as asks:
        tried = [choice for choice in asks.choices if choice[0] in _TRIED and not choice[1].startswith("-")]
        ways = [way for choice in tried for way in _ways(source, how, choice, progress)]
        if not ways:
            raise
        return Undecided(ways[0].file, asks, tuple(ways))


def answered(source: Capture, how: Capturing, choice: tuple[str, str]) -> Listed | None:
    """The walls of a capture with one more setting given; None where that one alone makes none."""
    name, value = choice
    if name == "seen_from":
        said = replace(how, seen_from=tuple(float(part) for part in value.split(",")))
    elif name in _TRIED:
        said = _with(how, choice)
    else:
        return None
    try:
        found = list_readings(source, said)
    except FlatscanError:
        return None
    return found.ways[0] if isinstance(found, Undecided) else found


def _with(how: Capturing, choice: tuple[str, str]) -> Capturing:
    return replace(how, up=choice[1]) if choice[0] == "up" else replace(how, file_unit=choice[1])


def _ways(source: Capture, how: Capturing, choice: tuple[str, str], progress: Progress) -> tuple[Listed, ...]:
    """The walls with one answer given, also where another question follows."""
    try:
        found = list_readings(source, _with(how, choice), progress)
    except FlatscanError:
        return ()
    ways = found.ways if isinstance(found, Undecided) else (found,)
    return tuple(replace(way, settings=(choice, *way.settings)) for way in ways)


def _listed(source: Capture, how: Capturing, progress: Progress) -> Listed:
    taken = read(source, how, progress, colours=True)
    if isinstance(taken, Readings):
        return Listed(taken.origin.file, Room((see(taken, how).wall,)), sha256=taken.origin.sha256)
    room = find_room(taken, how, progress)
    shown = Seeing(taken.sample, taken.sample_colours, taken.stands)
    return Listed(taken.origin.file, room, _sized(taken, room), shown, sha256=taken.origin.sha256)


def _sized(cloud: Cloud, room: Room) -> Settled | None:
    """How the unit was settled, with the size of wall 1 in every other one."""
    if cloud.unit is None:
        return None
    wall, here = room.walls[0], METRES_PER[cloud.unit.value]
    others = tuple(
        Otherwise(one.value, wall.width * METRES_PER[one.value] / here, wall.height * METRES_PER[one.value] / here)
        for one in cloud.unit.others
    )
    return replace(cloud.unit, others=others)
