"""What a job asks people to do that can hurt them, and the cautions that it has: decided here once, for every sheet."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Caution
from flatscan.jobs.results import Lows, LowsByHand, Result, SetOut, Survey, verdict_in
from flatscan.jobs.work_planned import Planned
from flatscan.plan.cautions import DESIGNER, REACH, cautions_of
from flatscan.plan.dots import Screeds
from flatscan.plan.systems import load

# what another wall's steps may ask for that this one's do not
_OF_OTHERS = ("hack", "chase", "laser")
_OLD_PLASTER = {"stays": "cover", "comes-off": "strip"}
# what is asked of somebody who sets up a laser and reads it, and of somebody who also reads where he cannot reach
LASER_WORK = ("laser", "read")


def laser_cautions() -> tuple[Caution, ...]:
    """Those of work with a laser that no result tells of yet: forms, plans of readings, photographed lines."""
    return cautions_of(LASER_WORK)


def cautions_in(result: Result | LowsByHand) -> tuple[Caution, ...]:
    """The cautions of what a result asks for, the weightiest first, each once; none where it asks for no work."""
    return cautions_of(frozenset(_actions(result)), _materials(result))


def _materials(result: Result | LowsByHand) -> tuple[str, ...] | None:
    """Codes of what the material can do to people; None where nobody said which it is."""
    if isinstance(result, (Survey, SetOut)):
        return result.plan.take_off.harms
    if isinstance(result, Lows) and result.job.system is not None:
        return load(result.job.system).cautions
    return None


def _actions(result: Result | LowsByHand) -> Iterator[str]:
    if isinstance(result, (Survey, SetOut)):
        yield from _planned(result.plan)
        yield from ("height",) if result.wall.height > REACH else ()
        yield from _with_laser(result.screeds if isinstance(result, SetOut) else _screeds(result))
        # of walls planned together the sheet of the day holds all
        yield from _beside(result) if isinstance(result, Survey) else ()
    elif isinstance(result, (Lows, LowsByHand)):
        yield from _ruled(result)
    else:
        verdict = verdict_in(result)
        by_hand = () if verdict is None else verdict.check_by_hand
        yield from ("read",) if any(y > REACH for _, y in by_hand) else ()


def _planned(plan: Planned) -> Iterator[str]:
    old = _OLD_PLASTER.get(plan.take_off.surface)
    yield from (old,) if old else ()
    yield from ("hack",) if plan.hacks or plan.cuts else ()
    yield from ("chase",) if plan.pockets else ()
    yield from ("load",) if plan.build_up.most > DESIGNER else ()
    yield from ("mix", "lift")


def _screeds(found: Survey) -> Screeds | None:
    return None if found.day is None else found.day.screeds


def _with_laser(screeds: Screeds | None) -> Iterator[str]:
    yield from ("laser",) if screeds is not None and screeds.laser is not None else ()


def _beside(found: Survey) -> Iterator[str]:
    """What is done on the walls planned together with this one."""
    for day in () if found.together is None else found.together.days:
        steps = () if day is None else day.steps
        yield from (action for step in steps for action in step.actions if action in _OF_OTHERS)


def _ruled(found: Lows | LowsByHand) -> Iterator[str]:
    ridges = found.ridges if isinstance(found, Lows) else ()
    yield from ("shave",) if ridges else ()
    yield from ("mix",) if found.lows else ()
    yield from ("height",) if any(one.y > REACH for one in (*ridges, *found.lows)) else ()
