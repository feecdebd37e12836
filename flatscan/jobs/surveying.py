"""Before quoting and on the job: finish plane, choices, order, hacking and quote; set-out."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres
from flatscan.jobs.changed import changed
from flatscan.jobs.checking import check_seen
from flatscan.jobs.days import cutting_hours, day_of, laid_out, laid_out_or_none, with_strips
from flatscan.jobs.either import planned_both_ways
from flatscan.jobs.extra_over import beyond
from flatscan.jobs.fixing import fixed_points, must_lie_on
from flatscan.jobs.hanging import without_doubted
from flatscan.jobs.results import Looked, Seen, SetOut, SiteWall, Survey
from flatscan.jobs.seeing import Capture, look, see, swept
from flatscan.jobs.settings import Capturing, Finishing, Progress, Requirement, silent
from flatscan.jobs.work_planned import Planned
from flatscan.plan.arranging import Arranged, Work, arrange, numbered, worth_with_screeds
from flatscan.plan.coats import bags_per_m3, bands
from flatscan.plan.cutting import Cut
from flatscan.plan.dots import Laser
from flatscan.plan.face import clashes, read_items, shows
from flatscan.plan.finish import PlaneOptions
from flatscan.plan.hacking import hacking_plan
from flatscan.plan.highest import Errors, errors_of
from flatscan.plan.labour import hours_per_m3
from flatscan.plan.materials import System
from flatscan.plan.other_planes import choices, turn_parallel_to, turn_square_to
from flatscan.plan.pockets import pockets_of
from flatscan.plan.products import products_of
from flatscan.plan.rates import Quote, extras, load_rates, measured_area, quote
from flatscan.plan.screeds import SetOutOptions
from flatscan.plan.stops import not_ruled_out, stops
from flatscan.plan.takeoff import take_off
from flatscan.straightedge.gaps import Gaps


def survey(
    source: Capture | Seen, how: Capturing, requirement: Requirement, finish: Finishing, progress: Progress = silent
) -> Survey:
    """Before quoting: what the wall is, which finish plane it takes, what to order and what hacking saves."""
    # a wrong name or file is said before the capture is read
    _ = finish.material
    if finish.rates is not None:
        load_rates(finish.rates)
    return survey_seen(see(source, how, progress), requirement, finish, progress)


def survey_seen(
    seen: Seen,
    requirement: Requirement,
    finish: Finishing,
    progress: Progress = silent,
    done: tuple[Looked, Gaps] | None = None,
) -> Survey:
    """`survey` of a wall already seen, both ways where something hangs on it that may be wall or not.

    ``done`` is what `measured` found on it by the same requirement, where that is known already.
    """

    def once(one: Seen) -> Survey:
        return planned(*measured(one, requirement, progress), finish, progress)

    def sums(one: Seen) -> Planned:
        turned = replace(finish, plane=_wanted_turn(finish, one))
        looked = look(one, requirement, silent)
        return _quoted(looked, plan(looked, turned, silent, _screeds(finish, requirement.rule)), turned)[0]

    first = once(seen) if done is None else planned(*done, finish, progress)

    def otherwise(one: Seen) -> Survey:
        # a hump that is left out as an object is none to cut
        left = replace(finish, cut=tuple(cut for cut in first.plan.cuts if _is_measured(one.relief, cut)))
        return planned(*measured(one, requirement, progress), left, progress)

    return without_doubted(planned_both_ways(first, otherwise), sums)


def _is_measured(relief: Relief, cut: Cut) -> bool:
    """Whether the wall is known where a cut is."""
    across, upward = relief.places
    return bool(relief.valid.flat[int(np.argmin(np.hypot(across - cut.x, upward - cut.y)))])


def measured(seen: Seen, requirement: Requirement, progress: Progress = silent) -> tuple[Looked, Gaps]:
    """The first half of `survey_seen`: shape and straightedge, before anything is planned."""
    looked = look(seen, requirement, progress)
    return looked, swept(looked, requirement, progress)


def planned(looked: Looked, gaps: Gaps, finish: Finishing, progress: Progress = silent) -> Survey:
    """The second half of `survey_seen`: what was measured, planned and priced; nothing is measured again."""
    looked = replace(looked, settings=(*looked.settings, *changed(finish)))
    finish = replace(finish, plane=_wanted_turn(finish, looked.seen))
    return _priced(looked, gaps, plan(looked, finish, progress, _screeds(finish, gaps.rule)), finish)


def cut_first(seen: Seen, requirement: Requirement, finish: Finishing) -> tuple[Cut, ...]:
    """The humps that a survey of a wall would plan to cut, by place and as deep; raises as `plan` does."""
    looked = look(seen, requirement, silent)
    finish = replace(finish, plane=_wanted_turn(finish, seen))
    return arranged_on(looked, finish, _screeds(finish, requirement.rule))[0].as_cut.cuts


def _screeds(finish: Finishing, rule: float) -> SetOutOptions | None:
    """Strips decide how far out the face stands, so a survey lays them as the set-out will; None without."""
    return None if finish.strip is None else SetOutOptions(rule)


def plan(
    looked: Looked, finish: Finishing, progress: Progress = silent, screeds: SetOutOptions | None = None
) -> Planned:
    """Finish plane, order and hacking list of a wall, as it is once the humps to be cut are cut.

    ``screeds`` is the set-out that the plane must leave room for. What cannot be ordered is raised if the system was
    asked for by name, else said; where the plan asked for cannot be, the nearest that can is planned and ``cannot``
    says why.
    """
    progress(note("stage.finish-plane"), None)
    system, last = system_of(finish)
    wall, measured_on = looked.wall, looked.relief
    found, work, errors = arranged_on(looked, finish, screeds)
    room = work.screeds
    smooth, face, build_up = found.relief, found.plane, found.build_up
    signs = stops(smooth, wall, looked.shape, build_up, seen=finish.seen)
    doubtful = not_ruled_out(smooth, wall, looked.shape, build_up)
    order = replace(finish.order, strict=finish.system is not None)
    hacked = cutting_hours(measured_on, smooth, len(found.as_cut.cuts))
    take = take_off(build_up, smooth, system, options=order, stops=signs, hacking=hacked)
    filled = hours_per_m3(system.output)
    hacking = replace(finish.hacking, bags_per_m3=bags_per_m3(system), hours_per_m3=filled)
    cuts = hacking_plan(smooth, wall, plane=face, options=hacking, standing=signs, errors=errors)
    hacks, ends, held = numbered(cuts.hacks, found.as_cut.listed), cuts.ends_because, None
    if room is not None and (room.strip is not None or found.out > 0):
        hacks = worth_with_screeds(hacks, found, wall, replace(work, cut=()), errors, hours_per_m3=filled)
        if len(hacks) < len(cuts.hacks):
            held = note("plan.dots-set-it" if room.strip is None else "plan.strips-set-it")
            ends = note("plan.hacking-held", by=held)
    if build_up.between:
        hacks, held = (), note("plan.two-surfaces")
        ends = note("plan.hacking-held", by=held)
    more = extras(wall, smooth, build_up, mesh_over=system.mesh_over)
    bought = () if build_up.between else products_of(take.order, edges=more.edges, mesh=more.mesh)
    return Planned(
        build_up=build_up,
        take_off=replace(take, products=bought),
        hacks=hacks,
        extras=more,
        bands=bands(build_up, smooth, system),
        fixed=tuple((point.x, point.y, point.offset) for point in work.plane.fixed),
        notes=(
            *_cannot(found),
            *doubtful,
            *found.notes,
            *_no_last(system, last),
            *build_up.notes,
            *(said for said in (cuts.notes if hacks else ()) if said not in found.notes),
            ends,
        ),
        pockets=pockets_of(smooth, build_up),
        cuts=found.as_cut.cuts,
        finish=last,
        arranged=found,
        held_by=None if hacks else held,
    )


def arranged_on(looked: Looked, finish: Finishing, screeds: SetOutOptions | None) -> tuple[Arranged, Work, Errors]:
    """The wall with its humps cut and the plane on it, what was asked for, and the errors it was placed with."""
    # a scan's plane is measured from the foot of the wall's own fit, a laser's from the laser plane
    foot = float(looked.shape.plane[0]) if looked.relief.laser is None else looked.relief.laser
    errors = errors_of(looked.relief, looked.wall)
    room = None if screeds is None else replace(screeds, strip=finish.strip, finish=system_of(finish)[1])
    work = Work(_face(finish, looked), finish.hacking, finish.cut, room, foot)
    return arrange(looked.relief, looked.wall, work, errors), work, errors


def _cannot(found: Arranged) -> tuple[Note, ...]:
    return () if found.cannot is None else (note("plan.cannot", why=found.cannot),)


def _no_last(system: System, last: float) -> tuple[Note, ...]:
    """That a coat is to follow the screeds which the system does not have."""
    if last > 0 and system.coats[-1].nominal is None:
        return (note("plan.finish-not-in-system", finish=metres(last), system=system.title),)
    return ()


def system_of(finish: Finishing) -> tuple[System, float]:
    """The material system with its last coat as thick as asked for, and how thick that is [m].

    A last coat of 0 is none: the coat under it goes to the face.
    """
    system = finish.material
    if finish.finish is None:
        return system, system.last
    if system.coats[-1].nominal is None:
        return system, finish.finish
    last = (replace(system.coats[-1], nominal=finish.finish),) if finish.finish > 0 else ()
    return replace(system, coats=(*system.coats[:-1], *last)), finish.finish


def _priced(looked: Looked, gaps: Gaps, planned: Planned, finish: Finishing) -> Survey:
    """The plan with the price list of choices, the quote, the clash list and what light shows, where asked for."""
    assert planned.arranged is not None
    smooth, wall, face = planned.arranged.relief, looked.wall, planned.arranged.plane
    system, _ = system_of(finish)
    listed = choices(
        smooth, wall, looked.shape, options=face, system=system, order=finish.order, out=planned.arranged.out
    )
    found: dict[str, Any] = {"choices": listed}
    planned, found["quote"] = _quoted(looked, planned, finish)
    if finish.clash is not None:
        items, doubts = read_items(finish.clash)
        found["clashes"] = clashes(items, planned.build_up, smooth)
        looked = replace(looked, notes=(*looked.notes, *doubts))
    if finish.light is not None:
        found["shown"] = shows(smooth, math.radians(finish.light))
    screeds = laid_out_or_none(looked, planned, finish, gaps.rule, laser_of(looked, finish))
    planned = with_strips(planned, screeds)
    day = day_of(planned, finish, system, screeds)
    survey = looked.extended(Survey, gaps=gaps, plan=planned, day=day, **found)
    if finish.rates is None or not planned.take_off.coats:
        return survey
    rates = load_rates(finish.rates)
    return replace(survey, beyond=beyond(survey, rates.allowance, rates, finish))


def _quoted(looked: Looked, planned: Planned, finish: Finishing) -> tuple[Planned, Quote | None]:
    """The plan with its price, and the quote: both as they are without rates, none of one where surfaces are two."""
    # without an order the bags are missing from a price, which then looks cheap
    if finish.rates is None or not (planned.take_off.either or planned.take_off).coats:
        return planned, None
    assert planned.arranged is not None
    smooth, rates = planned.arranged.relief, load_rates(finish.rates)
    area = measured_area(looked.wall, smooth, finish.area_rule)
    quoted = quote(
        planned.take_off.either or planned.take_off,
        planned.build_up,
        smooth,
        rates,
        extras=planned.extras,
        area=area,
        hacks=planned.cuts,
        pockets=planned.pockets,
    )
    # of two surfaces nobody knows which is the wall: a price from and to, and nothing to sign
    total, shown = (None, None) if planned.build_up.between else (quoted.total, quoted)
    priced = replace(planned.take_off, price=total, price_span=quoted.ends)
    return replace(planned, take_off=priced, notes=(*planned.notes, *quoted.unpriced)), shown


def _face(finish: Finishing, looked: Looked) -> PlaneOptions:
    """The plane's options with the points that the readings fix, and with what the wall is of.

    What may stand proud between stations hangs on that.
    """
    # z of a laser that was set up anew
    laser = None if finish.laser is None else float(looked.shape.plane[0]) + finish.laser
    fixed = (*finish.plane.fixed, *fixed_points(looked.seen, finish.fix_reading, laser))
    must_lie_on(looked.wall, fixed)
    return replace(finish.plane, background=finish.order.background, fixed=fixed)


def _wanted_turn(finish: Finishing, seen: Seen) -> PlaneOptions:
    """The plane's options with the turn that makes it parallel or square to another wall of the room."""
    asked = [("parallel_to", finish.parallel_to, turn_parallel_to), ("square_to", finish.square_to, turn_square_to)]
    given = [(name, number, turn) for name, number, turn in asked if number is not None]
    if not given:
        return finish.plane
    if len(given) > 1:
        raise BadValue(
            "{set:parallel_to} and {set:square_to}",
            "both given",
            needed="one of the two",
            remedy="Leave one of them out",
        )
    name, number, turn = given[0]
    other = next((wall for wall in seen.neighbours if wall.number == number), None)
    if other is None:
        known = tuple(wall.number for wall in seen.neighbours)
        raise BadValue(
            f"{{set:{name}}}",
            "wall {number:count}",
            needed="another wall of the capture ({known:count})" if known else "a capture with another wall",
            remedy="List the walls with {run:survey --list}",
            number=number,
            known=known,
        )
    return replace(finish.plane, turn=turn(seen.wall, other))


