"""A quote that hangs on a doubted reading: found with and without it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import islice

from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.core.unlikely import Without
from flatscan.jobs.results import Seen, Survey
from flatscan.jobs.seeing_stations import as_meant
from flatscan.jobs.work_planned import Planned

# so many doubted readings are followed: with more of them the table wants typing again
_MOST = 5


def without_doubted(found: Survey, again: Callable[[Seen], Planned]) -> Survey:
    """The survey with the answers without its doubted readings, and what must be settled before it can be quoted.

    A stop sign that only a doubted reading raises is none yet.
    """
    without, sound = [], found.plan
    for one, seen in islice(as_meant(found.seen), _MOST):
        sound = again(seen)
        built, order = sound.build_up, sound.take_off
        without.append(Without(one, built.volume, built.order, order.price))
    hangs = _until(found, tuple(without)) or _unit(found)
    if not without:
        return found if hangs is None else replace(found, hangs=hangs)
    take, kept = found.plan.take_off, {sign.code for sign in sound.take_off.stops}
    loose = tuple(sign for sign in take.stops if sign.code not in kept)
    stops = tuple(sign for sign in take.stops if sign.code in kept)
    plan = replace(found.plan, take_off=replace(take, stops=stops)) if loose else found.plan
    said = tuple(note("jobs.stop-hangs", sign=sign) for sign in loose)
    return replace(found, plan=plan, without=tuple(without), hangs=hangs, notes=(*said, *found.notes))


def _until(found: Survey, without: tuple[Without, ...]) -> Note | None:
    """What must be settled of the readings, the weightiest first."""
    if not without:
        return None
    first, one = without[0], without[0].reading
    values = {"reading": metres(one.reading), "volume": found.plan.build_up.volume, "other": first.volume}
    if one.meant is None:
        what = note("jobs.reading-read-again", (one.x, one.y), **values)
    else:
        what = note("jobs.reading-settled", (one.x, one.y), meant=metres(round(one.meant, 5)), **values)
    more = len(found.seen.doubted) - 1
    if more:
        what = note("jobs.and-more", (one.x, one.y), first=what, more=more)
    return note("jobs.not-quotable", (one.x, one.y), what=what)


def _unit(found: Survey) -> Note | None:
    """That readings of no usual size may be in another unit."""
    said = next((it for it in found.notes if it.code == "grid.range"), None)
    if said is None:
        return None
    what = note("jobs.unit-settled", None, middle=said.quantities["middle"], unit=said.quantities["unit"])
    return note("jobs.not-quotable", None, what=what)
