"""The program of the work, for a survey and for a set-out alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flatscan.core.errors import FlatscanError
from flatscan.core.model import Relief
from flatscan.jobs.results import Looked
from flatscan.jobs.settings import Finishing
from flatscan.jobs.work_planned import Planned
from flatscan.plan.day import Day, program, start_of
from flatscan.plan.dots import OVERHANG, Laser
from flatscan.plan.hacking import AT_STATION
from flatscan.plan.hacking_work import minutes_of
from flatscan.plan.labour import Hands
from flatscan.plan.materials import System
from flatscan.plan.products import products_of
from flatscan.plan.screeds import Screeds, SetOutOptions
from flatscan.plan.screeds import set_out as set_out_screeds

# the shortest straightedge that screeds are laid out for [m]
_SHORTEST = OVERHANG + 0.3


def laid_out(
    looked: Looked, planned: Planned, finish: Finishing, options: SetOutOptions, laser: Laser | None
) -> Screeds:
    """Screeds and dots of a plan, as strips or dots and read from a laser; raises as `plan.screeds.set_out`."""
    assert planned.arranged is not None
    options = replace(options, strip=finish.strip, finish=planned.finish, laser=laser)
    built, ground = planned.build_up, planned.arranged.relief
    return set_out_screeds(ground, looked.wall, built.plane, options=options, lowered=built.lowered)


def laid_out_or_none(
    looked: Looked, planned: Planned, finish: Finishing, rule: float, laser: Laser | None
) -> Screeds | None:
    """The screeds that a straightedge of length ``rule`` asks for; None where they cannot be: a set-out says why."""
    try:
        return laid_out(looked, planned, finish, SetOutOptions(rule=max(rule, _SHORTEST)), laser)
    except FlatscanError:
        return None


def cutting_hours(before: Relief, after: Relief, humps: int) -> float:
    """Hours one person takes to cut so many humps, told by the wall before and after (`plan.hacking_work`)."""
    if not humps:
        return 0.0
    gone = np.where(before.valid & after.valid, before.offset - after.offset, 0.0) * before.area
    return minutes_of(float(gone.sum()), humps) / 60


def day_of(
    planned: Planned,
    finish: Finishing,
    system: System,
    screeds: Screeds | None,
    hands: Hands | None = None,
) -> Day | None:
    """The program of a plan; None where nothing can be ordered for it. ``hands`` work on other walls as well."""
    assert planned.arranged is not None
    unsized = AT_STATION in planned.arranged.as_cut.notes
    return program(
        system,
        planned.build_up,
        planned.arranged.relief,
        planned.take_off,
        screeds=screeds,
        cuts=planned.cuts,
        numbers=planned.cut_numbers,
        start=start_of(finish.start),
        pockets=sum(pocket.fill.value for pocket in planned.pockets if pocket.fill is not None),
        unsized=unsized,
        unread=sum(pocket.fill is None for pocket in planned.pockets),
        hands=hands,
    )


def with_strips(planned: Planned, screeds: Screeds | None) -> Planned:
    """The plan with the strips that its screeds take among its products."""
    if screeds is None or screeds.strip is None:
        return planned
    strips = tuple(top - foot for screed in screeds.screeds for foot, top in screed.runs)
    take = planned.take_off
    return replace(planned, take_off=replace(take, products=(*take.products, *products_of((), strips=strips))))
