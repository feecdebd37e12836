"""Before quoting: finish plane, choices, order, hacking, quote, clashes and light."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from flatscan import verdict as verdicts
from flatscan.core.errors import BadValue
from flatscan.jobs.findings import Findings, Seen
from flatscan.jobs.looking import look, swept
from flatscan.jobs.seeing import see
from flatscan.jobs.settings import DEFAULT_SYSTEM, Capturing, Finishing, Progress, Testing, silent
from flatscan.plan.choices import choices
from flatscan.plan.clash import clashes, read_items
from flatscan.plan.coats import bands
from flatscan.plan.extras import extras, measured_area
from flatscan.plan.finish import BuildUp, PlaneOptions, place
from flatscan.plan.hacking import hacking_plan
from flatscan.plan.light import shows
from flatscan.plan.order import bags_per_m3
from flatscan.plan.rates import load_rates, quote
from flatscan.plan.room import turn_parallel_to, turn_square_to
from flatscan.plan.stops import stops
from flatscan.plan.systems import load as load_system
from flatscan.plan.takeoff import TakeOff, take_off


def survey(path: str | Path, how: Capturing, test: Testing, finish: Finishing, progress: Progress = silent) -> Findings:
    """Before quoting: what the wall is, which finish plane it takes, what to order and what hacking saves."""
    # a wrong name or file is said before the capture is read
    load_system(finish.system or DEFAULT_SYSTEM)
    if finish.rates is not None:
        load_rates(finish.rates)
    return survey_seen(see(path, how, progress), test, finish, progress)


def survey_seen(seen: Seen, test: Testing, finish: Finishing, progress: Progress = silent) -> Findings:
    """`survey` of a wall already seen."""
    return planned(measured(seen, test, progress), seen, finish, progress)


def measured(seen: Seen, test: Testing, progress: Progress = silent) -> Findings:
    """The first half of `survey_seen`: shape and straightedge, before anything is planned."""
    found = look("survey", seen, test, progress)
    return replace(found, gaps=swept(found, test, verdicts.coverage_factor(test.confidence), progress))


def planned(found: Findings, seen: Seen, finish: Finishing, progress: Progress = silent) -> Findings:
    """The second half of `survey_seen`: findings before planning, planned and priced; nothing is measured again."""
    finish = replace(finish, plane=_wanted_turn(finish, seen))
    return _priced(plan(found, finish, progress), finish)


def plan(found: Findings, finish: Finishing, progress: Progress = silent) -> Findings:
    """Findings with finish plane, order and hacking list added, whatever was found before.

    What cannot be ordered is raised if the system was asked for by name, else said.
    """
    progress("finish plane", None)
    system = load_system(finish.system or DEFAULT_SYSTEM)
    wall, smooth = found.wall, found.relief
    # a scan's plane is measured from the foot of the wall's own fit, a laser's from the laser plane
    foot = float(found.shape.plane[0]) if smooth.laser is None else smooth.laser
    build_up = place(smooth, wall, options=finish.plane, foot=foot)
    signs = stops(smooth, wall, found.shape, build_up, seen=finish.seen)
    order = replace(finish.order, strict=finish.system is not None)
    take = take_off(build_up, smooth, system, options=order, stops=signs)
    hacking = replace(finish.hacking, bags_per_m3=bags_per_m3(system))
    cuts = hacking_plan(smooth, wall, plane=finish.plane, options=hacking, standing=signs)
    notes = (*build_up.notes, *cuts.notes, f"Hacking: {cuts.ends_because.removesuffix('.')}.")
    fixed = tuple((point.x, point.y, point.offset) for point in finish.plane.fixed)
    return replace(
        found, build_up=build_up, take_off=take, hacks=cuts.hacks, fixed=fixed, warnings=(*found.warnings, *notes),
        extras=extras(wall, smooth, build_up, mesh_over=system.mesh_over), bands=bands(build_up, smooth, system),
    )  # fmt: skip


def _priced(found: Findings, finish: Finishing) -> Findings:
    """Findings with the price list of choices, the quote, the clash list and what light shows, where asked for."""
    build_up, take = found.build_up, found.take_off
    assert build_up is not None
    assert take is not None
    system = load_system(finish.system or DEFAULT_SYSTEM)
    found = replace(
        found, choices=choices(
            found.relief, found.wall, found.shape, options=finish.plane, system=system, order=finish.order
        ),
    )  # fmt: skip
    if finish.rates is not None:
        found = _quoted(found, finish, build_up, take)
    if finish.clash is not None:
        found = replace(found, clashes=clashes(read_items(finish.clash), build_up, found.relief))
    if finish.light is not None:
        found = replace(found, shown=shows(found.relief, math.radians(finish.light)))
    return found


def _quoted(found: Findings, finish: Finishing, build_up: BuildUp, take: TakeOff) -> Findings:
    assert finish.rates is not None
    made = quote(
        take, build_up, found.relief, load_rates(finish.rates), extras=found.extras,
        area=measured_area(found.wall, found.relief, finish.area_rule),
    )  # fmt: skip
    return replace(found, quote=made, take_off=replace(take, price=made.total))


def _wanted_turn(finish: Finishing, seen: Seen) -> PlaneOptions:
    """The plane's options with the turn that makes it parallel or square to another wall of the room."""
    asked = [("--parallel-to", finish.parallel_to, turn_parallel_to), ("--square-to", finish.square_to, turn_square_to)]
    given = [(name, number, turn) for name, number, turn in asked if number is not None]
    if not given:
        return finish.plane
    if len(given) > 1:
        raise BadValue(
            "--parallel-to and --square-to", "both given", needed="one of the two", remedy="Leave one of them out"
        )
    name, number, turn = given[0]
    other = next((wall for wall in seen.neighbours if wall.number == number), None)
    if other is None:
        known = ", ".join(str(wall.number) for wall in seen.neighbours) or "no other wall"
        raise BadValue(
            name, f"wall {number}", needed=f"another wall of the capture ({known})",
            remedy="List the walls with flatscan survey --list",
        )  # fmt: skip
    return replace(finish.plane, turn=turn(seen.wall, other))
