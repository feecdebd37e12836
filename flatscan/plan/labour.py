"""Labour and waiting, kept apart: hours of work by coat, the waits between them, visits, and the days it all takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flatscan.core.geometry import Array
from flatscan.core.notes import Note
from flatscan.plan.coats import Pass
from flatscan.plan.materials import System

# hours one person works in a day (methods/trade 9, setting)
WORKDAY = 8.0
_DAY = 24.0
# a wait from here on [h] ends the visit
_OVERNIGHT = 12.0
_HAIR = 1e-9
Wait = tuple[float, float]


@dataclass(frozen=True, slots=True)
class CoatWork:
    """One pass: ``hours`` of one person's work and the ``wait`` (low, high) [h] before the next, (0, 0) after the last.

    ``base`` says whether it takes up the wall's shape, so that its hours follow the volume.
    """

    name: Note | str
    hours: float
    wait: Wait
    base: bool


@dataclass(frozen=True, slots=True)
class Labour:
    """Hours one person works, by coat and for cutting (``hacking``), and the visits.

    ``elapsed_days`` are from the first hour of work to the last, with the waits at their longest.
    """

    coats: tuple[CoatWork, ...]
    hacking: float
    visits: int
    elapsed_days: float

    @property
    def hours(self) -> float:
        """All hours of work, none of waiting."""
        return self.hacking + sum(coat.hours for coat in self.coats)

    def grown(self, factor: float) -> float:
        """Hours of work where the base coats take ``factor`` times the volume."""
        return self.hacking + sum(coat.hours * (factor if coat.base else 1.0) for coat in self.coats)


def labour_of(system: System, passes: tuple[Pass, ...], area: Array, *, hacking: float = 0.0) -> Labour:
    """Labour of passes over places of areas (n,) [m2], after ``hacking`` hours (methods/trade 9).

    The base coats in all take the larger of area / m2 a day and volume / m3 a day, shared out by their volumes; a coat
    that is the same everywhere takes area / m2 of finish a day. Output holds setting out, mixing and cleaning.
    """
    base_area, base_volume, finish_area = system.output
    whole = float(area.sum())
    volumes = [float((p.thickness * area).sum()) for p in passes]
    based = sum(volume for p, volume in zip(passes, volumes, strict=True) if p.coat.nominal is None)
    work = WORKDAY * max(whole / base_area, based / base_volume)
    coats = []
    for number, (item, volume) in enumerate(zip(passes, volumes, strict=True), 1):
        base = item.coat.nominal is None
        hours = (work * volume / based if based > 0 else 0.0) if base else WORKDAY * whole / finish_area
        coats.append(CoatWork(item.name, hours, (0.0, 0.0) if number == len(passes) else item.wait, base))
    visits = 1 + sum(coat.wait[1] >= _OVERNIGHT for coat in coats)
    pieces = [(hacking, 0.0), *((coat.hours, coat.wait[1]) for coat in coats)]
    return Labour(tuple(coats), hacking, visits, days_of(schedule(pieces)[-1][1]))


def schedule(pieces: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """When each piece (hours of work, hours of waiting after it) begins and ends [h after the first day's start].

    One person works `WORKDAY` hours a day; waits run day and night. What fits into a day is not broken over two, and
    what does not goes on the next morning.
    """
    at, spans = 0.0, []
    for hours, wait in pieces:
        spans.append(worked(at, hours))
        at = spans[-1][1] + wait
    return spans


class Hands:
    """One person's hours on several walls: what was begun is finished, and what waits leaves time for another wall."""

    def __init__(self) -> None:
        self._taken: list[tuple[float, float]] = []

    def work(self, at: float, hours: float) -> tuple[float, float]:
        """When work of so many hours that may begin ``at`` [h] begins and ends: as `worked`, while nothing else is."""
        begins, ends = worked(at, hours)
        while clash := next((b for a, b in self._taken if begins < b - _HAIR and a < ends - _HAIR), None):
            begins, ends = worked(clash, hours)
        self.hold(begins, ends)
        return begins, ends

    def hold(self, begins: float, ends: float) -> None:
        """Keep a time for work that cannot wait."""
        if ends > begins:
            self._taken.append((begins, ends))


def worked(at: float, hours: float) -> tuple[float, float]:
    """When work of so many hours that may begin ``at`` [h] begins and ends."""
    begins = opens(at, hours)
    return begins, _ends(begins, hours)


def opens(at: float, hours: float) -> float:
    """The first moment from ``at`` [h] on when work of so many hours can begin."""
    day, into = divmod(at, _DAY)
    # a hair under a new day is that day
    if _DAY - into < _HAIR:
        day, into = day + 1, 0.0
    late = into >= WORKDAY - _HAIR if hours > _HAIR else into > WORKDAY + _HAIR
    if late or (hours <= WORKDAY and into + hours > WORKDAY + _HAIR):
        day, into = day + 1, 0.0
    return day * _DAY + into


def _ends(begins: float, hours: float) -> float:
    day, into = divmod(begins, _DAY)
    while into + hours > WORKDAY + _HAIR:
        hours -= WORKDAY - into
        day, into = day + 1, 0.0
    return day * _DAY + into + hours


def days_of(at: float) -> float:
    """Days from the first day's start to a moment of work [h], the last day by its part of a working day."""
    day, into = divmod(at, _DAY)
    return day + min(into / WORKDAY, 1.0)
