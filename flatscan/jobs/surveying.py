"""Before quoting and on the job: finish plane, choices, order, hacking and quote; set-out; low spots."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from flatscan.core.errors import BadValue
from flatscan.core.model import Readings
from flatscan.core.notes import note
from flatscan.jobs.changed import changed
from flatscan.jobs.checking import check_seen
from flatscan.jobs.either import planned_both_ways
from flatscan.jobs.results import Looked, Lows, LowsByHand, Planned, Seen, SetOut, SiteWall, Survey, Together
from flatscan.jobs.seeing import Capture, find_room, look, read, see, seen_in, swept
from flatscan.jobs.settings import Capturing, Finishing, Progress, Requirement, silent
from flatscan.plan.coats import bags_per_m3, bands, combined_order
from flatscan.plan.face import clashes, read_items, shows
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.hacking import hacking_plan
from flatscan.plan.highest import errors_of
from flatscan.plan.lows import LIMIT as LOW_LIMIT
from flatscan.plan.lows import find_lows, find_ridges, lows_from_readings, read_hand_readings
from flatscan.plan.other_planes import RoomPlan, RoomWall, choices, place_room, turn_parallel_to, turn_square_to
from flatscan.plan.products import products_of
from flatscan.plan.rates import extras, load_rates, measured_area, quote
from flatscan.plan.screeds import SetOutOptions
from flatscan.plan.screeds import set_out as set_out_screeds
from flatscan.plan.stops import stops
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


def survey_seen(seen: Seen, requirement: Requirement, finish: Finishing, progress: Progress = silent) -> Survey:
    """`survey` of a wall already seen, both ways where something hangs on it that may be wall or not."""

    def once(one: Seen) -> Survey:
        return planned(*measured(one, requirement, progress), finish, progress)

    return planned_both_ways(once(seen), once)


def measured(seen: Seen, requirement: Requirement, progress: Progress = silent) -> tuple[Looked, Gaps]:
    """The first half of `survey_seen`: shape and straightedge, before anything is planned."""
    looked = look(seen, requirement, progress)
    return looked, swept(looked, requirement, progress)


def planned(looked: Looked, gaps: Gaps, finish: Finishing, progress: Progress = silent) -> Survey:
    """The second half of `survey_seen`: what was measured, planned and priced; nothing is measured again."""
    looked = replace(looked, settings=(*looked.settings, *changed(finish)))
    finish = replace(finish, plane=_wanted_turn(finish, looked.seen))
    return _priced(looked, gaps, plan(looked, finish, progress), finish)


def plan(looked: Looked, finish: Finishing, progress: Progress = silent) -> Planned:
    """Finish plane, order and hacking list of a wall.

    What cannot be ordered is raised if the system was asked for by name, else said.
    """
    progress(note("stage.finish-plane"), None)
    system = finish.material
    wall, smooth = looked.wall, looked.relief
    # a scan's plane is measured from the foot of the wall's own fit, a laser's from the laser plane
    foot = float(looked.shape.plane[0]) if smooth.laser is None else smooth.laser
    errors = errors_of(smooth, wall)
    face = _face(finish)
    build_up = place(smooth, wall, options=face, foot=foot, errors=errors)
    signs = stops(smooth, wall, looked.shape, build_up, seen=finish.seen)
    order = replace(finish.order, strict=finish.system is not None)
    take = take_off(build_up, smooth, system, options=order, stops=signs)
    hacking = replace(finish.hacking, bags_per_m3=bags_per_m3(system))
    cuts = hacking_plan(smooth, wall, plane=face, options=hacking, standing=signs, errors=errors)
    more = extras(wall, smooth, build_up, mesh_over=system.mesh_over)
    return Planned(
        build_up=build_up,
        take_off=replace(take, products=products_of(take.order, edges=more.edges, mesh=more.mesh)),
        hacks=cuts.hacks,
        extras=more,
        bands=bands(build_up, smooth, system),
        fixed=tuple((point.x, point.y, point.offset) for point in finish.plane.fixed),
        notes=(*build_up.notes, *cuts.notes, cuts.ends_because),
    )


def _priced(looked: Looked, gaps: Gaps, planned: Planned, finish: Finishing) -> Survey:
    """The plan with the price list of choices, the quote, the clash list and what light shows, where asked for."""
    smooth, wall = looked.relief, looked.wall
    system = finish.material
    found: dict[str, Any] = {
        "choices": choices(smooth, wall, looked.shape, options=_face(finish), system=system, order=finish.order)
    }
    if finish.rates is not None:
        area = measured_area(wall, smooth, finish.area_rule)
        rates = load_rates(finish.rates)
        quoted = quote(planned.take_off, planned.build_up, smooth, rates, extras=planned.extras, area=area)
        found["quote"] = quoted
        priced = replace(planned.take_off, price=quoted.total, price_span=quoted.ends)
        planned = replace(planned, take_off=priced)
    if finish.clash is not None:
        items, doubts = read_items(finish.clash)
        found["clashes"] = clashes(items, planned.build_up, smooth)
        looked = replace(looked, notes=(*looked.notes, *doubts))
    if finish.light is not None:
        found["shown"] = shows(smooth, math.radians(finish.light))
    return looked.extended(Survey, gaps=gaps, plan=planned, **found)


def _face(finish: Finishing) -> PlaneOptions:
    """The plane's options with what the wall is of: what may stand proud between stations hangs on that."""
    return replace(finish.plane, background=finish.order.background)


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


