"""Labour and waiting, kept apart: hours of work by coat, the waits between them, visits, and the days it all takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flatscan.core.geometry import Array
from flatscan.core.notes import Note
from flatscan.plan.coats import Pass
from flatscan.plan.materials import Output, Range, System, middle

# hours one person works in a day (methods/trade 9, setting)
WORKDAY = 8.0
_DAY = 24.0
# a wait from here on [h] ends the visit
_OVERNIGHT = 12.0
_HAIR = 1e-9
Wait = tuple[float, float]


@dataclass(frozen=True, slots=True)
class CoatWork:
    """One pass: ``hours`` of one person's work, ``span`` fast and slow, and the ``wait`` (low, high) [h] after it.

    The wait after the last is (0, 0). ``base`` says whether it takes up the wall's shape, so that its hours follow the
    volume.
    """

    name: Note | str
    hours: float
    span: Range
    wait: Wait
    base: bool

    def at(self, end: str) -> float:
        """Hours at an ``end`` of what one person does in a day: "low" for fast, "high" for slow, else the middle."""
        return {"low": self.span[0], "high": self.span[1]}.get(end, self.hours)


@dataclass(frozen=True, slots=True)
class Labour:
    """Hours one person works, by coat and for cutting (``hacking``), and the visits.

    ``elapsed_days`` are from the first hour of work to the last, all at the middle of its range; ``elapsed`` the same
    at the fast end of work and waits and at the slow one.
    """

    coats: tuple[CoatWork, ...]
    hacking: float
    visits: int
    elapsed_days: float
    elapsed: Range

    @property
    def hours(self) -> float:
        """All hours of work, none of waiting."""
        return self.grown(1.0)

    @property
    def span(self) -> Range:
        """All hours of work, fast and slow."""
        return self.grown(1.0, "low"), self.grown(1.0, "high")

    def grown(self, factor: float, end: str = "") -> float:
        """Hours of work where the base coats take ``factor`` times the volume, at an ``end`` as of `CoatWork.at`."""
        return self.hacking + sum(coat.at(end) * (factor if coat.base else 1.0) for coat in self.coats)


def labour_of(system: System, passes: tuple[Pass, ...], area: Array, *, hacking: float = 0.0) -> Labour:
    """Labour of passes over places of areas (n,) [m2], after ``hacking`` hours (methods/trade 9).

    The base coats in all take the larger of area / m2 a day and volume / m3 a day, shared out by their volumes; a coat
    that is the same everywhere takes area / m2 of finish a day. Output holds setting out, mixing and cleaning.
    """
    ends = [_hours(system.output, passes, area, end) for end in (1, 0)]
    coats = []
    for number, (item, *span) in enumerate(zip(passes, *ends, strict=True), 1):
        wait = (0.0, 0.0) if number == len(passes) else item.wait
        fast, slow = span
        coats.append(CoatWork(item.name, (fast + slow) / 2, (fast, slow), wait, item.coat.nominal is None))
    visits = 1 + sum(middle(coat.wait) >= _OVERNIGHT for coat in coats)
    waits = {"low": lambda wait: wait[0], "": middle, "high": lambda wait: wait[1]}
    last = {
        end: days_of(schedule([(hacking, 0.0), *((coat.at(end), of(coat.wait)) for coat in coats)])[-1][1])
        for end, of in waits.items()
    }
    return Labour(tuple(coats), hacking, visits, last[""], (last["low"], last["high"]))


def _hours(output: Output, passes: tuple[Pass, ...], area: Array, end: int) -> list[float]:
    """Hours of each pass at one end of what a person does in a day: 1 does most, 0 least."""
    whole = float(area.sum())
    volumes = [float((p.thickness * area).sum()) for p in passes]
    based = sum(volume for p, volume in zip(passes, volumes, strict=True) if p.coat.nominal is None)
    work = WORKDAY * max(whole / output.base_area[end], based / output.base_volume[end])
    finish = WORKDAY * whole / output.finish_area[end]
    return [
        finish if p.coat.nominal is not None else work * volume / based if based > 0 else 0.0
        for p, volume in zip(passes, volumes, strict=True)
    ]


def hours_per_m3(output: Output) -> float:
    """Hours one person takes for a m3 of base coat, at the middle of what is done in a day."""
    return middle((WORKDAY / output.base_volume[1], WORKDAY / output.base_volume[0]))


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