def site_wall(seen: Seen, requirement: Requirement, finish: Finishing) -> SiteWall:
    """One wall of a site: surveyed, and checked as well where the site has a limit."""
    if not requirement.asks:
        return _as_site_wall(survey_seen(seen, requirement, finish))
    checked = check_seen(seen, requirement)
    return replace(
        _as_site_wall(planned(checked, checked.gaps, finish)),
        verdict=checked.verdict,
        tolerance=checked.tolerance,
        method=checked.method,
        hand=checked.hand,
    )


def _as_site_wall(found: Survey) -> SiteWall:
    return SiteWall(**{item.name: getattr(found, item.name) for item in fields(found)})


def set_out(
    source: Capture | Seen,
    how: Capturing,
    requirement: Requirement,
    finish: Finishing,
    options: SetOutOptions,
    progress: Progress = silent,
) -> SetOut:
    """Screeds, dots and packings of the finish plane that a survey of the same capture gives."""
    return set_out_seen(see(source, how, progress), requirement, finish, options, progress)


def set_out_seen(
    seen: Seen, requirement: Requirement, finish: Finishing, options: SetOutOptions, progress: Progress = silent
) -> SetOut:
    """`set_out` of a wall already seen."""
    looked = look(seen, requirement, progress)
    planned_on = (*changed(finish), *changed(options, SetOutOptions(options.rule)))
    looked = replace(looked, settings=(*looked.settings, *planned_on))
    finish = replace(finish, plane=_wanted_turn(finish, seen))
    planned = plan(looked, finish, progress, options)
    assert planned.arranged is not None
    if planned.cannot is not None:
        raise planned.cannot
    progress(note("stage.set-out"), None)
    screeds = laid_out(looked, planned, finish, options, laser_of(looked, finish))
    planned, _ = _quoted(looked, with_strips(planned, screeds), finish)
    day = day_of(planned, finish, system_of(finish)[0], screeds)
    return looked.extended(SetOut, plan=planned, screeds=screeds, day=day)


def laser_of(looked: Looked, finish: Finishing) -> Laser | None:
    """What the dots are read from: a laser set up anew off the wall's foot, or the one that the wall was read from."""
    if finish.laser is None:
        return looked.seen.laser
    last = looked.seen.laser or Laser(0.0)
    return replace(last, offset=float(looked.shape.plane[0]) + finish.laser, turn=0.0)