def survey_together(
    source: Capture,
    how: Capturing,
    test: Requirement,
    finish: Finishing,
    *,
    walls: Sequence[int],
    corners: str = "square",
    progress: Progress = silent,
) -> tuple[Survey, ...]:
    """Survey of each wall named, all with planes that share one turn, each with the order of all of them.

    Raises `BadValue` for a table of readings, for fewer than two walls, or one named twice.
    """
    taken = read(source, how, progress)
    if isinstance(taken, Readings) or len(set(walls)) < max(2, len(walls)):
        raise BadValue(
            "{set:together}",
            "walls {walls:count} of {file}",
            needed="two or more different walls of one point cloud",
            remedy="List the walls with {run:survey --list}",
            walls=tuple(walls),
            file=taken.origin.file,
        )
    room = find_room(taken, how, progress)
    seen = [seen_in(taken, replace(how, wall=number), progress, room) for number in walls]
    found = [look(wall, test, progress) for wall in seen]
    progress(note("stage.finish-planes"), None)
    joined = place_room(
        tuple(RoomWall(one.relief, one.wall, finish.plane) for one in found),
        corners=corners,
        turn_up_to=finish.plane.turn_up_to,
    )
    planned = [
        plan(looked, replace(finish, plane=replace(finish.plane, turn=built.plane.turn, turn_up_to=0.0)), progress)
        for looked, built in zip(found, joined.build_ups, strict=True)
    ]
    together = _together(walls, corners, joined, planned)
    return tuple(
        replace(looked, settings=(*looked.settings, *changed(finish))).extended(
            Survey, gaps=swept(looked, test, progress), plan=each, together=together
        )
        for looked, each in zip(found, planned, strict=True)
    )


def _together(walls: Sequence[int], corners: str, joined: RoomPlan, planned: Sequence[Planned]) -> Together:
    orders = [plan.take_off.order for plan in planned]
    return Together(tuple(walls), corners, joined.shared_turn, joined.volume, joined.squaring, combined_order(orders))


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
    options = replace(options, strip=finish.strip, finish=finish.finish or 0.0, laser=finish.laser)
    looked = replace(looked, settings=(*looked.settings, *planned_on))
    planned = plan(looked, finish, progress)
    progress(note("stage.set-out"), None)
    if options.laser is None and looked.relief.laser is not None:
        options = replace(options, laser=looked.relief.laser)
    screeds = set_out_screeds(looked.relief, looked.wall, planned.build_up.plane, options=options)
    return looked.extended(SetOut, plan=planned, screeds=screeds)


def lows(
    source: Capture | Seen,
    how: Capturing,
    requirement: Requirement,
    limit: float = LOW_LIMIT,
    progress: Progress = silent,
) -> Lows:
    """After ruling off: where the wall is under the straightedge by more than ``limit`` [m], and its high ridges."""
    return lows_seen(see(source, how, progress), requirement, limit, progress)


def lows_seen(seen: Seen, requirement: Requirement, limit: float = LOW_LIMIT, progress: Progress = silent) -> Lows:
    """`lows` of a wall already seen."""
    looked = look(seen, requirement, progress)
    gaps = swept(looked, requirement, progress)
    found, ridges = find_lows(looked.relief, gaps.deepest, limit=limit), find_ridges(looked.relief, limit=limit)
    return looked.extended(Lows, gaps=gaps, lows=found, ridges=ridges, limit=limit)


def lows_by_hand(path: str | Path, limit: float = LOW_LIMIT) -> LowsByHand:
    """Lows out of a file of straightedge readings; raises `BadTable` for what it breaks and `ReadError` for no file."""
    readings, doubts = read_hand_readings(path)
    digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()
    return LowsByHand(Path(path).name, digest, len(readings), limit, lows_from_readings(readings, limit=limit), doubts)
