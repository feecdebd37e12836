"""Humps ticked on a list: all that may be, and the cuts that those ticked stand for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from flatscan.jobs.results import SetOut, Survey
from flatscan.jobs.settings import Finishing
from flatscan.jobs.work_planned import Planned
from flatscan.plan.cutting import Cut, as_cut
from flatscan.plan.hacking import Hack
from flatscan.plan.highest import Errors, errors_of

Place = tuple[float, float]
# a cut on a hump of the list lies at its place within this [m], and is as deep as listed within this [m]
_HERE, _SAME = 0.002, 1e-4


@dataclass(frozen=True, slots=True)
class Tick:
    """A hump that may be ticked: its number, place and depth of its cut [m], and whether the plan has it cut.

    ``hack`` is the hump as it is offered, None where it is cut. ``saves`` [m3] is what it saves with those before it on
    the list, None for a cut that no list has.
    """

    number: int
    x: float
    y: float
    depth: float
    hack: Hack | None
    saves: float | None
    cut: bool


def ticks_of(plan: Planned) -> tuple[Tick, ...]:
    """Every hump that the plan without cuts lists, those that show once these are cut, and cuts on none of them."""
    listed = _listed(plan)
    cuts = list(zip(plan.cut_numbers, plan.cuts, strict=True))
    found = []
    for number, hack in enumerate(listed, 1):
        cut = next((one for at, one in cuts if at == number), None)
        free = Tick(hack.number or number, hack.x, hack.y, hack.cut_so_far, hack, hack.saves, False)
        found.append(free if cut is None else Tick(free.number, cut.x, cut.y, cut.depth, None, hack.saves, True))
    found += [Tick(at, one.x, one.y, one.depth, None, None, True) for at, one in cuts if at > len(listed)]
    taken = {one.number for one in found}
    found += [
        Tick(one.number, one.x, one.y, one.cut_so_far, one, None, False)
        for one in plan.hacks
        if one.number not in taken
    ]
    return tuple(found)


def ticked(found: Survey | SetOut, finish: Finishing, places: Sequence[Place]) -> tuple[Cut, ...]:
    """The cuts of a plan with the humps at these ``places`` ticked, and no others.

    A cut whose depth somebody chose stays as it stands. Those of the list are as deep as all of them together need,
    so that they are worked out anew for each choice. Raises as `plan.cutting.as_cut` does.
    """
    plan, errors = found.plan, errors_of(found.relief, found.wall)
    listed = _listed(plan)
    tops = (*listed, *(one for one in plan.hacks if not any(_at(one, other) for other in listed)))
    before = [one for one in tops if any(_at(one, cut) for cut in plan.cuts)]
    own = [one for one in plan.cuts if not _among(one, _depths(found, finish, errors, before))]
    kept = [one for one in own if any(_at(one, place) for place in places)]
    wanted = [one for one in tops if any(_at(one, at) for at in places) and not any(_at(one, cut) for cut in kept)]
    return (*kept, *_depths(found, finish, errors, wanted, kept))


def _listed(plan: Planned) -> Sequence[Hack]:
    return plan.arranged.as_cut.listed if plan.cuts and plan.arranged is not None else plan.hacks


def _depths(
    found: Survey | SetOut, finish: Finishing, errors: Errors, hacks: Sequence[Hack], kept: Sequence[Cut] = ()
) -> tuple[Cut, ...]:
    """Humps as cuts with the depth that all of them together need, on the wall with others ``kept`` cut."""
    arranged = found.plan.arranged
    if not hacks or arranged is None:
        return ()
    done = as_cut(
        found.relief,
        found.wall,
        (*kept, *hacks),
        plane=arranged.plane,
        options=finish.hacking,
        errors=errors,
        listed=tuple(_listed(found.plan)),
    )
    return done.cuts[len(kept) :]


def _at(one: Hack | Cut, place: Hack | Cut | Place) -> bool:
    x, y = place if isinstance(place, tuple) else (place.x, place.y)
    return math.hypot(one.x - x, one.y - y) <= _HERE


def _among(one: Cut, others: Sequence[Cut]) -> bool:
    return any(_at(one, other) and abs(one.depth - other.depth) <= _SAME for other in others)
